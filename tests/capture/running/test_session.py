"""A session from the source into the book: fakes for what goes wrong, the virtual rig for real."""

import sqlite3
import threading
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from coilbench.capture.blocks import RawBlock
from coilbench.capture.book import sessions as sessions_module
from coilbench.capture.book.calibrations import current_calibration
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sessions import start_session
from coilbench.capture.book.sets import SetPlan, find_set, new_set
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.messages import Hello, LinkCounters, Restarted
from coilbench.capture.running import session as module
from coilbench.capture.running.locks import hold_book
from coilbench.capture.running.recorder import DATUM_LOST, EventKind, Recorder
from coilbench.capture.running.session import CaptureRequest, Session
from coilbench.capture.sources import open_source
from coilbench.capture.sources.base import SourceEnded, SourceLost
from coilbench.capture.strokes.sample_blob import unpack
from coilbench.capture.virtual.bench import Bench, capture_steps
from coilbench.capture.virtual.faults import Faults
from coilbench.capture.virtual.firmware import Firmware
from coilbench.capture.virtual.hand import StrokeKind
from coilbench.capture.virtual.instrument import RigModel
from coilbench.capture.virtual.links import DEFAULT_LINK
from coilbench.capture.virtual.port import VirtualPort
from coilbench.capture.virtual.setup import LinkKind
from coilbench.capture.virtual.spring import OUTER, draw_set
from coilbench.capture.virtual.steps import PressSpring, Rest

RIG = RigModel.draw(4)
SPRINGS = draw_set(OUTER, 2, 4)
BOOT = 0xB007
HELLO = Hello(1, "own-1", RIG.device_id, BOOT, 80.0, "quadrature", 5.0)
LOST = SourceLost("the port is gone", where="fake:")
ENDED = SourceEnded("at its end", where="fake:")
QUIET = object()


def bench_samples(steps, seed=4):
    return np.concatenate([block.samples for block in Bench(RIG, steps, seed).blocks()])


PRESS = bench_samples([Rest(2.0), PressSpring(SPRINGS[0], 26.0), Rest(1.0)])
HALF = PRESS[: int(np.argmax(PRESS["travel_counts"]))]


class Clock:
    """Time that each poll moves by 0.1 s.

    In step, a poll waits until the session has looked around since it began, so that the reader
    is never more than a poll or two ahead.
    """

    def __init__(self):
        self.now_s = 0.0
        self.looks = None

    def in_step(self, monkeypatch):
        self.looks = threading.Event()
        monkeypatch.setattr(module, "PARCEL_WAIT_S", 0.001)

    def __call__(self):
        return self.now_s


class FakeSource:
    """Says one entry a poll (samples, a message or a list), raises it, or is QUIET."""

    def __init__(self, clock, *script, hello=HELLO):
        self.url = "fake:"
        self.counters = LinkCounters()
        self._clock = clock
        self._begun = False
        self._script = iter([hello, *script])

    def poll(self, timeout_s):
        if self._clock.looks is not None and self._begun:
            self._clock.looks.clear()
            self._clock.looks.wait(5.0)
        self._begun = True
        self._clock.now_s += 0.1
        said = next(self._script, QUIET)
        if callable(said):
            said = said()
        if isinstance(said, Exception):
            raise said
        if said is QUIET:
            return []
        if isinstance(said, np.ndarray):
            self.counters = replace(self.counters, samples=self.counters.samples + len(said))
            said = RawBlock(said, BOOT)
        return [said]

    def request(self, word):
        pass

    def close(self):
        pass

    def __enter__(self):
        return self

    def __exit__(self, *_):
        pass


class Stage:
    """A session on fake sources, and what came of it."""

    def __init__(self, book, *openings, set_name="larch", clock=None):
        self.book = book
        self.clock = Clock() if clock is None else clock
        self.events = []
        left = iter(openings)

        def open_again():
            opened = next(left)
            if isinstance(opened, Exception):
                raise opened
            return opened

        self.session = Session(
            CaptureRequest(book, set_name, "fake:"),
            open_again,
            self.hear,
            clock=self.clock,
            pause=lambda _: None,
        )
        if self.clock.looks is not None:
            look = self.session._see
            self.session._see = lambda *args: (look(*args), self.clock.looks.set())

    def hear(self, event):
        self.events.append(event)

    def run(self):
        return self.session.run()

    def words(self, kind):
        return [event.words for event in self.events if event.kind is kind]


def read(book, sql):
    with open_book(book) as db:
        return list(db.query(sql))


def sweeps(book):
    return read(book, "SELECT * FROM sweeps ORDER BY rowid")


def ended(book):
    return [row["ended_reason"] for row in read(book, "SELECT * FROM sessions ORDER BY rowid")]


@pytest.fixture
def book(make_book):
    return make_book(RIG)


