"""The mark of what was said last of a press is what the book makes of it if it ends there."""

import numpy as np
import pytest

from coilbench.analysis.report.bench_text import event_mark
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import Units
from coilbench.capture.running.commands import Action, EventKind
from coilbench.capture.virtual.bench import Rest
from support.datum_desk import PRESS, counted, tell, work
from support.recorder_desk import RIG, bench_samples

LOW = round(0.6 * RIG.travel_counts_per_mm)


def nothing_amiss(desk):
    work(desk, *PRESS * 2)


def slipped_before_a_press_that_a_person_says_counts(desk):
    work(desk, *PRESS * 2)
    desk.recorder.interrupt()
    work(desk, *PRESS, slip_mm=-0.25)
    assert desk.recorder.question.kind == "datum_moved"
    tell(desk, Action.ACCEPT)
    assert desk.recorder.quill_low is not None


def slipped_inside_a_press(desk):
    samples = bench_samples([Rest(2.0), *PRESS, Rest(2.0)])
    late = samples["t_us"] > 4_000_000
    samples["travel_counts"][late] += round(0.18 * RIG.travel_counts_per_mm)
    for piece in np.array_split(samples, 30):
        desk.take(piece)
    assert desk.recorder.quill_low is not None


def held_low_after_a_press(desk):
    work(desk, *PRESS)
    desk.recorder.interrupt()
    work(desk, *PRESS, least_counts=LOW)
    assert desk.recorder.quill_low is not None


def rose_once(desk):
    """A hand held it before the press, and lets go with it."""
    samples = bench_samples([Rest(2.0), *PRESS, Rest(2.0)])
    early = samples["t_us"] < 4_000_000
    samples["travel_counts"][early] = np.maximum(samples["travel_counts"][early], LOW)
    for piece in np.array_split(samples, 30):
        desk.take(piece)
    assert "waits_for_next" in desk.kinds(EventKind.WAITS)


ALL = [
    nothing_amiss, slipped_before_a_press_that_a_person_says_counts, slipped_inside_a_press,
    held_low_after_a_press, rose_once,
]  # fmt: skip


@pytest.mark.parametrize("case", ALL)
def test_a_press_that_would_not_count_at_the_end_is_not_said_to_count(desk, case):
    case(desk)
    marks = [event_mark(one) for one in desk.events]
    mark = [one for one in marks if one.strip()][-1]
    before = counted(desk)
    desk.recorder.end()
    assert mark == ("+ " if counted(desk) == before else "~ ")
    gone = [was for was, now in zip(before, counted(desk), strict=True) if was != now]
    assert set(gone) <= {"~"}  # nor by the book, while it ran
    assert (case is nothing_amiss) == (counted(desk) == before)


def test_once_the_quill_is_up_what_waited_by_a_persons_word_counts(desk):
    slipped_before_a_press_that_a_person_says_counts(desk)
    waits = desk.found(EventKind.WAITS)[-1]
    words = "SPRING: the press waits, and counts for good once the quill is seen at its stop"
    assert words.replace("SPRING", waits["label"]) in describe(waits, Units())
    work(desk, Rest(1.0))
    assert "counts_now" in desk.kinds(EventKind.TURN)
    desk.recorder.end()
    assert counted(desk) == [1, 1, 1]
