"""A datum in doubt, and one that another contradicts: no press of two datums is mixed unasked."""

import numpy as np
import pytest
from msgspec.structs import replace

from coilbench.analysis.report.document import describe
from coilbench.analysis.report.phrases import note_text
from coilbench.analysis.report.units import Units
from coilbench.capture.blocks import Finding
from coilbench.capture.book.notes import counts_in_doubt
from coilbench.capture.book.sessions import left_behind, recover
from coilbench.capture.running.commands import Action, EventKind, Snapshot
from coilbench.capture.virtual.bench import PressSpring, Rest
from coilbench.capture.virtual.spring import INNER, draw_set
from support.datum_desk import (
    GAUGE,
    PRESS,
    SLIP,
    TO_MM,
    counted,
    on_gauge,
    said,
    take,
    tell,
    work,
)
from support.recorder_desk import HELLO, RIG, SPRINGS, bench_samples

OTHER = PressSpring(SPRINGS[1], TO_MM), Rest(1.0)


def test_a_slip_in_a_conditioning_press_is_one_and_puts_the_datum_in_doubt(desk):
    work(desk, *PRESS, *SLIP)
    assert counted(desk) == [1, 0]
    assert desk.recorder.datum.kind == "datum_doubted"
    assert desk.recorder.question.kind == "datum_doubted"
    assert "slipped" in said(desk, EventKind.REFUSED)


def test_the_next_press_shows_that_the_datum_has_not_moved(desk):
    work(desk, *PRESS, *SLIP, *PRESS)
    assert counted(desk) == [1, 0, 1]
    assert desk.recorder.datum is None
    assert desk.recorder.question is None
    assert "datum_holds" in desk.kinds(EventKind.TURN)


@pytest.mark.parametrize("slip_mm", [2.0, -2.0, 0.7])
def test_or_it_does_not_and_no_press_counts(desk, slip_mm):
    work(desk, *PRESS, *SLIP)
    work(desk, *PRESS * 3, slip_mm=slip_mm)
    assert counted(desk) == [1, 0, 0, 0, 0]
    assert desk.recorder.datum is not None


def test_without_a_press_before_only_a_person_or_a_gauge_confirms(desk):
    work(desk, *SLIP, *PRESS)
    assert counted(desk) == [0, 0]
    tell(desk, Action.ACCEPT)
    assert desk.recorder.datum is None
    assert counted(desk) == [0, 1]  # it was refused for the doubt alone
    work(desk, *PRESS)
    assert counted(desk) == [0, 1, 1]


def test_no_leaves_it_in_doubt_and_says_what_to_do(desk):
    work(desk, *PRESS, *SLIP)
    tell(desk, Action.TAKE_OUT)
    assert desk.recorder.datum is not None
    assert desk.kinds(EventKind.TURN)[-1] == "datum_to_set"
    assert "take the spring out" not in said(desk, EventKind.TURN)


@pytest.mark.parametrize("slip_mm", [2.0, 0.2])
def test_a_quill_that_rests_above_its_stop_puts_the_datum_in_doubt_before_any_press(desk, slip_mm):
    work(desk, *PRESS * 2)
    desk.recorder.interrupt()
    work(desk, Rest(1.0), slip_mm=slip_mm)
    question = desk.recorder.question
    assert (question.kind, question["why"]["kind"]) == ("datum_doubted", "stop_moved")
    assert question["why"]["moved_mm"] == pytest.approx(slip_mm, abs=0.01)
    work(desk, *PRESS, slip_mm=slip_mm)
    assert counted(desk) == [1, 1, 0]
    tell(desk, Action.ACCEPT)
    work(desk, Rest(1.0), slip_mm=slip_mm)
    assert desk.recorder.datum is None
    assert "as you said" in said(desk, EventKind.TURN)


@pytest.mark.parametrize("slip_mm", [0.18, -0.18])
def test_what_was_pressed_before_the_quill_was_seen_elsewhere_does_not_count_in_the_end(
    desk, slip_mm
):
    """It slipped inside the press, by less than that press alone shows."""
    samples = bench_samples([Rest(2.0), *PRESS, Rest(2.0)])
    late = samples["t_us"] > 4_000_000
    samples["travel_counts"][late] -= round(slip_mm * RIG.travel_counts_per_mm)
    take(desk, samples)
    assert (desk.recorder.quill_low is None) == (slip_mm > 0.0)
    desk.recorder.end()
    assert counted(desk) == [0]
    assert desk.recorder.turn.purpose == "conditioning"
    assert "no longer counts" in said(desk, EventKind.REFUSED)


