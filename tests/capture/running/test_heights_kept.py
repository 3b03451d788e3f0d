"""Where the quill's stop is outlives the capture; what nothing shows of heights is said."""

import pytest

from coilbench.analysis.inputs.rig_record import set_warnings
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import Units
from coilbench.capture.book.calibrations import current_calibration
from coilbench.capture.book.copies import copy_book
from coilbench.capture.book.heights_kept import stop_known
from coilbench.capture.book.merging import merge_books
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sessions import recover
from coilbench.capture.book.set_trust import SetTrust
from coilbench.capture.calibration.standing import STOP_REPEATS_MM
from coilbench.capture.running.commands import Action, EventKind, Snapshot
from coilbench.capture.running.stop_watch import SLIPS_MM
from coilbench.capture.virtual.bench import PressSpring, Rest
from support.datum_desk import PRESS, TO_MM, NoStop, on_gauge, tell, work
from support.recorder_desk import SPRINGS, Desk

LARCH = ["larch"]
STILL = [Rest(1.0)]
OTHER = [PressSpring(SPRINGS[1], TO_MM), Rest(1.0)]


def stored(desk):
    """Store its state, as a session does each second."""
    desk.recorder.flush()
    desk.run.update(Snapshot("larch", "x:").to_document())
    return desk


def over(desk, how="ended"):
    """End the capture."""
    stored(desk)
    if how == "killed":
        recover(desk.db)
    else:
        desk.recorder.end()
        desk.run.update(Snapshot("larch", "x:").to_document())
        desk.run.end("finished by hand")


def ends(desk, how="ended"):
    """End the capture, and begin another one of the same start of the rig."""
    over(desk, how)
    anew = Desk(desk.db)
    anew.run_on = desk.run_on
    return anew


def in_book(db):
    return stop_known(db, current_calibration(db).travel)


@pytest.mark.parametrize("how", ["killed", "ended"])
def test_the_stop_is_kept_once_it_is_surely_known(unworked, how):
    assert in_book(unworked.db) is None
    for presses, known in ((1, False), (2, True)):
        work(unworked, *PRESS)
        stored(unworked)
        assert (in_book(unworked.db) is not None) is known, presses
    desk = ends(unworked, how)
    assert desk.recorder.heights.stop_known
    assert in_book(ends(desk, how).db) == pytest.approx(0.0, abs=3.0)  # nothing was pressed


@pytest.mark.parametrize(
    ("slip_mm", "kind"),
    [
        (STOP_REPEATS_MM - 0.02, None),
        (STOP_REPEATS_MM + 0.02, "stop_moved"),
        (3.0 * SLIPS_MM, "stop_moved"),
        (-STOP_REPEATS_MM + 0.02, None),
        (-STOP_REPEATS_MM - 0.02, "quill_low"),
        (-3.0 * SLIPS_MM, "quill_low"),
    ],
)
def test_the_next_capture_asks_where_the_quill_rests_elsewhere(unworked, slip_mm, kind):
    work(unworked, *PRESS * 2)
    desk = ends(unworked)
    work(desk, *STILL, slip_mm=slip_mm)
    low, question = desk.recorder.quill_low, desk.recorder.question
    found = low.kind if low is not None else question and question.facts["why"]["kind"]
    assert found == kind


def test_a_stop_that_a_person_said_was_moved_is_the_one_of_the_next_capture(unworked):
    work(unworked, *PRESS * 2)
    desk = ends(unworked)
    work(desk, *STILL, slip_mm=0.4)
    tell(desk, Action.ACCEPT)
    tell(desk, Action.SKIP)
    work(desk, *OTHER * 2, slip_mm=0.4)
    again = ends(desk)
    work(again, *STILL, slip_mm=0.4)
    assert again.recorder.question is None


def test_of_a_datum_that_was_set_anew_the_old_stop_tells_nothing(unworked):
    work(unworked, *PRESS * 2)
    on_gauge(unworked, 29.5)
    tell(unworked, Action.ACCEPT)
    assert in_book(ends(unworked).db) is None