@pytest.fixture
def clock():
    return Clock()


# --- the way through ------------------------------------------------------------------------------


def test_a_source_that_ends_closes_the_session(book, clock):
    stage = Stage(book, FakeSource(clock, PRESS, ENDED), clock=clock)
    snapshot = stage.run()
    assert stage.words(EventKind.LINK) == [f"connected to fake:: own-1, rig {RIG.device_id}"]
    assert len(stage.words(EventKind.KEPT)) == 1
    assert (snapshot.samples, snapshot.link, snapshot.springs) == (len(PRESS), "up", 2)
    assert snapshot.turn == "larch-01, stroke 1 of 2"
    assert ended(book) == ["source ended"]
    (row,) = read(book, "SELECT * FROM sessions")
    assert (row["samples"], row["device_id"]) == (len(PRESS), RIG.device_id)


def test_a_stroke_that_the_end_cuts_off_is_kept_as_interrupted(book, clock):
    Stage(book, FakeSource(clock, HALF, ENDED), clock=clock).run()
    (row,) = sweeps(book)
    assert (row["status"], row["counted"]) == ("interrupted", 0)
    assert unpack(row["samples_format"], row["samples_blob"])["seq"][-1] == HALF["seq"][-1]
    assert read(book, "SELECT * FROM stroke_chunks") == []


def test_a_set_that_is_done_ends_it_at_once_and_again(make_book, clock):
    book = make_book(RIG, springs=1, conditioning=0, measured=1)
    stage = Stage(book, FakeSource(clock, PRESS), clock=clock)
    assert stage.run().turn is None
    assert stage.words(EventKind.DONE) == ["the set larch is done"]
    assert ended(book) == ["set done"]
    again = Stage(book, FakeSource(clock, PRESS), clock=clock)
    again.run()
    assert again.words(EventKind.DONE) == ["the set larch is done already"]
    assert len(sweeps(book)) == 1


def test_a_stop_takes_what_has_arrived_and_closes(book, clock, monkeypatch):
    clock.in_step(monkeypatch)

    def stop():
        stage.session.stop()
        return HALF

    stage = Stage(book, FakeSource(clock, stop), clock=clock)
    stage.run()
    (row,) = sweeps(book)
    assert row["status"] == "interrupted"
    assert unpack(row["samples_format"], row["samples_blob"])["seq"][-1] == HALF["seq"][-1]
    assert ended(book) == ["stopped"]


def test_a_stop_before_the_rig_answers_ends_without_an_error(book, clock):
    def stop():
        stage.session.stop()
        return LOST

    stage = Stage(book, FakeSource(clock, hello=stop), clock=clock)
    stage.run()
    assert read(book, "SELECT * FROM sessions") == []
    assert stage.events == []