def work_held(desk, *steps, below_mm, from_s=0.0):
    """Press, a still hand holding the quill so far below its stop in between."""
    samples = bench_samples([Rest(2.0), *steps])
    samples["seq"] += desk.run_on[0]
    late = samples["t_us"] >= from_s * 1e6
    least = round(below_mm * RIG.travel_counts_per_mm)
    samples["travel_counts"][late] = np.maximum(samples["travel_counts"][late], least)
    samples["t_us"] += desk.run_on[1]
    desk.run_on = int(samples["seq"][-1]) + 1, int(samples["t_us"][-1]) + 11_000
    take(desk, samples)


@pytest.mark.parametrize("below_mm", [0.2, 0.5, 2.9])
def test_a_hand_that_holds_the_quill_below_its_stop_costs_nothing(desk, below_mm):
    """From the first press on, through the change of springs."""
    work_held(desk, *PRESS * 3, below_mm=below_mm, from_s=3.0)
    assert counted(desk) == ["~"] * 3
    assert desk.recorder.quill_low["moved_mm"] == pytest.approx(-below_mm, abs=0.02)
    assert desk.recorder.question is None
    work_held(desk, PressSpring(SPRINGS[1], TO_MM), Rest(1.0), below_mm=below_mm)
    assert counted(desk) == ["~", "~", "~", 0]  # no more is risked than one spring
    assert "it waits" in said(desk, EventKind.WAITS)
    assert "let the quill up fully: then it counts" in said(desk, EventKind.WAITS)
    work(desk, Rest(1.0))
    assert counted(desk) == [1, 1, 1, 1]
    assert desk.recorder.quill_low is None
    work(desk, PressSpring(SPRINGS[1], TO_MM), Rest(1.0))
    desk.recorder.end()
    assert counted(desk) == [1, 1, 1, 1, 1]


def test_a_set_is_done_only_once_nothing_of_it_waits(unworked):
    work(unworked, *PRESS * 3)
    work_held(unworked, *OTHER * 3, below_mm=0.5)
    desk = unworked
    assert counted(desk) == [1, 1, 1, "~", "~", "~"]
    assert (desk.recorder.turn, desk.recorder.done, desk.recorder.springs_done) == (None, False, 1)
    assert not desk.kinds(EventKind.DONE)
    assert desk.events[-1].kind is EventKind.WAITS
    work_held(desk, *OTHER, below_mm=0.5)  # one too many
    assert "not kept: let the quill up fully" in said(desk, EventKind.REFUSED)
    work(desk, Rest(1.0))
    assert counted(desk) == [1] * 6
    assert (desk.recorder.done, desk.recorder.springs_done) == (True, 2)
    assert desk.kinds(EventKind.DONE) == ["set_done"]


@pytest.mark.parametrize("up", [False, True])
def test_a_capture_that_is_killed_leaves_what_it_would_have_taken_back_at_its_end(desk, up):
    work_held(desk, *PRESS * 3, below_mm=0.5, from_s=3.0)
    if up:
        work(desk, Rest(1.0))
    desk.recorder.flush()
    desk.run.update(Snapshot("larch", "fake:").to_document())
    assert counted(desk) == [1 if up else "~"] * 3
    recover(desk.db)
    assert counted(desk) == [int(up)] * 3
    told = left_behind(desk.db)
    assert (told.kind, told["kept"], told["doubted"]) == ("cut_off_before", 3 * up, 3 - 3 * up)
    assert ("3 strokes left out" in describe(told, Units())) != up


@pytest.mark.parametrize("until_s", [5.0, 99.0])
def test_nor_does_one_that_held_it_where_its_stop_was_taken_to_be(desk, until_s):
    """From the start on, or the first press's end; the next press shows what there is to show."""
    samples = bench_samples([Rest(2.0), *PRESS])
    least = round(0.5 * RIG.travel_counts_per_mm) * (samples["t_us"] < until_s * 1e6)
    samples["travel_counts"] = np.maximum(samples["travel_counts"], least)
    desk.run_on = int(samples["seq"][-1]) + 1, int(samples["t_us"][-1]) + 11_000
    take(desk, samples)
    desk.recorder.interrupt()
    work(desk, *PRESS * 2)
    desk.recorder.end()
    assert counted(desk) == [1, 1, 1]
    assert not desk.kinds(EventKind.QUESTION)


@pytest.mark.parametrize("presses", [1, 3])
def test_where_a_press_shows_that_the_scale_slipped_up_it_does_not_count(desk, presses):
    """Whether or not the quill was at its stop as often as no hand would hold it there."""
    work(desk, *PRESS * presses)
    work(desk, *PRESS * 2, slip_mm=0.3)
    assert counted(desk) == [1] * presses + [0, 0]


