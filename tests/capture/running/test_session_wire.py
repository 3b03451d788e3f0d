"""A session end to end, over the wire of a simulated rig."""

import numpy as np
import pytest

from coilbench.capture.blocks import Finding
from coilbench.capture.running.commands import EventKind
from coilbench.capture.running.request import CaptureRequest
from coilbench.capture.running.session import Session
from coilbench.capture.sources import open_source
from coilbench.capture.sources.base import SourceEnded
from coilbench.capture.strokes.stored import unpack
from coilbench.capture.virtual.bench import Bench, capture_steps
from coilbench.capture.virtual.firmware import Faults, Firmware
from coilbench.capture.virtual.port import DEFAULT_LINK, LinkKind, VirtualPort
from support import stage as scene

DATUM_LOST = '[{"kind": "datum_lost"}]'  # as the book keeps it

RIG = scene.RIG
SPRINGS = scene.SPRINGS
sweeps = scene.sweeps


@pytest.fixture
def book(make_book):
    return make_book(RIG)


LINKS = [
    pytest.param(
        LinkKind.PTY, marks=pytest.mark.skipif(DEFAULT_LINK != "pty", reason="no pty here")
    ),
    LinkKind.SOCKET,
]


def capture(book, faults=None, link=None, springs=SPRINGS, seed=4):
    """Capture springs over a virtual port; returns the snapshot, the events, samples offered."""
    steps = capture_steps(springs, presses=3)
    firmware = Firmware(RIG, Bench(RIG, steps, seed).blocks(), faults=faults, seed=seed)
    events = []
    with VirtualPort(firmware, link=link) as port:
        opened = []

        def open_again():
            if opened:
                raise SourceEnded("the plan is over")
            opened.append(open_source(port.url))
            port.start()
            return opened[0]

        request = CaptureRequest(book, "larch", port.url)
        session = Session(request, open_again, events.append, pause=lambda _: None)
        snapshot = session.run()
    return snapshot, events, firmware.samples_offered


@pytest.mark.parametrize("link", LINKS)
def test_a_set_is_captured_over_the_wire(book, link):
    snapshot, events, offered = capture(book, link=link)
    assert (snapshot.springs_done, snapshot.samples_lost, snapshot.lines_bad) == (2, 0, 0)
    assert snapshot.samples <= offered
    assert [row["status"] for row in sweeps(book)] == ["complete"] * 6
    assert events[-1].kind is EventKind.DONE
    truth = np.concatenate(
        [b.samples for b in Bench(RIG, capture_steps(SPRINGS, presses=3), 4).blocks()]
    )
    for row in sweeps(book):
        stored = unpack(row["samples_format"], row["samples_blob"])
        whole = truth[stored["seq"][0] : stored["seq"][-1] + 1]
        np.testing.assert_array_equal(stored["load_counts"], whole["load_counts"])


@pytest.mark.parametrize(
    "faults",
    [Faults(drop_probability=2e-4), Faults(flip_probability=2e-4)],
    ids=["dropped", "flipped"],
)
def test_damage_on_the_wire_is_counted_to_the_sample(make_book, faults):
    book = make_book(RIG, measured=9)  # more than will come, so that the plan is heard to its end
    snapshot, _, offered = capture(book, faults, springs=SPRINGS[:1] * 2)
    assert snapshot.samples_lost > 10
    assert snapshot.lines_bad > 10
    # the last lines may be lost with nothing after them to show the gap
    assert 0 <= offered - snapshot.samples - snapshot.samples_lost <= 2
    rows = sweeps(book)
    assert {"gapped"} <= {row["status"] for row in rows} <= {"gapped", "complete"}
    for row in rows:
        stored = unpack(row["samples_format"], row["samples_blob"])
        assert row["samples"] + row["samples_lost"] == stored["seq"][-1] - stored["seq"][0] + 1


def test_a_restart_in_mid_sweep_and_what_comes_after_it(book):
    start_s = 1.5 + 0.45 + 1.5 + 0.4  # in the release of the first press, give or take
    snapshot, events, _ = capture(book, Faults(restart_at_s=(start_s,)))
    assert snapshot.restarts == 1
    rows = sweeps(book)
    assert rows[0]["status"] == "interrupted"
    assert "datum_lost" in [event.what.kind for event in events]
    boots = {row["boot_id"] for row in rows}
    assert len(boots) == 2
    after = rows[1:]
    assert after
    assert all(row["counted"] == 0 and row["note"] == DATUM_LOST for row in after)


def test_an_amplifier_that_dies_for_a_while_spoils_its_stroke_only(book):
    faults = Faults(dead_s=((7.5, 2.0),))
    snapshot, events, _ = capture(book, faults, springs=SPRINGS[:1] * 2)
    said = [event.what for event in events if event.kind is EventKind.FAULT]
    assert said == [Finding.of(kind, code=1) for kind in ("rig_fault", "rig_fault_over")]
    rows = sweeps(book)
    bad = [row for row in rows if row["status"] != "complete"]
    assert 1 <= len(bad) <= 2
    assert all(row["counted"] == 0 for row in bad if row["purpose"] == "measured")
    assert sum(row["counted"] for row in rows) == len(rows) - len(bad)
    assert snapshot.restarts == 0


def test_saturation_spoils_a_measured_stroke_with_the_reason(book):
    _, events, _ = capture(book, Faults(saturated_s=((7.0, 1.5),)))
    refused = [event.what["findings"] for event in events if event.kind is EventKind.REFUSED]
    assert [{"kind": "amplifier_at_limit"}] in refused
    for row in sweeps(book):
        if row["note"] and "amplifier_at_limit" in row["note"]:
            assert row["counted"] == 0


@pytest.mark.parametrize("kept_its_power", [True, False])
def test_unplugged_and_plugged_in_again(book, kept_its_power):
    """A rig that lost power starts again, and its incremental scale has no datum any more."""
    steps = capture_steps(SPRINGS, presses=3)
    events, ports, counted = [], [], []

    def open_again():
        if len(ports) == 2:
            raise SourceEnded("enough")
        seed = 4 if kept_its_power else 4 + len(ports)
        faults = None if ports else Faults(unplug_at_s=4.0)
        firmware = Firmware(RIG, Bench(RIG, steps, 4).blocks(), faults=faults, seed=seed)
        ports.append(VirtualPort(firmware))
        source = open_source(ports[-1].url)
        ports[-1].start()
        return source

    def hear(event):
        events.append(event)
        counted.append(session.snapshot.samples)

    request = CaptureRequest(book, "larch", "usb:")
    session = Session(request, open_again, hear, pause=lambda _: None)
    try:
        snapshot = session.run()
    finally:
        for port in ports:
            port.close()
    assert counted == sorted(counted)
    rows = sweeps(book)
    whole = "complete" if kept_its_power else "aborted"  # without a datum none is worth anything
    assert [row["status"] for row in rows] == ["interrupted"] + [whole] * 6
    assert sum(event.what.kind == "link_lost" for event in events) >= 1
    if kept_its_power:
        assert (snapshot.springs_done, snapshot.restarts) == (2, 0)
        assert "datum_lost" not in [event.what.kind for event in events]
    else:
        assert (snapshot.springs_done, snapshot.restarts) == (0, 1)
        assert "datum_lost" in [event.what.kind for event in events]
        assert {row["note"] for row in rows[2:]} == {DATUM_LOST}
