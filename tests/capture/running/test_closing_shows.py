"""What a closing press shows, said as truly as it was measured; and what it answers."""

import pytest
from msgspec.structs import replace

from coilbench.analysis.inputs.measured import measured_set
from coilbench.analysis.inputs.rig_record import set_warnings
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.heights_text import verdict_text
from coilbench.analysis.report.units import Units
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.set_trust import SetTrust
from coilbench.capture.book.sweeps import load_sweeps
from coilbench.capture.running.commands import Action, EventKind, Snapshot
from coilbench.capture.strokes.alike import LEAST_SD_MM
from coilbench.capture.virtual.bench import PressSpring, Rest
from support.datum_desk import PRESS, TO_MM, counted, in_one, on_gauge, said, tell, work
from support.recorder_desk import HELLO, RIG, SPRINGS, Desk

OTHER = [PressSpring(SPRINGS[1], TO_MM), Rest(1.0)]
SLIP_MM = 0.08


@pytest.fixture
def desk(make_book):
    """Of two springs, each pressed once to work it, and read twice."""
    with open_book(make_book(RIG, device_id=RIG.device_id, boot_id=HELLO.boot_id)) as db:
        yield Desk(db, closes=True)


def both_then(desk, slip_mm, *again):
    """Press both springs, the scale slipping between them; what goes on presses more."""
    goes_on = in_one(desk, (PRESS * 3, 0.0), (OTHER * 3, slip_mm), *again)
    next(goes_on)
    next(goes_on)
    desk.recorder.closing.ask()
    return goes_on


def words(desk):
    desk.recorder.flush()
    desk.run.update(Snapshot("larch", "x:").to_document())
    return "; ".join(describe(one, Units()) for one in set_warnings(desk.db, ["larch"]))


def strokes(desk, label):
    judged = measured_set(desk.db, desk.record).strokes[label]
    return [describe(one, Units()) for one in judged]


@pytest.mark.parametrize(("slip_mm", "agrees"), [(0.0, True), (0.04, False), (-0.03, False)])
def test_as_at_first_is_said_within_the_uncertainty_alone(desk, slip_mm, agrees):
    next(both_then(desk, slip_mm, (PRESS, slip_mm)))
    told = said(desk, EventKind.DONE)
    assert "closed: larch-01" in told
    assert ("as at its first press" in told) is agrees
    assert ("is widened to cover" in told) is not agrees
    closed = desk.found(EventKind.DONE)[-1].facts
    assert (abs(closed["moved_mm"]) <= closed["u_mm"]) is agrees


def test_what_the_first_spring_was_read_by_later_is_widened_too(desk):
    """Another stroke of it, after the other spring's, may have been pressed at other heights."""
    slip_mm = -0.03
    parts = (PRESS * 2, 0.0), (OTHER * 3, slip_mm), (PRESS, slip_mm), (PRESS, slip_mm)
    goes_on = in_one(desk, *parts)
    next(goes_on)
    tell(desk, Action.SKIP)
    next(goes_on)
    next(goes_on)
    desk.recorder.closing.ask()
    next(goes_on)
    assert desk.kinds(EventKind.DONE)[-1] == "set_closed"
    own = load_sweeps(desk.db, desk.record)["larch-01"]
    assert [one.rig.moved_u_mm > 0.0 for one in own] == [False, True]
    # nor is how far those two lie apart what a spring repeats by: two of one standard deviation
    u_mm = desk.found(EventKind.DONE)[-1].facts["u_mm"]
    assert u_mm == pytest.approx(2.0 * 2.0**0.5 * LEAST_SD_MM, rel=0.02)


def test_it_says_from_what_on_it_shows_anything_in_height_and_load(desk):
    next(both_then(desk, 0.0, (PRESS, 0.0)))
    closed = desk.found(EventKind.DONE)[-1].facts
    most_mm, most_n = (abs(closed[a]) + closed[b] for a, b in
                       (("moved_mm", "u_mm"), ("load_n", "load_u_n")))  # fmt: skip
    units = Units()
    least = (
        f"of less than {units.length_text(most_mm)} ({units.load_text(most_n)}) it shows nothing"
    )
    assert least in said(desk, EventKind.DONE)
    assert most_n == pytest.approx(most_mm * SPRINGS[0].rate_n_per_mm, rel=0.1)


