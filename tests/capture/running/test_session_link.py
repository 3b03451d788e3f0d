"""A session when the link fails: lost, silent, another rig, a reader that dies."""

import threading

import pytest
from msgspec.structs import asdict, replace

from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import Units
from coilbench.capture.blocks import LinkCounters, Restarted
from coilbench.capture.book.calibrations import current_calibration, newest_part, store_part
from coilbench.capture.book.opening import open_book
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.running import session as module
from coilbench.capture.running.commands import EventKind
from coilbench.capture.sources.losses import SourceLost
from support import stage as scene

Clock = scene.Clock
FakeSource = scene.FakeSource
Stage = scene.Stage
ENDED = scene.ENDED
HALF = scene.HALF
HELLO = scene.HELLO
LOST = scene.LOST
PRESS = scene.PRESS
QUIET = scene.QUIET
RIG = scene.RIG
ended = scene.ended
read = scene.read
sweeps = scene.sweeps


@pytest.fixture
def book(make_book):
    return make_book(RIG)


@pytest.fixture
def clock():
    return Clock()


def test_the_first_opening_that_fails_is_an_error_at_once(book):
    stage = Stage(book, SourceLost("no_such_port", where="fake:"))
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
    connected, lost, again = stage.found(EventKind.LINK)
    assert connected == again
    assert lost.kind == "link_lost"  # said once, though it was tried three times
    assert lost["cause"] == {"kind": "port_unplugged", "where": "fake:"}
    assert describe(lost, Units()).startswith("fake:: the port is gone (unplugged")
    assert set(asdict(lost)["facts"]) == {"cause"}  # no number of before as if it were of now


def test_a_stroke_is_not_mended_over_a_short_loss_of_the_link(book, clock):
    back = FakeSource(clock, PRESS[len(HALF) + 20 :], ENDED)
    Stage(book, FakeSource(clock, HALF, LOST), back, clock=clock).run()
    assert [row["status"] for row in sweeps(book)] == ["interrupted"]


def test_another_reason_for_the_loss_is_said_too(book, clock):
    other = SourceLost("no_such_port", where="fake:")
    source = FakeSource(clock, ENDED)
    stage = Stage(book, FakeSource(clock, LOST), other, LOST, source, clock=clock)
    stage.run()
    assert len(stage.found(EventKind.LINK)) == 5


def test_a_silence_is_said_after_two_seconds_without_a_number_of_before(book, clock, monkeypatch):
    clock.in_step(monkeypatch)
    source = FakeSource(clock, HALF, *[QUIET] * 40, PRESS[:5], ENDED)
    stage = Stage(book, source, clock=clock)
    stage.run()
    (silence,) = [found for found in stage.found(EventKind.LINK) if found.kind == "no_sample"]
    assert 2.0 < silence["quiet_s"] < 3.0
    assert silence["source"] == "fake:"
    said = describe(silence, Units("lbf", "in"))
    assert "lbf" not in said
    assert "coilbench rig find" in said


def test_counters_and_restarts_go_into_the_book(book, clock):
    source = FakeSource(clock, HALF, Restarted(0xB008), ENDED)
    source.counters = LinkCounters(lines_bad=3, samples_lost=2, restarts=1)
    Stage(book, source, clock=clock).run()
    (row,) = read(book, "SELECT * FROM sessions")
    assert (row["lines_bad"], row["samples_lost"], row["restarts"]) == (3, 2, 1)


def test_the_rig_on_the_port_takes_its_own_calibration(make_book, clock):
    book = make_book(RIG, device_id="AA")
    with open_book(book) as db:
        for part in [newest_part(db, kind, "AA") for kind in ("load", "travel", "flex")]:
            store_part(db, replace(part, device_id=RIG.device_id))
        own = current_calibration(db).calibration_id
        store_part(db, newest_part(db, "load", "AA"))
        assert current_calibration(db).load.device_id == "AA"  # the one that was weighed last
    Stage(book, FakeSource(clock, HALF, ENDED), clock=clock).run()
    assert {row["calibration_id"] for row in sweeps(book)} == {own}


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
