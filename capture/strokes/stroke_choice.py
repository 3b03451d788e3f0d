"""Which of a spring's strokes are read, and why: by itself, beside others, by ruling. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import ClassVar, Literal, NamedTuple

import msgspec
import numpy as np
from msgspec.structs import replace

from coilbench.capture.calibration.lag import typical_delay_s
from coilbench.capture.calibration.statistics import median, medians, quantiles, slope_through
from coilbench.capture.strokes.bins import Array, Bins, fine_bins
from coilbench.capture.strokes.judging import REACH_SLACK_MM
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
UNKNOWN_LAG_S = 0.1  # how far load and travel may come apart where no lag was told, or more where
#   the rate is low
LAG_SHARES = (0.0, -0.25, 0.25, -0.5, 0.5, -0.75, 0.75, -1.0, 1.0)  # of what the lag may be out
FEWEST = 3  # strokes, to tell which of them is the odd one
LEAST_RANGE_MM = 2.0


class _Mate(NamedTuple):
    """One stroke's two passes in bins, which know how heights move with the lag.

    Attributes:
        lag_u_s: how far the lag may be out, as far as it is not known.
    """

    down: Bins
    up: Bins
    lag_u_s: float


class _Compared(NamedTuple):
    """Strokes at the heights that all were pressed through, were the lag so much longer.

    Attributes:
        height_mm: shape (heights,).
        load_n: shape (strokes, 2, heights), on the way down and up.
        touch_mm, touch_step_mm: shape (strokes,), where a small load is passed on the way down,
            and how finely that is told.
        usual_loop: the loop's width over the load, as read.
    """

    height_mm: Array
    load_n: Array
    touch_mm: Array
    touch_step_mm: Array
    usual_loop: float


def beside_the_others(sweeps: Sequence[Sweep]) -> list[StrokeFinding | None]:
    """Name what each stroke of one spring, unspoilt by itself, shows beside the others.

    Loads are compared with the median of all strokes, so that one odd stroke does not make the
    others odd. Of two strokes that differ nobody can say which is the odd one. All strokes share
    a lag: what some lag that is possible would explain is no finding.
    """
    mates = [_mate(sweep) for sweep in sweeps]
    known = [mate for mate in mates if mate is not None]
    heights = _shared_heights(known)
    if heights is None:
        return [None] * len(sweeps)
    judged = _two_differ if len(known) < FEWEST else _against_median
    each = _by_lag(known, heights)
    sure = judged(next(each))
    for compared in each:
        if not any(sure):
            break
        sure = [min(both, key=_harm) for both in zip(sure, judged(compared), strict=True)]
    findings = iter(sure)
    return [None if mate is None else next(findings) for mate in mates]


def _harm(finding: StrokeFinding | None) -> int:
    """Order findings: of those that hold with one lag or another the most harmless is sure."""
    return 0 if finding is None else 1 + finding.spoils


def _mate(sweep: Sweep) -> _Mate | None:
    if not sweep.dense:
        return None
    passes = _with_speed(sweep).passes
    down, up = fine_bins(passes.loading, BIN_MM), fine_bins(passes.unloading, BIN_MM)
    if down.height_mm.size < HEIGHTS or up.height_mm.size < HEIGHTS // 2:
        return None
    if down.load_n.max() <= 0.0:
        return None
    return _Mate(down, up, _lag_u_s(sweep))


def _lag_u_s(sweep: Sweep) -> float:
    if sweep.lag is not None:
        return 2.0 * sweep.lag.delay_u_s
    if sweep.press is None or sweep.press.t_s.size < 2:
        return UNKNOWN_LAG_S
    return max(UNKNOWN_LAG_S, 2.0 * typical_delay_s(sweep.press.interval_s))


def _with_speed(sweep: Sweep) -> Sweep:
    """Add how heights move with the lag, where none was undone: against the quill's speed."""
    height = np.concatenate([sweep.loading.height_mm, sweep.unloading.height_mm])
    known = sweep.loading.by_lag is not None
    if known or sweep.press is None or not 1 < height.size == sweep.press.t_s.size:
        return sweep
    back = -np.gradient(height, sweep.press.t_s)
    by_lag = np.column_stack([back, np.zeros_like(back)])
    turn = len(sweep.loading)
    return replace(
        sweep,
        loading=replace(sweep.loading, by_lag=by_lag[:turn]),
        unloading=replace(sweep.unloading, by_lag=by_lag[turn:]),
    )