@pytest.mark.parametrize("softer", [0.004, -0.004])
def test_another_load_is_no_shift_and_closes_nothing(desk, softer):
    rate = SPRINGS[0].rate_n_per_mm * (1.0 - softer)
    near = replace(SPRINGS[0], rate_n_per_mm=rate, first_set_mm=0.0)
    goes_on = both_then(desk, 0.0, ([PressSpring(near, TO_MM), Rest(1.0)], 0.0), (PRESS, 0.0))
    next(goes_on)
    assert desk.kinds(EventKind.DONE)[-1] != "set_closed"
    told = said(desk, EventKind.REFUSED)
    assert "which no shift of scale or seat makes" in told
    assert "press larch-01 itself once more" in told
    assert desk.recorder.question is None
    assert verdict_text(desk.recorder.closing.verdict, Units()).startswith(
        "NOT CLOSED: larch-01, pressed once more: its loads"
    )
    assert counted(desk) == [1] * 6 + [0]
    assert "not closed" in words(desk)
    assert desk.recorder.closing.label == "larch-01"  # it is still awaited
    next(goes_on)
    assert desk.kinds(EventKind.DONE)[-1] == "set_closed"
    assert desk.recorder.closing.verdict.kind == "set_closed"
    assert "not closed" not in words(desk)


def moved_and(desk, answer):
    """Let the closing press differ by a slip, and answer; what goes on presses at that slip."""
    more = [(OTHER * 2, SLIP_MM), (PRESS, SLIP_MM), (PRESS, SLIP_MM)]
    goes_on = both_then(desk, SLIP_MM, (PRESS, SLIP_MM), *more)
    next(goes_on)
    assert desk.recorder.question.kind == "strokes_in_doubt"
    tell(desk, answer)
    return goes_on


def test_a_gauge_that_makes_up_for_what_the_closing_press_showed_is_not_asked_about(desk):
    moved_and(desk, Action.TAKE_OUT)
    on_gauge(desk, 30.0, slip_mm=SLIP_MM)
    assert desk.recorder.question is None
    assert desk.recorder.datum is None
    assert counted(desk) == [1, 1, 1, 0, 0, 0, 0]
    work(desk, *OTHER * 2, slip_mm=SLIP_MM)
    assert counted(desk)[-2:] == [1, 1]
    assert "as the closing press showed" in said(desk, EventKind.TURN)
    assert "word alone" not in words(desk)
    assert SetTrust.of(desk.db, ["larch"]).unclosed == ()
    for label in ("larch-01", "larch-02"):
        assert not any("in doubt:" in one for one in strokes(desk, label))


def test_one_that_says_another_thing_is_asked_about_as_before(desk):
    moved_and(desk, Action.TAKE_OUT)
    on_gauge(desk, 30.3, slip_mm=SLIP_MM)
    assert desk.recorder.question.kind == "datum_differs"


def test_what_was_kept_by_a_word_is_asked_about_by_such_a_gauge(desk):
    """It may have slipped before those presses; the first ones were before it."""
    moved_and(desk, Action.ACCEPT)
    on_gauge(desk, 30.0, slip_mm=SLIP_MM)
    asked = desk.recorder.question
    assert asked.kind == "strokes_in_doubt"
    assert asked.facts["labels"] == ["larch-02"]
    assert counted(desk) == [1, 1, 1, 0, 0, 0, 0]


def test_a_later_closing_press_that_agrees_ends_what_holds_by_a_word_alone(desk):
    """Another spring, alike but shorter, was pressed as the closing one: its mark tells."""
    short = replace(SPRINGS[0], free_length_mm=SPRINGS[0].free_length_mm - 0.09, first_set_mm=0.0)
    goes_on = both_then(desk, 0.0, ([PressSpring(short, TO_MM), Rest(1.0)], 0.0), (PRESS, 0.0))
    next(goes_on)
    tell(desk, Action.ACCEPT)
    assert "2 presses count by a person's word alone" in words(desk)  # one more worked the spring
    assert any("in doubt:" in one for one in strokes(desk, "larch-02"))
    again = Desk(desk.db, closes=True)
    again.recorder.closing.ask()
    goes_on.send(again)
    assert again.kinds(EventKind.DONE)[-1] == "set_closed"
    assert not any(one in words(again) for one in ("word alone", "not closed"))
    kept = strokes(again, "larch-02")
    assert all(one.startswith("kept, shown to be right later: ") for one in kept)
    assert again.recorder.heights.against.found == ()


def test_it_answers_nothing_that_stood_against_the_first_press_already(desk):
    """The stop was elsewhere as the capture began, and a person said that nothing slipped."""
    slip_mm = 0.4
    work(desk, *PRESS * 2)
    words(desk)  # stores what is known of the stop
    desk.recorder.end()
    desk.run.end("finished")
    desk.db.execute("UPDATE sweeps SET counted = 0")  # as if all of it were pressed again
    again = Desk(desk.db, closes=True)
    again.run_on = desk.run_on
    work(again, Rest(1.0), slip_mm=slip_mm)
    tell(again, Action.ACCEPT)
    goes_on = in_one(again, *((part, slip_mm) for part in (PRESS * 3, OTHER * 3, PRESS)))
    next(goes_on)
    next(goes_on)
    again.recorder.closing.ask()
    next(goes_on)
    assert again.kinds(EventKind.DONE)[-1] == "set_closed"
    assert "4 presses count by a person's word alone" in words(again)
    assert [one.kind for one in again.recorder.heights.against] == ["heights_said"]