def test_the_running_stroke_is_flushed_each_second(book, clock, monkeypatch):
    stored = []
    real = sessions_module.store_chunk

    def note(db, session_id, chunk, owner, samples):
        stored.append((clock.now_s, int(samples["seq"][-1])))
        real(db, session_id, chunk, owner, samples)

    monkeypatch.setattr("coilbench.capture.running.recorder.store_chunk", note)
    clock.in_step(monkeypatch)
    slow = bench_samples([Rest(2.0), PressSpring(SPRINGS[0], 26.0, StrokeKind.SLOW)])
    slow = slow[: int(np.argmax(slow["travel_counts"]))]
    pieces = np.array_split(slow, len(slow) // 9)  # 0.1 s each
    Stage(book, FakeSource(clock, *pieces, ENDED), clock=clock).run()
    assert len(stored) >= 4
    for (before_s, before), (after_s, after) in pairwise(stored):
        assert after_s - before_s < 1.35
        assert after - before < 1.35 * RIG.rate_hz
    heard = (stored[-1][0] - 0.1) / 0.1 * len(slow) / len(pieces)
    assert stored[-1][1] >= heard - 0.35 * RIG.rate_hz  # nothing of note waits elsewhere


# --- what goes wrong with the link ----------------------------------------------------------------


def test_the_first_opening_that_fails_is_an_error_at_once(book):
    stage = Stage(book, SourceLost("there is no such port", where="fake:"))
    with pytest.raises(CoilbenchError, match="fake:: there is no such port"):
        stage.run()
    assert read(book, "SELECT * FROM sessions") == []


def test_a_lost_link_interrupts_the_stroke_and_is_opened_again(book, clock):
    first = FakeSource(clock, HALF, LOST)
    second = FakeSource(clock, PRESS, ENDED)
    stage = Stage(book, first, LOST, LOST, second, clock=clock)
    snapshot = stage.run()
    assert [row["status"] for row in sweeps(book)] == ["interrupted", "complete"]
    assert snapshot.samples == len(HALF) + len(PRESS)  # over both connections
    connected, lost, again = stage.words(EventKind.LINK)
    assert connected == again
    assert lost.startswith("fake:: the port is gone. Last sample: number")
    assert lost.endswith("kg. Trying again.")  # said once, though it was tried three times


def test_a_stroke_is_not_mended_over_a_short_loss_of_the_link(book, clock):
    back = FakeSource(clock, PRESS[len(HALF) + 20 :], ENDED)
    Stage(book, FakeSource(clock, HALF, LOST), back, clock=clock).run()
    assert [row["status"] for row in sweeps(book)] == ["interrupted"]


def test_another_reason_for_the_loss_is_said_too(book, clock):
    other = SourceLost("there is no such port", where="fake:")
    source = FakeSource(clock, ENDED)
    stage = Stage(book, FakeSource(clock, LOST), other, LOST, source, clock=clock)
    stage.run()
    assert len(stage.words(EventKind.LINK)) == 5


def test_a_silence_is_said_after_two_seconds_with_the_last_good_thing(book, clock, monkeypatch):
    clock.in_step(monkeypatch)
    source = FakeSource(clock, HALF, *[QUIET] * 40, PRESS[:5], ENDED)
    stage = Stage(book, source, clock=clock)
    stage.run()
    silences = [words for words in stage.words(EventKind.LINK) if "no sample for" in words]
    assert len(silences) == 1
    assert silences[0].startswith("no sample for 2.")
    assert "on fake:. Last sample: number" in silences[0]
    assert silences[0].endswith("then: coilbench rig find")


def test_counters_and_restarts_go_into_the_book(book, clock):
    source = FakeSource(clock, HALF, Restarted(0xB008), ENDED)
    source.counters = LinkCounters(lines_bad=3, samples_lost=2, restarts=1)
    Stage(book, source, clock=clock).run()
    (row,) = read(book, "SELECT * FROM sessions")
    assert (row["lines_bad"], row["samples_lost"], row["restarts"]) == (3, 2, 1)


def test_another_rig_on_the_port_ends_it_with_the_stroke_kept(make_book, clock):
    book = make_book(RIG, device_id=RIG.device_id)
    stranger = FakeSource(clock, hello=replace(HELLO, device_id="AA"))
    stage = Stage(book, FakeSource(clock, HALF, LOST), stranger, clock=clock)
    with pytest.raises(CoilbenchError, match="this is the rig AA"):
        stage.run()
    assert [row["status"] for row in sweeps(book)] == ["interrupted"]
    assert "this is the rig AA" in ended(book)[0]


def test_a_reader_that_fails_surfaces_with_the_stroke_kept(book, clock):
    stage = Stage(book, FakeSource(clock, HALF, ZeroDivisionError("a defect")), clock=clock)
    with pytest.raises(CoilbenchError, match=r"reading failed \(ZeroDivisionError: a defect\)"):
        stage.run()
    assert [row["status"] for row in sweeps(book)] == ["interrupted"]
    assert "reading failed" in ended(book)[0]


def test_a_reader_that_fails_before_the_hello_surfaces(book, clock):
    stage = Stage(book, FakeSource(clock, hello=ZeroDivisionError("a defect")), clock=clock)
    with pytest.raises(CoilbenchError, match="reading failed"):
        stage.run()


def test_a_reader_that_vanishes_without_a_word_is_noticed(book, clock, monkeypatch):
    stage = Stage(book, FakeSource(clock, ENDED), clock=clock)
    monkeypatch.setattr(stage.session._reader, "_run", lambda: None)
    monkeypatch.setattr(module, "PARCEL_WAIT_S", 0.01)
    stage.session._reader._thread = threading.Thread(target=lambda: None)
    with pytest.raises(CoilbenchError, match="ended by itself"):
        stage.run()


# --- what goes wrong with the book ----------------------------------------------------------------


@pytest.mark.parametrize("set_name", ["birch", ""])
def test_an_unknown_set_is_refused_before_the_port_is_touched(book, set_name):
    with pytest.raises(CoilbenchError, match=r"there is no set .*Known sets: larch"):
        Stage(book, set_name=set_name).run()


def test_a_book_without_a_calibration_is_refused(tmp_path):
    path = tmp_path / "new.db"
    with open_book(path, create=True) as db:
        new_set(db, SetPlan("larch", "outer", ("a",)))
    with pytest.raises(CoilbenchError, match="load is not calibrated"):
        Stage(path).run()


def test_a_book_that_another_capture_writes_is_refused(book):
    with hold_book(book), pytest.raises(CoilbenchError, match="another coilbench capture"):
        Stage(book).run()


def test_a_full_disk_ends_it_in_one_line_and_earlier_sweeps_are_safe(book, clock):
    with open_book(book) as db:
        (pages,) = db.execute("PRAGMA page_count").fetchone()
    stage = Stage(book, FakeSource(clock, *[later(PRESS, n) for n in range(40)]), clock=clock)
    real = module.open_book

    class Small:
        """The book on a disk that has room for some ten pages more."""

        def __enter__(self):
            self.inner = real(book)
            db = self.inner.__enter__()
            db.execute(f"PRAGMA max_page_count = {pages + 12}")
            return db

        def __exit__(self, *error):
            return self.inner.__exit__(*error)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "open_book", lambda *_, **__: Small())
        with pytest.raises(CoilbenchError, match="disk is full; what was stored before is safe"):
            stage.run()
    kept = len(stage.words(EventKind.KEPT))
    assert kept > 0
    stored = sweeps(book)
    assert [row["status"] for row in stored[:kept]] == ["complete"] * kept
    for row in stored:
        assert len(unpack(row["samples_format"], row["samples_blob"])) == row["samples"]


