"""What a person said of a datum, and what nobody answered, outlives the capture."""

import pytest
from msgspec.structs import replace

from bench_strokes import Reseated, turned_into
from coilbench.analysis.report.phrases import note_text
from coilbench.analysis.report.units import Units
from coilbench.capture.book.notes import counts_in_doubt
from coilbench.capture.book.sessions import recover
from coilbench.capture.running.commands import Action, EventKind
from coilbench.capture.virtual.bench import PressSpring, Rest
from support.datum_desk import PRESS, SLIP, TO_MM, counted, on_gauge, tell, work
from support.recorder_desk import HELLO, SPRINGS, Desk

HIGHER_MM = 0.4


def gauge_is_right(desk):
    """The length is mistyped, and the yes is false."""
    work(desk, *PRESS * 2)
    on_gauge(desk, 29.5)
    tell(desk, Action.ACCEPT)
    tell(desk, Action.TAKE_OUT)


def gauge_is_wrong(desk):
    work(desk, *PRESS * 2)
    on_gauge(desk, 29.5)
    tell(desk, Action.TAKE_OUT)


def slipped_is_denied(desk):
    work(desk, *SLIP)
    tell(desk, Action.ACCEPT)


def stop_is_denied(desk):
    """And one doubt more is settled by the quill's stop: the first one is not."""
    work(desk, *PRESS * 3)
    work(desk, Rest(1.0), slip_mm=HIGHER_MM)
    tell(desk, Action.ACCEPT)


WORDS = {
    gauge_is_right: (0.0, "a gauge was 29.50 mm"),
    gauge_is_wrong: (0.0, "the gauge of 29.50 mm makes heights -0.5"),
    slipped_is_denied: (0.0, "against it: heights moved by"),
    stop_is_denied: (HIGHER_MM, "the quill stands +0.40 mm from where its stop was"),
}


def ends(desk, how):
    """End the capture, and begin another one of the same start of the rig."""
    if how == "killed":
        recover(desk.db)
    elif how == "ended":
        desk.recorder.end()
        desk.run.end("finished by hand")
    anew = Desk(desk.db)
    anew.run_on = desk.run_on
    return anew


@pytest.mark.parametrize("how", ["killed", "ended", "killed and ended"])
@pytest.mark.parametrize("word", WORDS, ids=lambda one: one.__name__)
def test_what_a_person_set_aside_stands_against_presses_of_later_captures(unworked, word, how):
    word(unworked)
    slip_mm, against = WORDS[word]
    desk = ends(unworked, "ended" if how == "ended" else "killed")
    if how == "killed and ended":  # and a capture that presses nothing forgets nothing
        desk = ends(desk, "ended")
    work(desk, *PRESS, slip_mm=slip_mm)
    *_, row = desk.rows()
    assert row["counted"]
    assert counts_in_doubt(row["note"])
    assert against in note_text(row["note"], Units())
    assert desk.recorder.datum is None


@pytest.mark.parametrize(
    ("word", "typed_mm"),
    [(gauge_is_right, 29.5), (gauge_is_wrong, 30.0), (slipped_is_denied, 30.0)],
)
def test_until_a_gauge_says_what_the_datum_says(unworked, word, typed_mm):
    word(unworked)
    desk = ends(unworked, "killed")
    on_gauge(desk, typed_mm)
    assert desk.recorder.question is None
    again = ends(desk, "killed")
    work(again, *PRESS)
    assert not counts_in_doubt(again.rows()[-1]["note"])


def doubt_stays(desk):
    work(desk, *PRESS, *SLIP)


def doubt_is_shared(desk):
    doubt_stays(desk)
    tell(desk, Action.TAKE_OUT)


def gauge_contradicts(desk):
    work(desk, *PRESS)
    on_gauge(desk, 29.5)


def seat_sank(desk):
    """A press at other heights: the scale may have slipped as well."""
    sunk = PressSpring(turned_into(SPRINGS[0], Reseated, by_mm=-0.35), TO_MM)
    work(desk, *PRESS, sunk, Rest(1.0))
    assert desk.recorder.question.kind == "datum_moved"


@pytest.mark.parametrize("how", ["killed", "ended"])
@pytest.mark.parametrize("opened", [doubt_stays, doubt_is_shared, gauge_contradicts, seat_sank])
def test_what_nobody_answered_is_asked_in_the_next_capture(unworked, opened, how):
    opened(unworked)
    before = counted(unworked)
    desk = ends(unworked, how)
    work(desk, Rest(1.0))
    assert desk.recorder.question.kind == "datum_doubted"
    assert desk.recorder.datum is not None
    if opened is gauge_contradicts:
        work(desk, *PRESS)
        assert counted(desk) == [*before, 0]
    on_gauge(desk, 30.0)
    work(desk, Rest(1.0), *PRESS)
    assert desk.recorder.question is None
    assert counted(desk)[-1] == 1
    assert desk.kinds(EventKind.QUESTION).count("datum_doubted") <= 2


def test_a_doubt_that_is_settled_settles_none_that_a_person_set_aside_before(unworked):
    stop_is_denied(unworked)
    work(unworked, *PRESS, slip_mm=HIGHER_MM)
    work(unworked, *SLIP, slip_mm=HIGHER_MM)
    work(unworked, *PRESS, slip_mm=HIGHER_MM)
    assert "datum_holds" in unworked.kinds(EventKind.TURN)
    assert "its stop was" in note_text(unworked.rows()[-1]["note"], Units())


def test_another_start_of_the_rig_begins_without_them(unworked):
    gauge_is_wrong(unworked)
    desk = ends(unworked, "killed")
    desk.recorder.process_hello(replace(HELLO, boot_id=HELLO.boot_id + 1))
    assert desk.recorder.datum.kind == "datum_lost"
    on_gauge(desk, 30.0)
    work(desk, *PRESS)
    assert not counts_in_doubt(desk.rows()[-1]["note"])