def _by_lag(mates: Sequence[_Mate], heights: Array) -> Iterator[_Compared]:
    """Compare the strokes as read, then with each lag that is possible."""
    ways = [(mate.down, mate.up) for mate in mates]

    def there(what: Callable[[Bins], Array]) -> Array:
        return np.array(
            [[np.interp(heights, one.height_mm, what(one)) for one in both] for both in ways]
        )

    load, back = there(lambda one: one.load_n), there(lambda one: one.by_lag[:, 0])
    middle = medians(load.mean(axis=1).T)
    rate = -np.gradient(middle, heights)
    usual = median(medians((load[:, 0] - load[:, 1]).T) / middle)
    touch_n = TOUCH_SHARE * float(np.max(middle))
    touch, step, touch_back = np.array([_touch(mate.down, touch_n) for mate in mates]).T
    lag_u_s = np.array([mate.lag_u_s for mate in mates])
    for share in LAG_SHARES:
        more_s = share * lag_u_s
        moved_n = rate * more_s[:, None, None] * back
        yield _Compared(heights, load + moved_n, touch + more_s * touch_back, step, usual)


def _touch(down: Bins, load_n: float) -> tuple[float, float, float]:
    """The height at which the load passes a small one, how finely that is told, mm; mm/s by lag."""
    last = int(np.flatnonzero(down.load_n > load_n)[-1])
    around = slice(last, last + 2)  # the last height pressed and the first one free
    heights, loads = down.height_mm[around], down.load_n[around]
    at_mm = float(np.interp(-load_n, -loads, heights))
    return at_mm, float(np.ptp(heights)), float(np.mean(down.by_lag[around, 0]))


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


def _against_median(compared: _Compared) -> list[StrokeFinding | None]:
    """Compare each stroke with the median of all."""
    loads = compared.load_n
    means, loops = loads.mean(axis=1), loads[:, 0] - loads[:, 1]
    middle, middle_loop = medians(means.T), medians(loops.T)
    rate = -slope_through(compared.height_mm, middle)
    limit = max(WIDE_LOOP_SHARE, (WIDE_LOOP_TIMES - 1.0) * compared.usual_loop)
    away = quantiles(np.abs(means - middle) / middle, MOST_OF)
    shift_mm = medians(means - middle) / rate
    early_mm = compared.touch_mm - median(compared.touch_mm) - shift_mm
    wide = medians((loops - middle_loop) / middle)
    found: list[StrokeFinding | None] = []
    for off, early, loop, step_mm in zip(
        away.tolist(), early_mm.tolist(), wide.tolist(), compared.touch_step_mm, strict=True
    ):
        if loop > limit:
            facts = {"loop_share": loop, "off_share": off}
            found.append(StrokeFinding("cocked", facts, spoils=True))
        elif early > max(EARLY_MM, EARLY_STEPS * step_mm):
            facts = {"early_mm": early, "off_share": off}
            found.append(StrokeFinding("cocked", facts, spoils=off > COCKED_SHARE))
        elif off > STROKE_APART_SHARE:
            facts = {"off_share": off, "others": len(loads) - 1}
            found.append(StrokeFinding("apart", facts, spoils=True))
        else:
            found.append(None)
    return found


def _two_differ(compared: _Compared) -> list[StrokeFinding | None]:
    means = compared.load_n.mean(axis=1)
    (away,) = quantiles(np.abs(means[:1] - means[1:]) / means.mean(axis=0), MOST_OF).tolist()
    if away <= STROKE_APART_SHARE:
        return [None] * len(means)
    return [StrokeFinding("apart", {"off_share": away, "others": 1})] * len(means)


StrokeRuling = Literal["use", "leave"]

Why = Literal[
    "nothing_against",
    "in_doubt",
    "borne_out",
    "ruled",
    "spoilt",
    "spoilt_too_few_others",
    "waits",
    "not_counted",
    "closing",
]


class JudgedStroke(msgspec.Struct, frozen=True):
    """One stroke of a spring, numbered from 1, oldest first.

    Attributes:
        kept: whether the spring's curve is read from it.
        why: `closing` of a press that was to show whether scale and seat are as at the first one,
            and reads no spring.
        ruling: what the user decided; None leaves it to the rule.
        note: why the capture did not count it or what it waits for; or why it did not count at
            first, and that a person said yes.
    """

    in_json: ClassVar = {"note": None}
    number: int
    sweep_id: str
    kept: bool
    why: Why
    ruling: StrokeRuling | None
    findings: tuple[StrokeFinding, ...]
    note: str | None = None

    @property
    def spoilt_by(self) -> tuple[StrokeKind, ...]:
        """Reasons to doubt its loads."""
        return tuple(one.kind for one in self.findings if one.spoils)


def judge_strokes(
    sweeps: Sequence[Sweep],
    numbers: Mapping[str, int],
    rulings: Mapping[str, StrokeRuling | None],
    reach_mm: float | None = None,
    *,
    alone: Sequence[Sequence[StrokeFinding]] | None = None,
) -> tuple[JudgedStroke, ...]:
    """Judge all strokes of one spring, oldest first, the lag undone where it is known.

    Args:
        numbers, rulings: each stroke's number and the user's ruling on it, by sweep id.
        reach_mm: the lowest height that is asked for; None where nobody asks.
        alone: what each shows by itself, where that was worked out before.
    """
    alone = [stroke_findings(one) for one in sweeps] if alone is None else alone
    found = [[*_short(one, reach_mm), *own] for one, own in zip(sweeps, alone, strict=True)]
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
