"""A datum that is set anew, beside the one that stood, and the gauge it is set on."""

import re

import numpy as np
import pytest

from coilbench.analysis.dashboard.keys import answer_help
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.phrases import note_text
from coilbench.analysis.report.units import Units
from coilbench.capture.blocks import Finding
from coilbench.capture.book.calibrations import current_calibration
from coilbench.capture.book.notes import counts_in_doubt
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import find_set
from coilbench.capture.calibration.known_points import GaugePoint
from coilbench.capture.calibration.model import datum_moved, datum_part
from coilbench.capture.calibration.regression import fit_polynomial
from coilbench.capture.running.commands import Action, EventKind
from coilbench.capture.running.heights import AWAIT_S
from coilbench.capture.virtual.bench import GaugeBlock, PressSpring, Rest
from support.datum_desk import (
    GAUGE,
    PRESS,
    SLIP,
    TO_MM,
    NoStop,
    counted,
    on_gauge,
    said,
    take,
    tell,
    work,
)
from support.recorder_desk import HELLO, RIG, SPRINGS, Desk, bench_samples


def test_the_same_datum_again_is_taken_and_said_to_be_the_same(desk):
    work(desk, *PRESS)
    on_gauge(desk, 30.0)
    assert counted(desk) == [1]
    assert re.search(r"[+-]0\.0\d mm other than before", said(desk, EventKind.TURN))
    assert desk.recorder.question is None


@pytest.mark.parametrize("answer", [None, Action.TAKE_OUT])
def test_a_length_that_the_datum_contradicts_changes_nothing_unasked(desk, answer):
    work(desk, *PRESS)
    before = current_calibration(desk.db).calibration_id
    on_gauge(desk, 29.5)
    question = desk.recorder.question
    assert question.kind == "datum_differs"
    assert question["moved_mm"] == pytest.approx(-0.5, abs=0.03)
    assert 0.0 < question["u_mm"] < 0.1
    if answer is not None:
        tell(desk, answer)
    assert current_calibration(desk.db).calibration_id == before
    assert counted(desk) == [1]
    work(desk, *PRESS * 2)
    if answer is None:  # nothing counts till somebody says which is right, and it is asked again
        assert counted(desk) == [1, 0, 0]
        assert desk.recorder.question == question  # in the words of what the answer is to
        tell(desk, Action.TAKE_OUT)
        work(desk, Rest(1.0))
        assert counted(desk) == [1, 0, 1]
    else:
        assert counted(desk) == [1, 1, 1]


@pytest.mark.parametrize(("keeps", "counts"), [(Action.ACCEPT, [1, 1]), (Action.TAKE_OUT, [0, 0])])
def test_a_new_datum_leaves_the_presses_before_it_out_and_asks(desk, keeps, counts):
    work(desk, *PRESS * 2)
    on_gauge(desk, 29.5)
    tell(desk, Action.ACCEPT)
    assert counted(desk) == [0, 0]
    assert desk.recorder.turn.purpose == "conditioning"
    question = desk.recorder.question
    assert (question.kind, question["labels"]) == ("strokes_in_doubt", ["larch-01"])
    assert "larch-01" in describe(question, Units())
    assert "-0.5" in describe(question, Units())
    tell(desk, keeps)
    assert counted(desk) == counts
    assert (desk.recorder.turn.purpose == "measured") == (counts == [1, 1])


def test_what_counts_by_a_gauge_that_a_person_alone_vouches_for_says_so(desk):
    """The length was mistyped; the quill's stop did not move, and the yes is false."""
    work(desk, *PRESS * 2)
    on_gauge(desk, 29.5)
    tell(desk, Action.ACCEPT)
    tell(desk, Action.TAKE_OUT)
    work(desk, *PRESS * 2)
    assert counted(desk) == [0, 0, 1, 1]
    note = desk.rows()[-1]["note"]
    assert counts_in_doubt(note)
    told = note_text(note, Units())
    assert "by your word that a gauge was 29.50 mm" in told
    assert "heights -0.5" in told
    on_gauge(desk, 30.0)
    tell(desk, Action.ACCEPT)
    tell(desk, Action.TAKE_OUT)
    work(desk, *PRESS * 2)
    assert counts_in_doubt(desk.rows()[-1]["note"])  # nobody knows which of the two is right


