"""The recorder: restarts, hellos and faults of the rig."""

import json

import pytest
from msgspec.structs import replace

from coilbench.capture.blocks import Fault, Finding, RawBlock, Restarted, SampleFlag, Tally
from coilbench.capture.book.opening import open_book
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.running.commands import EventKind
from coilbench.capture.strokes.stored import unpack
from support.recorder_desk import (
    BOOT,
    HELLO,
    RIG,
    Desk,
    later,
    lowest,
    press,
)


@pytest.fixture
def book(make_book):
    return make_book(RIG)


@pytest.fixture
def desk(book):
    with open_book(book) as db:
        yield Desk(db)


@pytest.mark.parametrize("boot_id", [0xB008, None])
def test_a_restart_in_mid_sweep_interrupts_it_and_loses_the_datum(desk, boot_id):
    desk.take(press())
    samples = later(press(), press())
    desk.take(samples[: lowest(samples)])
    desk.recorder.flush()
    desk.recorder.process(Restarted(boot_id))
    row = desk.rows()[-1]
    assert (row["status"], row["counted"]) == ("interrupted", 0)
    stored = unpack(row["samples_format"], row["samples_blob"])
    assert stored["seq"][-1] == samples["seq"][lowest(samples) - 1]
    assert desk.chunks() == []
    assert desk.kinds(EventKind.FAULT) == ["datum_lost"]
    desk.recorder.process(replace(HELLO, boot_id=0xB008))
    assert desk.kinds(EventKind.FAULT) == ["datum_lost"]  # once
    desk.take(press(), boot_id=0xB008)
    row = desk.rows()[-1]
    assert (row["status"], row["counted"]) == ("aborted", 0)
    assert json.loads(row["note"]) == [{"kind": "datum_lost"}]
    assert desk.recorder.turn.number == 1


def test_a_calibration_of_another_start_is_a_datum_that_is_lost(make_book):
    with open_book(make_book(RIG, boot_id=0xB006)) as db:
        desk = Desk(db)
        assert desk.kinds(EventKind.FAULT) == ["datum_lost"]
        desk.take(press(presses=2))
        # nobody can tell what was pressed, nor how far
        assert [(row["purpose"], row["counted"]) for row in desk.rows()] == [
            ("conditioning", 0),
            ("conditioning", 0),
        ]
        assert {refused["cure"] for refused in desk.found(EventKind.REFUSED)} == {"set_datum"}


def test_a_hello_of_the_same_start_changes_nothing(make_book):
    with open_book(make_book(RIG, boot_id=BOOT)) as db:
        desk = Desk(db)
        samples = press()
        desk.take(samples[: lowest(samples)])
        desk.recorder.process(HELLO)
        desk.take(samples[lowest(samples) :])
        assert [(row["status"], row["counted"]) for row in desk.rows()] == [("complete", 1)]
        assert desk.found(EventKind.FAULT) == []


def test_an_absolute_scale_keeps_its_datum_over_a_restart(desk):
    desk.recorder.process_hello(replace(HELLO, travel="caliper"))
    desk.recorder.process(Restarted(0xB008))
    desk.recorder.process(replace(HELLO, travel="caliper", boot_id=0xB008))
    desk.take(press(presses=2), boot_id=0xB008)
    assert [row["counted"] for row in desk.rows()] == [1, 1]
    assert desk.found(EventKind.FAULT) == []


def test_another_rig_than_the_calibrations_is_refused_in_words(make_book):
    with (
        open_book(make_book(RIG, device_id="C011BE4C99999999")) as db,
        pytest.raises(CoilbenchError, match=r"C011BE4C99999999\."),
    ):
        Desk(db)


def test_a_fault_is_said_when_it_comes_and_when_it_goes(desk):
    fault = Fault(BOOT, 0, 0x01, True, 1)
    for _ in range(3):
        desk.recorder.process(fault)
    desk.recorder.process(replace(fault, standing=False))
    desk.recorder.process(replace(fault, standing=False))
    desk.recorder.process(replace(fault, code=0x1F))
    assert desk.found(EventKind.FAULT) == [
        Finding.of("rig_fault", code=0x01),
        Finding.of("rig_fault_over", code=0x01),
        Finding.of("rig_fault", code=0x1F),
    ]


@pytest.mark.parametrize("code", [0x01, 0x02, 0x03])
def test_a_usable_sample_that_is_newer_than_a_fault_says_that_it_is_over(desk, code):
    """The line that says so comes once, and may be damaged on its way."""
    samples = press()
    at_us = int(samples["t_us"][50])
    desk.recorder.process(Fault(BOOT, at_us, code, True, 1))
    desk.take(samples[:51])  # the message overtook them in the rig's queue
    assert desk.recorder.rig_fault.facts["code"] == code
    unusable = samples[51:60].copy()
    unusable["flags"] |= int(SampleFlag.LOAD_SUSPECT)
    desk.take(unusable)
    assert desk.recorder.rig_fault is not None
    desk.take(samples[60:62])
    assert desk.recorder.rig_fault is None
    assert desk.found(EventKind.FAULT)[-1] == Finding.of("rig_fault_over", code=code)


def test_a_fault_that_says_nothing_of_samples_stands_until_the_rig_says_otherwise(desk):
    desk.recorder.process(Fault(BOOT, 0, 0x04, True, 1))
    desk.take(press())
    assert desk.kinds(EventKind.FAULT) == ["rig_fault"]


def test_what_needs_no_act_is_taken_without_a_word(desk):
    desk.recorder.process(Tally(BOOT, 0, 1, 0, 0, 0))
    desk.recorder.process(RawBlock(press()[:0], BOOT))
    desk.recorder.interrupt()
    assert desk.events == []
    assert desk.rows() == []