@pytest.mark.parametrize("slip_mm", [0.3, 1.5])
def test_presses_since_the_quill_was_at_its_stop_show_nothing_of_it(desk, slip_mm):
    """The scale slips up before the first press of a spring: its presses agree all the same."""
    work(desk, *PRESS * 3)
    assert desk.recorder.turn.label == "larch-02"
    second = [PressSpring(SPRINGS[1], TO_MM), Rest(1.0)]
    samples = bench_samples([Rest(2.0), *second * 3])
    samples["seq"] += desk.run_on[0]
    late = samples["t_us"] > 2_150_000  # the quill is on its way, the spring bears nothing yet
    samples["travel_counts"][late] -= round(slip_mm * RIG.travel_counts_per_mm)
    samples["t_us"] += desk.run_on[1]
    take(desk, samples)
    assert desk.recorder.question["why"]["kind"] == "stop_moved"
    assert desk.recorder.question["label"] is None  # no press of it is promised to show it
    assert "datum_holds" not in desk.kinds(EventKind.TURN)
    desk.recorder.end()
    assert counted(desk) == [1, 1, 1, 0, 0, 0]


def test_a_shorter_spring_at_the_old_heights_does_not_show_that_the_scale_did_not_slip(desk):
    """The scale slips up by as much as the next spring is shorter."""
    work(desk, *PRESS * 2)
    shorter = replace(
        SPRINGS[0],
        free_length_mm=SPRINGS[0].free_length_mm - 0.4,
        solid_height_mm=SPRINGS[0].solid_height_mm - 0.4,
    )
    work(desk, Rest(1.0), slip_mm=0.4)
    work(desk, *[PressSpring(shorter, TO_MM - 0.4), Rest(1.0)] * 2, slip_mm=0.4)
    assert desk.recorder.question["why"]["kind"] == "stop_moved"
    assert desk.recorder.question["label"] is None
    assert "datum_holds" not in desk.kinds(EventKind.TURN)
    assert counted(desk) == [1, 1, 0, 0]


def test_what_counts_only_once_the_quill_is_up_is_said_to(desk):
    work(desk, *PRESS)
    assert "once the quill" not in said(desk, EventKind.KEPT)
    samples = bench_samples([Rest(2.0), *PRESS])
    low = round(0.5 * RIG.travel_counts_per_mm)
    samples["travel_counts"] = np.maximum(samples["travel_counts"], low)  # a hand rests on it
    samples["seq"] += desk.run_on[0]
    samples["t_us"] += desk.run_on[1]
    take(desk, samples)
    assert counted(desk) == [1, "~"]
    waits = said(desk, EventKind.WAITS)
    assert "it waits" in waits
    assert "for good once the quill is seen at its stop" in waits
    assert "it waits" not in said(desk, EventKind.KEPT)
    work(desk, Rest(1.0))
    assert "1 press that waited" in said(desk, EventKind.TURN)


def test_what_counts_by_a_persons_word_says_so_and_what_stood_against_it(desk):
    """The scale slipped up; the yes is false, and nobody can know."""
    work(desk, *PRESS * 3)
    work(desk, Rest(1.0), slip_mm=0.4)
    work(desk, *OTHER, slip_mm=0.4)
    assert desk.recorder.question["why"]["kind"] == "stop_moved"
    assert counted(desk) == [1, 1, 1, 0]
    tell(desk, Action.ACCEPT)
    work(desk, *OTHER, slip_mm=0.4)
    assert counted(desk) == [1, 1, 1, 1, 1]
    *before, waited, since = (row["note"] for row in desk.rows())
    assert not any(map(counts_in_doubt, before))
    for note in (waited, since):
        assert counts_in_doubt(note)
        told = note_text(note, Units())
        assert "by your word" in told
        assert "the quill stands +0.40 mm from where its stop was" in told


def test_a_stop_that_was_lower_before_the_first_press_stands_against_all_that_count(desk):
    """The scale slipped before it, or a hand held the quill: presses that agree tell neither."""
    samples = bench_samples([Rest(2.0), *PRESS * 3])
    late = samples["t_us"] > 2_150_000  # the quill has just left its stop
    samples["travel_counts"][late] -= round(0.4 * RIG.travel_counts_per_mm)
    take(desk, samples)
    assert counted(desk) == [1, 1, 1]
    assert desk.recorder.question is None
    for row in desk.rows():
        assert counts_in_doubt(row["note"])
        assert "the quill rested 0.40 mm lower" in note_text(row["note"], Units())
    assert "0.40 mm lower" in said(desk, EventKind.KEPT)