def test_what_was_pressed_since_the_quill_was_at_its_stop_is_not_asked_back(desk):
    """The scale slips down, a spring is pressed before it is let up; then the right gauge."""
    work(desk, *PRESS * 3)
    desk.recorder.interrupt()
    work(desk, PressSpring(SPRINGS[1], TO_MM), Rest(1.0), slip_mm=-0.4)
    assert counted(desk) == [1, 1, 1, "~"]
    on_gauge(desk, 30.0, slip_mm=-0.4)
    question = desk.recorder.question
    assert (question.kind, question["labels"], question["presses"]) == (
        "strokes_in_doubt",
        ["larch-01"],
        3,
    )
    work(desk, PressSpring(SPRINGS[1], TO_MM), Rest(1.0), slip_mm=-0.4)
    assert desk.recorder.question == question  # a press later, too
    tell(desk, Action.ACCEPT)
    assert counted(desk) == [1, 1, 1, 0, 1]
    assert desk.recorder.question is None


def test_what_was_pressed_since_a_doubt_was_set_aside_is_a_question_of_its_own(desk):
    work(desk, *PRESS * 3)
    desk.recorder.interrupt()
    work(desk, Rest(1.0), slip_mm=0.4)
    tell(desk, Action.ACCEPT)
    work(desk, PressSpring(SPRINGS[1], TO_MM), Rest(1.0), slip_mm=0.4)
    assert counted(desk) == [1, 1, 1, 1]
    on_gauge(desk, 30.0, slip_mm=0.4)
    tell(desk, Action.ACCEPT)  # the length is right
    assert (desk.recorder.question["labels"], counted(desk)) == (["larch-01"], [0] * 4)
    tell(desk, Action.ACCEPT)
    work(desk, Rest(1.0), slip_mm=0.4)
    assert desk.recorder.question["labels"] == ["larch-02"]
    assert "Pressed after you said" in describe(desk.recorder.question, Units())
    tell(desk, Action.TAKE_OUT)
    assert counted(desk) == [1, 1, 1, 0]


def test_a_no_costs_only_what_it_is_said_of_and_how_much_is_said_before(desk):
    """The scale slips at the last spring; whether before or in it, nothing shows."""
    work(desk, *PRESS * 3)
    desk.recorder.heights._stops = NoStop()
    desk.recorder.interrupt()
    work(desk, PressSpring(SPRINGS[1], TO_MM), Rest(1.0), slip_mm=-0.4)
    on_gauge(desk, 30.0, slip_mm=-0.4)
    asked = desk.recorder.question
    assert (asked.kind, asked["presses"]) == ("datum_differs", 4)
    assert "Yes leaves out 4 presses" in describe(asked, Units())
    tell(desk, Action.ACCEPT)
    early = describe(desk.recorder.question, Units())
    assert "3 presses" in early
    assert "larch-01 (3)" in early
    assert "The quill was at its stop afterwards" in early
    assert "No: 3 presses to be pressed again" in early
    assert "press 3 again" in answer_help(desk.recorder.question)
    tell(desk, Action.ACCEPT)
    work(desk, Rest(1.0), slip_mm=-0.4)
    late = describe(desk.recorder.question, Units())
    assert "larch-02 (1)" in late
    assert "Nothing has shown since" in late
    tell(desk, Action.TAKE_OUT)
    assert counted(desk) == [1, 1, 1, 0]
    assert "larch-02 (1): they do not count" in said(desk, EventKind.TURN)


def test_what_was_left_out_and_never_asked_about_is_said_at_the_end(desk):
    work(desk, *PRESS * 2)
    on_gauge(desk, 29.5)
    tell(desk, Action.ACCEPT)
    desk.recorder.end()
    assert desk.kinds(EventKind.TURN)[-1] == "presses_open"
    assert "2 presses by the datum before, larch-01 (2)" in said(desk, EventKind.TURN)


def test_in_doubt_a_gauge_settles_it(desk):
    work(desk, *PRESS, *SLIP)
    on_gauge(desk, 30.0, slip_mm=2.0)
    assert desk.recorder.datum is None
    assert counted(desk) == [0, 0]
    assert desk.recorder.question.kind == "strokes_in_doubt"
    tell(desk, Action.ACCEPT)
    work(desk, *PRESS, slip_mm=2.0)
    assert counted(desk) == [1, 0, 1]


