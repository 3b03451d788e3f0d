"""A capture that ended and is begun again does what its last lines promise."""

import numpy as np
import pytest

from coilbench.analysis.cli import capture_lines
from coilbench.analysis.cli.capture_lines import capture_ended
from coilbench.analysis.report.units import Units
from coilbench.capture.running import session as module
from coilbench.capture.running.commands import Action, Command, EventKind
from coilbench.capture.virtual.bench import PressSpring, Rest
from support.datum_desk import GAUGE
from support.stage import ENDED, PRESS, RIG, SPRINGS, Clock, FakeSource, Stage, bench_samples, read

SLIP_MM = 0.17
FIRST, OTHER = ([PressSpring(one, 26.0), Rest(3.0)] for one in SPRINGS)
QUIET = [PRESS[:0]] * 120


@pytest.fixture
def begin(make_book, monkeypatch):
    """Begin captures of one book, one after the other.

    Each does what it is given: commands, and steps with how far the scale slipped by then and, if
    not all, how much of them, in seconds.
    """
    monkeypatch.setattr(module, "CLOSING_S", 8.0)
    monkeypatch.setattr(capture_lines, "book_path", lambda: "bench.db")
    monkeypatch.setattr(capture_lines, "units", Units)
    named = {"device_id": RIG.device_id, "boot_id": 0xB007}
    book = make_book(RIG, conditioning=1, measured=2, **named)

    def anew(*parts):
        clock = Clock()
        clock.in_step(monkeypatch)
        clock.patience_s = 0.3
        steps, script, at, held = [Rest(2.0)], [], 0, []
        for part in parts:
            if isinstance(part, tuple):
                steps += part[0]
                piece = bench_samples(steps)[at:].copy()
                piece = piece[: round(part[2] * RIG.rate_hz)] if part[2:] else piece
                at += piece.size
                piece["travel_counts"] -= round(part[1] * RIG.travel_counts_per_mm)
                script += np.array_split(piece, max(1, piece.size // 20))
            else:
                script.append(lambda one=part: held[0].session.submit(one) or [])
                script += [PRESS[:0]] * 12
        held.append(
            Stage(book, FakeSource(clock, *script, *QUIET, ENDED), clock=clock, linger_s=5.0)
        )
        return held[0]

    anew.book = book
    return anew


def said(last):
    return " ".join(capture_ended(last, (38.5,)))


def kinds(stage):
    return [event.what.kind for event in stage.events]


def left_in_doubt(begin):
    presses = [*FIRST * 3, *OTHER * 3]
    stage = begin((presses, 0.0), (FIRST, SLIP_MM), Command(Action.TAKE_OUT))
    last = stage.run()
    assert "datum_to_set" in kinds(stage)
    assert (last.turn, last.closed.kind) == (None, "closing_differs")
    assert last.datum is not None
    assert "the same command again, to say whether the datum is right" in said(last)
    return last


def test_in_doubt_it_asks_again_whether_the_datum_is_right(begin):
    left_in_doubt(begin)
    again = begin(([Rest(2.0)], SLIP_MM))
    last = again.run()
    assert last.samples > 0
    assert again.kinds(EventKind.QUESTION)[0] == "datum_doubted"
    assert "set_done_before" not in kinds(again)
    assert "the same command again, to say whether the datum is right" in said(last)


def test_that_it_is_right_brings_the_press_that_closes(begin):
    left_in_doubt(begin)
    again = begin(([Rest(3.0)], SLIP_MM), Command(Action.ACCEPT), (FIRST, SLIP_MM))
    again.run()
    assert "closing_wanted" in kinds(again)


@pytest.mark.parametrize("answer", [None, Action.ACCEPT, Action.TAKE_OUT])
def test_a_gauge_can_be_set_and_what_is_promised_then_is_kept(begin, answer):
    left_in_doubt(begin)
    on_gauge = (GAUGE, SLIP_MM, 4.5)
    does = [Command(Action.GAUGE), on_gauge, Command(Action.DATUM, height_mm=30.0)]
    does += [] if answer is None else [Command(answer)]
    again = begin(([Rest(3.0)], SLIP_MM), *does, ([Rest(2.0)], SLIP_MM))
    last = again.run()
    assert {"datum_set", "datum_differs"} & set(kinds(again))
    if "once more; then" in said(last):
        third = begin(([Rest(2.0)], SLIP_MM))
        third.run()
        assert "closing_wanted" in kinds(third)


@pytest.mark.parametrize("does", [Action.BACK, Action.SKIP])
@pytest.mark.parametrize("presses", [2, 3, 5, 6])
def test_the_last_lines_count_what_the_book_does(begin, does, presses):
    stage = begin(([*FIRST * 3, *OTHER * 3][: 2 * presses], 0.0), Command(does))
    last = stage.run()
    sql = (
        "SELECT count(*) AS n FROM sweeps WHERE counted AND purpose = 'measured' GROUP BY spring_id"
    )
    counts = [row["n"] for row in read(begin.book, sql)]
    assert last.strokes == sum(counts)
    assert last.springs_done == len([one for one in counts if one == 2])


def test_redo_after_the_press_that_closed_takes_no_other_back(begin):
    closes = [*FIRST * 3, *OTHER * 3, *FIRST]
    stage = begin((closes, 0.0), Command(Action.REDO))
    last = stage.run()
    assert stage.kinds(EventKind.REDO) == ["nothing_to_redo"]
    assert (last.strokes, last.closed.kind) == (4, "set_closed")