def words(db):
    return [describe(one, Units()) for one in set_warnings(db, LARCH)]


def test_of_a_calibration_without_a_stop_nothing_shows_that_the_scale_did_not_slip_since(unworked):
    work(unworked, *PRESS)
    assert SetTrust.of(unworked.db, LARCH) == SetTrust()  # nothing is said before it is stored
    desk = ends(unworked)
    (said,) = words(desk.db)
    assert said.startswith("larch: nothing showed that the travel scale had not slipped since")
    work(desk, *PRESS * 2)
    on_gauge(desk, 30.0)
    assert SetTrust.of(ends(desk).db, LARCH) == SetTrust()  # a gauge agreed


def test_a_gauge_that_contradicts_shows_nothing(unworked):
    work(unworked, *PRESS)
    on_gauge(unworked, 29.5)
    tell(unworked, Action.ACCEPT)  # the length is right
    tell(unworked, Action.ACCEPT)  # and the presses before count
    trust = SetTrust.of(ends(unworked).db, LARCH)
    assert trust == SetTrust((), ("larch",), by_word=("larch",), by_word_presses=1)


def test_what_was_pressed_in_a_capture_that_knew_the_stop_is_shown(unworked):
    work(unworked, *PRESS * 2)
    desk = ends(unworked)
    desk.db.execute("UPDATE sweeps SET counted = 0")  # as if all of it were pressed again
    work(desk, *PRESS)
    assert SetTrust.of(ends(desk).db, LARCH) == SetTrust()


def test_copies_and_other_benches_say_the_same(unworked, tmp_path, make_book):
    work(unworked, *PRESS * 2)
    over(unworked)
    copied, other = tmp_path / "copied.db", tmp_path / "other.db"
    book = tmp_path / "bench.db"
    copy_book(book, copied)
    with open_book(other, create=True):
        pass
    merge_books(other, [book])
    for path in (copied, other):
        with open_book(path) as db:
            assert SetTrust.of(db, LARCH).unshown == ("larch",)
            assert in_book(db) == in_book(unworked.db)


@pytest.mark.parametrize("kept", ['{"heights": 7}', '{"heights": {"stop_counts": "x"}}', "[]"])
def test_what_another_program_wrote_there_tells_nothing(unworked, kept):
    work(unworked, *PRESS)
    unworked.db.execute("UPDATE sessions SET live_json = ?", [kept])
    assert in_book(unworked.db) is None
    assert SetTrust.of(unworked.db, LARCH) == SetTrust()


def test_a_quill_that_rose_before_anything_was_pressed_is_said_and_noted(unworked):
    work(unworked, *STILL)
    work(unworked, *STILL, slip_mm=0.2)
    assert "quill_rose" in unworked.kinds(EventKind.TURN)
    work(unworked, *PRESS, slip_mm=0.2)
    (row,) = unworked.rows()
    assert row["counted"]
    assert "stop_was_lower" in row["note"]


@pytest.mark.parametrize("how", ["killed", "ended"])
def test_that_the_quill_was_at_its_stop_after_a_press_is_known_to_later_captures(unworked, how):
    work(unworked, *PRESS * 3)
    desk = ends(unworked, how)
    on_gauge(desk, 29.5)
    tell(desk, Action.ACCEPT)
    assert "The quill was at its stop afterwards" in describe(desk.recorder.question, Units())


@pytest.mark.parametrize("how", ["killed", "ended"])
def test_of_what_was_not_seen_nothing_is_known_later(unworked, how):
    unworked.recorder.heights._stops = NoStop()
    work(unworked, *PRESS * 3)
    desk = ends(unworked, how)
    on_gauge(desk, 29.5)
    tell(desk, Action.ACCEPT)
    assert "Nothing has shown since" in describe(desk.recorder.question, Units())