def test_in_doubt_a_gauge_that_the_quills_stop_contradicts_is_asked_about(desk):
    """A spring that slipped put the datum in doubt; the scale did not move."""
    work(desk, *PRESS, *SLIP)
    on_gauge(desk, 29.5)
    assert desk.recorder.question.kind == "datum_differs"
    work(desk, *PRESS)
    assert counted(desk) == [1, 0, 0]
    on_gauge(desk, 30.0)
    assert desk.recorder.datum is None
    work(desk, *PRESS)
    assert counted(desk)[-1] == 1


def test_in_doubt_a_gauge_is_asked_about_where_nobody_knows_the_stop(desk):
    desk.recorder.heights._stops = NoStop()
    work(desk, *PRESS, *SLIP)
    before = current_calibration(desk.db).calibration_id
    on_gauge(desk, 29.5)
    assert desk.recorder.question.kind == "datum_differs"
    assert current_calibration(desk.db).calibration_id == before


def test_a_gauge_that_is_awaited_is_no_dead_load(desk):
    work(desk, *PRESS)
    tell(desk, Action.GAUGE)
    assert desk.recorder.heights.gauge_awaited
    work(desk, *GAUGE, until_s=6.5)
    assert desk.recorder.alarm is None
    assert desk.recorder.heights.gauge_awaited
    work(desk, *PRESS)
    assert not desk.recorder.heights.gauge_awaited  # a spring came


def test_a_gauge_that_stays_after_its_length_was_typed_is_no_load_and_no_zero(desk):
    """The quill lies on it with some newtons more than it does in the other tests."""
    desk.db.execute("UPDATE sets SET free_length_mm = 53.0")
    desk.db.conn.commit()
    desk.recorder._turns.record = find_set(desk.db, "larch")
    work(desk, *PRESS)
    tell(desk, Action.GAUGE)
    samples = bench_samples([Rest(2.0), GaugeBlock(30.0, 12.0), Rest(2.0)])
    deepest = samples["travel_counts"].max()
    on_it = samples["travel_counts"] > deepest - 0.1 * RIG.travel_counts_per_mm
    samples["load_counts"][on_it] += round(5.0 * RIG.counts_per_n)
    samples["seq"] += desk.run_on[0]
    samples["t_us"] += desk.run_on[1]
    typed, lifted = np.flatnonzero(on_it)[0] + round(2.5 * RIG.rate_hz), np.flatnonzero(on_it)[-1]
    take(desk, samples[:typed])
    tell(desk, Action.DATUM, 30.0)
    assert "datum_set" in desk.kinds(EventKind.TURN)
    take(desk, samples[typed:lifted])
    assert desk.recorder.heights.on_gauge.under
    assert desk.recorder._finder.zero_n == pytest.approx(0.0, abs=0.5)
    take(desk, samples[lifted:])
    assert not desk.recorder.heights.on_gauge.under
    assert desk.recorder.alarm is None
    assert not desk.kinds(EventKind.FAULT)


def test_it_is_not_awaited_for_ever(desk):
    work(desk, *PRESS)
    tell(desk, Action.GAUGE)
    work(desk, Rest(AWAIT_S), *GAUGE, until_s=AWAIT_S + 6.5)
    assert not desk.recorder.heights.gauge_awaited
    assert desk.recorder.alarm.kind == "load_dead"


def test_how_far_a_datum_moved_and_how_well_that_is_known():
    """By hand: 0.01 mm a count from (1000, 50 mm); the new gauge reads 2000 and is 40.3 mm.

    The standing line is exact, so that only the gauge's own 0.02 mm (k = 2), and a step of the
    scale, 0.01/sqrt(12), are left (JCGM 100:2008, 4.3.7 and 5.1.2).
    """
    line = fit_polynomial(np.array([0.0, 1000.0, 3000.0]), np.array([60.0, 50.0, 30.0]), 1)
    new = datum_part(line, GaugePoint(40.3, 2000.0, 0.02)).fit
    moved_mm, u_mm = datum_moved(line, new, 2000.0)
    assert moved_mm == pytest.approx(0.3)
    assert u_mm == pytest.approx(2.0 * np.hypot(0.01, 0.01 / np.sqrt(12.0)), rel=1e-6)


def test_no_datum_is_doubted_where_none_stands(make_book):
    with open_book(make_book(RIG, device_id=RIG.device_id, boot_id=HELLO.boot_id + 1)) as db:
        desk = Desk(db)
        work(desk, *SLIP, *PRESS)
        assert desk.recorder.datum == Finding("datum_lost")
