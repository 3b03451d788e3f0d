"""A rig of 10 samples a second, a slow filter, and how fast a hand is said to be."""

import numpy as np
import pytest
from msgspec.structs import replace

from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import Units
from coilbench.capture.blocks import Finding
from coilbench.capture.book.opening import open_book
from coilbench.capture.running.commands import Action, Command, EventKind
from coilbench.capture.virtual.bench import Bench, PressSpring, PutMass, Rest, StrokeKind
from support.recorder_desk import RIG, SPRINGS, Desk, bench_samples

TEN = {"rate_hz": 10.0, "nominal_rate_hz": 10.0}


def pressed(make_book, steps, *, filter_conversions=4):
    rig = replace(RIG, filter_conversions=filter_conversions, **TEN)
    samples = np.concatenate([one.samples for one in Bench(rig, [Rest(2.0), *steps], 4).blocks()])
    with open_book(make_book(rig)) as db:
        desk = Desk(db)
        for one in np.split(samples, samples.size):
            desk.take(one)
    return desk


@pytest.mark.parametrize("kind", [StrokeKind.SLOW, StrokeKind.STEADY])
@pytest.mark.parametrize("filter_conversions", [1, 4, 8])
@pytest.mark.parametrize("rest_s", [0.3, 1.0, 4.0])
def test_a_load_that_still_falls_is_no_drift(make_book, kind, filter_conversions, rest_s):
    steps = [PressSpring(SPRINGS[0], 28.0, kind), Rest(rest_s)] * 2
    desk = pressed(make_book, [*steps, Rest(3.0)], filter_conversions=filter_conversions)
    assert "zero_moved" not in desk.kinds(EventKind.FAULT)
    refused = [one["findings"][0]["kind"] for one in desk.found(EventKind.REFUSED)]
    assert not {"zero_not_regained", "zero_loaded"}.intersection(refused)


def test_what_is_put_on_the_cell_is_still_said(make_book):
    desk = pressed(make_book, [PutMass(1.5, 6.0)])
    (found,) = (one for one in desk.found(EventKind.FAULT) if one.kind == "zero_moved")
    assert found["load_n"] == pytest.approx(1.5 * 9.80665, abs=0.5)


def test_what_is_too_heavy_to_count_as_nothing_is_said_at_once_and_is_no_load(make_book):
    """A tool of 3 kg on the table, the quill at its stop."""
    samples = bench_samples([Rest(4.0), PutMass(3.0, 4.0), PutMass(0.0, 3.0)])
    t_s, said_s = 1e-6 * samples["t_us"], []
    with open_book(make_book(RIG)) as db:
        desk = Desk(db)
        for end_s in np.arange(0.5, t_s[-1] + 0.5, 0.5):
            desk.take(samples[(t_s > end_s - 0.5) & (t_s <= end_s)])
            doubt = desk.recorder.doubt
            if doubt is not None:
                said_s.append(end_s)
                assert doubt["load_n"] == pytest.approx(3.0 * 9.80665, abs=0.5)
                assert "take off what lies there" in describe(doubt, Units())
        assert 5.0 <= said_s[0] <= 6.5
        assert len(said_s) >= 5
        assert desk.kinds(EventKind.FAULT).count("lies_on_cell") == 1
        assert desk.recorder.doubt is None  # it was taken off


@pytest.mark.parametrize("kind", [StrokeKind.SLOW, StrokeKind.STEADY])
def test_a_spring_that_is_pressed_does_not_lie_there(make_book, kind):
    steps = [PressSpring(SPRINGS[0], 28.0, kind), Rest(0.5)] * 3
    with open_book(make_book(RIG)) as db:
        desk = Desk(db)
        for part in np.array_split(bench_samples([Rest(3.0), *steps, Rest(2.0)]), 200):
            desk.take(part)
            assert desk.recorder.doubt is None
        assert "lies_on_cell" not in desk.kinds(EventKind.FAULT)


HASTY = PressSpring(SPRINGS[0], 28.0, StrokeKind.FAST)
SLOW = PressSpring(SPRINGS[0], 28.0, StrokeKind.SLOW)


def hasty(desk):
    return [
        one
        for event in (*desk.found(EventKind.REFUSED), *desk.found(EventKind.KEPT))
        for one in map(Finding.from_document, event["findings"])
        if one.kind == "hasty"
    ]


def test_a_fast_press_is_compared_with_those_that_count_alone(make_book):
    rig = replace(RIG, rate_hz=40.0, nominal_rate_hz=40.0)
    first = [Rest(2.0), SLOW, Rest(1.0), SLOW, Rest(1.0)]
    steps = [*first, HASTY, Rest(1.5)]
    bench = Bench(rig, steps, 4)
    samples = np.concatenate([one.samples for one in bench.blocks()])
    before = bench.spans[len(first) - 1].end_seq
    for redo in (False, True):
        with open_book(make_book(rig, name=f"{redo}.db")) as db:
            desk = Desk(db)
            desk.take(samples[:before])
            if redo:
                desk.recorder.execute(Command(Action.REDO))
            desk.take(samples[before:])
            (found,) = hasty(desk)
        words = describe(found, Units())
        assert ("other" in words) is not redo
        assert "the others" not in words  # one stroke is no others


@pytest.mark.parametrize(
    ("rate_hz", "over", "kind"),
    [
        (10.0, 14, StrokeKind.STEADY),
        (8.0, 14, StrokeKind.STEADY),
        (8.0, 4, StrokeKind.STEADY),
        (8.0, 4, StrokeKind.FAST),
    ],
)
def test_slow_presses_are_not_judged_by_hurried_ones_that_worked_the_spring(
    make_book, rate_hz, over, kind
):
    """The load comes as late as a slow converter's does, which hurried presses show as heights."""
    rig = replace(RIG, rate_hz=rate_hz, nominal_rate_hz=rate_hz, filter_conversions=over)
    hurried = PressSpring(SPRINGS[0], 28.0, kind)
    steps = [Rest(2.0), *[hurried, Rest(2.0)] * 2, *[SLOW, Rest(2.0)] * 2]
    samples = np.concatenate([one.samples for one in Bench(rig, steps, 4).blocks()])
    with open_book(make_book(rig, conditioning=2, measured=3)) as db:
        desk = Desk(db)
        for part in np.array_split(samples, samples.size // 5):
            desk.take(part)
            assert desk.recorder.alarm is None
        assert [row["counted"] for row in desk.rows()][2:] == [1, 1]  # two hurried may differ
        assert not desk.kinds(EventKind.QUESTION)


def test_no_hurried_press_is_the_first_that_is_read(make_book):
    steps = [PressSpring(SPRINGS[0], 28.0, StrokeKind.STEADY), SLOW, SLOW]
    rig = replace(RIG, **TEN)
    steps = [Rest(2.0), *[one for step in steps for one in (step, Rest(2.0))]]
    samples = np.concatenate([one.samples for one in Bench(rig, steps, 4).blocks()])
    with open_book(make_book(rig, conditioning=0, measured=3)) as db:
        desk = Desk(db)
        desk.take(samples)
        assert [row["counted"] for row in desk.rows()] == [0, 1, 1]
        assert len(hasty(desk)) == 1


def test_a_press_that_was_too_fast_says_how_slow_is_slow_enough():
    found = Finding("hasty", {"way_s": 2.4, "usual_s": None, "others": 0, "least_s": 4.0})
    assert "take 4.0 s or more from touch to turn" in describe(found, Units())