@pytest.mark.parametrize("slip_mm", [0.5, -0.5])
def test_a_yes_about_a_press_leaves_what_the_quills_stop_says_to_be_asked(desk, slip_mm):
    """The scale slips before a press, and it is said that the spring sits otherwise."""
    work(desk, *PRESS * 2)
    samples = bench_samples([Rest(2.0), *PRESS])
    late = samples["t_us"] > 2_150_000
    samples["travel_counts"][late] -= round(slip_mm * RIG.travel_counts_per_mm)
    samples["seq"] += desk.run_on[0]
    samples["t_us"] += desk.run_on[1]
    desk.run_on = int(samples["seq"][-1]) + 1, int(samples["t_us"][-1]) + 11_000
    take(desk, samples)
    assert desk.recorder.question.kind == "datum_moved"
    tell(desk, Action.ACCEPT)
    desk.recorder.interrupt()
    work(desk, Rest(1.0), slip_mm=slip_mm)
    assert "datum_said" not in desk.kinds(EventKind.TURN)
    if slip_mm > 0.0:
        assert desk.recorder.question["why"]["kind"] == "stop_moved"
    else:
        assert desk.recorder.quill_low["moved_mm"] == pytest.approx(slip_mm, abs=0.02)
    desk.recorder.end()
    assert counted(desk) == [1, 1, 0]


def test_a_yes_that_the_spring_slips_says_nothing_of_a_quill_below_its_stop(desk):
    """The scale slipped in the first press, and every later one looks like a slip."""
    work(desk, *PRESS)
    work(desk, *SLIP * 3, slip_mm=-0.5)
    assert desk.recorder.question.kind == "same_again"
    tell(desk, Action.ACCEPT)
    work(desk, Rest(1.0), slip_mm=-0.5)
    assert "datum_said" not in desk.kinds(EventKind.TURN)
    assert desk.recorder.question.kind == "datum_doubted"
    tell(desk, Action.ACCEPT)
    assert desk.recorder.quill_low["moved_mm"] == pytest.approx(-0.5, abs=0.02)
    desk.recorder.end()
    assert counted(desk) == [1, 0, 0, 0]


def test_a_first_press_that_the_next_one_contradicts_does_not_count_either(desk):
    """The scale slipped up inside it, and the quill had been up only once before."""
    samples = bench_samples([Rest(2.0), *PRESS * 2])
    late = samples["t_us"] > 4_000_000
    samples["travel_counts"][late] -= round(0.25 * RIG.travel_counts_per_mm)
    take(desk, samples)
    assert desk.recorder.question is not None
    desk.recorder.end()
    assert counted(desk) == [0, 0]


def test_a_yes_about_another_thing_says_nothing_of_the_scale(desk):
    other = draw_set(INNER, 1, 4)[0]
    work(desk, *PRESS * 3, PressSpring(SPRINGS[1], TO_MM), Rest(1.0))
    stop = desk.recorder.heights._stops.counts
    work(desk, PressSpring(other, TO_MM), Rest(1.0))
    assert desk.recorder.question.kind == "another_spring"
    tell(desk, Action.ACCEPT)
    assert desk.recorder.heights._stops.counts == stop
    assert "datum_said" not in desk.kinds(EventKind.TURN)


def test_after_a_gauge_the_stop_is_where_it_was_wherever_a_hand_holds_the_quill(desk):
    work(desk, *PRESS)
    on_gauge(desk, 30.0)
    desk.recorder.interrupt()
    work_held(desk, *PRESS * 2, below_mm=1.0)
    assert desk.recorder.quill_low["moved_mm"] == pytest.approx(-1.0, abs=0.05)
    desk.recorder.interrupt()
    work(desk, Rest(1.0))
    desk.recorder.end()
    assert counted(desk) == [1, 1, 1]
    assert desk.recorder.datum is None
    assert not desk.kinds(EventKind.QUESTION)


@pytest.mark.parametrize("typed_mm", [30.0, 29.0, 31.0])
def test_after_a_restart_a_datum_is_judged_by_where_the_stop_was(desk, typed_mm):
    """Whether or not the quill was up before the gauge; a hand may have held it then."""
    work(desk, *PRESS)
    desk.recorder.process_hello(replace(HELLO, boot_id=HELLO.boot_id + 1))
    assert desk.recorder.datum == Finding("datum_lost")
    samples = bench_samples([Rest(2.0), *GAUGE])[: round(6.5 * RIG.rate_hz)]
    held = np.maximum(samples["travel_counts"], round(1.5 * RIG.travel_counts_per_mm))
    samples["travel_counts"] = held
    samples["t_us"] += desk.run_on[1]
    samples["seq"] += desk.run_on[0]
    desk.run_on = int(samples["seq"][-1]) + 1, int(samples["t_us"][-1]) + 11_000
    take(desk, samples)
    tell(desk, Action.DATUM, typed_mm)
    assert desk.recorder.datum is None  # the quill was seen too low to say anything
    work(desk, Rest(1.0))
    if typed_mm > 30.0:  # it rests higher than its stop is
        assert desk.recorder.question["why"]["kind"] == "stop_moved"
    else:
        assert (desk.recorder.quill_low is None) == (typed_mm == 30.0)
    work(desk, *PRESS)
    desk.recorder.end()
    assert counted(desk)[1] == (typed_mm == 30.0)