def later(samples, turns):
    moved = samples.copy()
    moved["seq"] += turns * len(samples)
    moved["t_us"] += turns * (int(samples["t_us"][-1]) + 11_000)
    return moved


def test_a_book_locked_in_mid_capture_ends_it_in_one_line(book, clock, monkeypatch):
    real = module.open_book
    monkeypatch.setattr(
        module, "open_book", lambda path, **options: real(path, busy_timeout_ms=20, **options)
    )
    blocker = sqlite3.connect(book, isolation_level=None, check_same_thread=False)

    def lock():
        blocker.execute("BEGIN IMMEDIATE")
        return later(PRESS, 1)

    stage = Stage(book, FakeSource(clock, PRESS, lock), clock=clock)
    try:
        with pytest.raises(CoilbenchError, match="locked by another program"):
            stage.run()
    finally:
        blocker.close()
    assert len(sweeps(book)) >= len(stage.words(EventKind.KEPT))


def test_what_a_killed_capture_left_is_closed_and_said(book, clock):
    with open_book(book) as db:
        start_session(db, find_set(db, "larch").set_id, "fake:", None, None)
        dead = start_session(db, find_set(db, "larch").set_id, "fake:", None, None)
        recorder = Recorder(
            db, dead, find_set(db, "larch"), current_calibration(db), lambda _: None
        )
        recorder.take(RawBlock(HALF, BOOT))
        recorder.flush()
    stage = Stage(book, FakeSource(clock, ENDED), clock=clock)
    stage.run()
    assert ended(book)[-1] == "source ended"
    assert [row["status"] for row in sweeps(book)] == ["interrupted"]
    (rescued,) = stage.words(EventKind.RESCUED)
    assert rescued.startswith("1 unfinished stroke was rescued")


# --- end to end, over the wire of a simulated rig -------------------------------------------------

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
    snapshot, _, offered = capture(book, faults)
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
    assert DATUM_LOST in [event.words for event in events]
    boots = {row["boot_id"] for row in rows}
    assert len(boots) == 2
    measured = [row for row in rows if row["purpose"] == "measured"]
    assert measured
    assert all(row["counted"] == 0 and row["note"] == DATUM_LOST for row in measured)


def test_an_amplifier_that_dies_for_a_while_spoils_its_stroke_only(book):
    snapshot, events, _ = capture(book, Faults(dead_s=((7.5, 2.0),)))
    said = [event.words for event in events if event.kind is EventKind.FAULT]
    assert len(said) == 2
    assert said[1] == f"over: {said[0]}"
    rows = sweeps(book)
    bad = [row for row in rows if row["status"] != "complete"]
    assert 1 <= len(bad) <= 2
    assert all(row["counted"] == 0 for row in bad if row["purpose"] == "measured")
    assert sum(row["counted"] for row in rows) == len(rows) - len(bad)
    assert snapshot.restarts == 0


def test_saturation_spoils_a_measured_stroke_with_the_reason(book):
    _, events, _ = capture(book, Faults(saturated_s=((7.0, 1.5),)))
    refused = [event.words for event in events if event.kind is EventKind.REFUSED]
    assert any("past what the amplifier can read" in words for words in refused)
    for row in sweeps(book):
        if row["note"] and "amplifier" in row["note"]:
            assert row["counted"] == 0


@pytest.mark.parametrize("kept_its_power", [True, False])
def test_unplugged_and_plugged_in_again(book, kept_its_power):
    """A rig that had no power begins anew, and its incremental scale has no datum any more."""
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
    assert [row["status"] for row in rows] == ["interrupted"] + ["complete"] * 6
    assert sum("Trying again" in event.words for event in events) >= 1
    if kept_its_power:
        assert snapshot.springs_done == 2
        assert DATUM_LOST not in [event.words for event in events]
    else:
        assert snapshot.springs_done == 0
        assert DATUM_LOST in [event.words for event in events]
        assert {row["note"] for row in rows[2:]} == {DATUM_LOST}
