"""Which of a spring's strokes are read, and why: by itself, beside others, by ruling. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

import numpy as np

from coilbench.capture.strokes.bins import Array, Bins, fine_bins
from coilbench.capture.strokes.judging import REACH_SLACK_MM
from coilbench.capture.strokes.passes import split_passes
from coilbench.capture.strokes.stroke_findings import (
    TURN_CLEAR_MM,
    StrokeFinding,
    StrokeKind,
    stroke_findings,
)
from coilbench.capture.strokes.sweep import Sweep

# All of these are our choice, no source.
HEIGHTS = 40
BIN_MM = 0.2
FROM_SHARE = 0.12  # of the largest load: above it nothing is compared
MOST_OF = 0.75  # of the heights: this share lies nearer
STROKE_APART_SHARE = 0.03  # of the load, from the strokes' median
COCKED_SHARE = 0.01  # of the load, where the touch or the loop indicates standing askew
TOUCH_SHARE = 0.03  # of the largest load: there it is touched
EARLY_MM = 0.4  # touched earlier by this than the lower course predicts
EARLY_STEPS = 1.5  # and this many samples' travel earlier
WIDE_LOOP_SHARE = 0.015  # of the load, wider than the others' loop
WIDE_LOOP_TIMES = 1.5
UNKNOWN_LAG_S = 0.1  # how far load and travel may come apart where no lag was told
FEWEST = 3  # strokes, to tell which of them is the odd one
LEAST_RANGE_MM = 2.0


class _Mate(NamedTuple):
    """One stroke's two passes in bins.

    Attributes:
        lag_mm: shape (2,), how far the heights on the way down and up may be out by the lag,
            as far as it is not known: in proportion to the speed, and of one sign.
    """

    down: Bins
    up: Bins
    lag_mm: Array


def beside_the_others(sweeps: Sequence[Sweep]) -> list[StrokeFinding | None]:
    """Name what each stroke of one spring, unspoilt by itself, shows beside the others.

    Loads are compared with the median of all strokes, so that one odd stroke does not make the
    others odd. Of two strokes that differ nobody can say which is the odd one.
    """
    mates = [_mate(sweep) for sweep in sweeps]
    known = [mate for mate in mates if mate is not None]
    heights = _shared_heights(known)
    if heights is None:
        return [None] * len(sweeps)
    loads = np.array(
        [
            [np.interp(heights, way.height_mm, way.load_n) for way in (mate.down, mate.up)]
            for mate in known
        ]
    )
    few = len(known) < FEWEST
    findings = iter(_two_differ(loads) if few else _against_median(loads, known, heights))
    return [None if mate is None else next(findings) for mate in mates]


def _mate(sweep: Sweep) -> _Mate | None:
    if not sweep.dense:
        return None
    passes = split_passes(sweep)
    down, up = fine_bins(passes.loading, BIN_MM), fine_bins(passes.unloading, BIN_MM)
    if down.height_mm.size < HEIGHTS or up.height_mm.size < HEIGHTS // 2:
        return None
    if down.load_n.max() <= 0.0:
        return None
    lag_u_s = UNKNOWN_LAG_S if sweep.lag is None else 2.0 * sweep.lag.delay_u_s
    return _Mate(down, up, lag_u_s * _speeds(sweep, down))


def _speeds(sweep: Sweep, down: Bins) -> Array:
    """Median speed in the middle of the way down, and of the way up, mm/s; shape (2,)."""
    if sweep.press is None:
        return np.zeros(2)
    height = np.concatenate([sweep.loading.height_mm, sweep.unloading.height_mm])
    if height.size != sweep.press.t_s.size:
        return np.zeros(2)
    speed = np.abs(np.gradient(height, sweep.press.t_s))
    low, high = (down.height_mm[0] + share * np.ptp(down.height_mm) for share in (0.2, 0.8))
    inside = (height > low) & (height < high)
    first = np.arange(height.size) < len(sweep.loading)
    ways = [speed[inside & way] for way in (first, ~first)]
    return np.array([float(np.median(way)) if way.size else 0.0 for way in ways])


def _touch(down: Bins, load_n: float) -> tuple[float, float]:
    """The height at which the load passes a small one, and how finely that is told, mm."""
    last = int(np.flatnonzero(down.load_n > load_n)[-1])
    around = slice(last, last + 2)  # the last height pressed and the first one free
    heights, loads = down.height_mm[around], down.load_n[around]
    return float(np.interp(-load_n, -loads, heights)), float(np.ptp(heights))


def _shared_heights(mates: Sequence[_Mate]) -> Array | None:
    """Heights that all strokes were pressed through, clear of the turn and of the touch."""
    if len(mates) < FEWEST - 1:
        return None
    low = max(max(m.down.height_mm[0], m.up.height_mm[0]) for m in mates) + TURN_CLEAR_MM
    tops = [
        np.max(bins.height_mm[bins.load_n > FROM_SHARE * bins.load_n.max()])
        for mate in mates
        for bins in (mate.down, mate.up)
    ]
    high = float(min(tops))
    return np.linspace(low, high, HEIGHTS) if high - low >= LEAST_RANGE_MM else None


def _against_median(
    loads: Array, mates: Sequence[_Mate], heights: Array
) -> list[StrokeFinding | None]:
    """Compare each stroke with the median of all; loads of shape (strokes, 2, heights)."""
    means, loops = loads.mean(axis=1), loads[:, 0] - loads[:, 1]
    middle, middle_loop = np.median(means, axis=0), np.median(loops, axis=0)
    rate = -float(np.polyfit(heights, middle, 1)[0])
    touch_n = TOUCH_SHARE * float(np.max(middle))
    touches = [_touch(mate.down, touch_n) for mate in mates]
    touch_mm = float(np.median([at_mm for at_mm, _ in touches]))
    usual = float(np.median(middle_loop / middle))
    per_mm = rate * float(np.median(1.0 / middle))  # share of the load that a height makes
    lag_mm = np.array([mate.lag_mm for mate in mates])
    lag_mm -= np.median(lag_mm, axis=0)
    found: list[StrokeFinding | None] = []
    for mean, loop, touch, (lag_down, lag_up) in zip(means, loops, touches, lag_mm, strict=True):
        at_mm, step_mm = touch
        unsure_loop = per_mm * abs(lag_down + lag_up)
        unsure_mm = 0.5 * abs(lag_down - lag_up)
        away = float(np.quantile(np.abs(mean - middle) / middle, MOST_OF))
        shift_mm = float(np.median(mean - middle)) / rate
        early_mm = at_mm - touch_mm - shift_mm
        wide = float(np.median((loop - middle_loop) / middle))
        rubs = wide > unsure_loop + max(WIDE_LOOP_SHARE, (WIDE_LOOP_TIMES - 1.0) * usual)
        if rubs:
            facts = {"loop_share": wide, "off_share": away}
            found.append(StrokeFinding("cocked", facts, spoils=True))
        elif early_mm > abs(lag_down) + max(EARLY_MM, EARLY_STEPS * step_mm):
            facts = {"early_mm": early_mm, "off_share": away}
            found.append(StrokeFinding("cocked", facts, spoils=away > COCKED_SHARE))
        elif away > STROKE_APART_SHARE + per_mm * unsure_mm:
            facts = {"off_share": away, "others": len(mates) - 1}
            found.append(StrokeFinding("apart", facts, spoils=True))
        else:
            found.append(None)
    return found


def _two_differ(loads: Array) -> list[StrokeFinding | None]:
    means = loads.mean(axis=1)
    away = float(np.quantile(np.abs(means[0] - means[1]) / means.mean(axis=0), MOST_OF))
    if away <= STROKE_APART_SHARE:
        return [None] * len(loads)
    return [StrokeFinding("apart", {"off_share": away, "others": 1})] * len(loads)


StrokeRuling = Literal["use", "leave"]

Why = Literal["nothing_against", "ruled", "spoilt", "spoilt_too_few_others", "not_counted"]


@dataclass(frozen=True)
class JudgedStroke:
    """One stroke of a spring, numbered from 1, oldest first.

    Attributes:
        kept: whether the spring's curve is read from it.
        ruling: what the user decided; None leaves it to the rule.
        note: why the capture did not count it.
    """

    number: int
    sweep_id: str
    kept: bool
    why: Why
    ruling: StrokeRuling | None
    findings: tuple[StrokeFinding, ...]
    note: str | None = field(default=None, metadata={"json": None})

    @property
    def spoilt_by(self) -> tuple[StrokeKind, ...]:
        """Reasons to doubt its loads."""
        return tuple(one.kind for one in self.findings if one.spoils)


def judge_strokes(
    sweeps: Sequence[Sweep],
    numbers: Mapping[str, int],
    rulings: Mapping[str, StrokeRuling | None],
    reach_mm: float | None = None,
) -> tuple[JudgedStroke, ...]:
    """Judge all strokes of one spring, oldest first, the lag undone where it is known.

    Args:
        numbers, rulings: each stroke's number and the user's ruling on it, by sweep id.
        reach_mm: the lowest height that is asked for; None where nobody asks.
    """
    found = [[*_short(one, reach_mm), *stroke_findings(one)] for one in sweeps]
    sound = [at for at, own in enumerate(found) if not any(one.spoils for one in own)]
    beside = beside_the_others([sweeps[at] for at in sound])
    for at, finding in zip(sound, beside, strict=True):
        found[at] += [] if finding is None else [finding]
    spoilt = _spoilt(found)
    judged = []
    for at, (sweep, findings) in enumerate(zip(sweeps, found, strict=True)):
        one = sweep.sweep_id
        kept, why = _verdict(findings, rulings[one], spoilt=at in spoilt)
        judged.append(JudgedStroke(numbers[one], one, kept, why, rulings[one], tuple(findings)))
    return tuple(judged)


def _short(sweep: Sweep, reach_mm: float | None) -> list[StrokeFinding]:
    heights = np.concatenate([sweep.loading.height_mm, sweep.unloading.height_mm])
    if reach_mm is None or not sweep.dense or heights.size == 0:
        return []
    lowest_mm = float(np.min(heights))
    if lowest_mm <= reach_mm + REACH_SLACK_MM:
        return []
    return [StrokeFinding("short", {"lowest_mm": lowest_mm, "asked_mm": reach_mm})]


def _spoilt(found: Sequence[Sequence[StrokeFinding]]) -> set[int]:
    """Indices of the strokes that the rule leaves out."""
    surely, apart = (
        {
            at
            for at, findings in enumerate(found)
            if any(one.spoils and one.kind in kinds for one in findings)
        }
        for kinds in (("slipped", "too_fast"), ("cocked", "apart"))
    )
    if len(surely) == len(found):
        surely = set()
    left = len(found) - len(surely)
    return surely | apart if 2 * len(apart) < left else surely


def _verdict(
    findings: Sequence[StrokeFinding], ruling: StrokeRuling | None, *, spoilt: bool
) -> tuple[bool, Why]:
    if ruling is not None:
        return ruling == "use", "ruled"
    if spoilt:
        return False, "spoilt"
    if any(one.spoils for one in findings):
        return True, "spoilt_too_few_others"
    return True, "nothing_against"
