"""What a build sheet says of how its numbers came about, and its cautions. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from coilbench.analysis.engine.assignment import Effort, Level
from coilbench.analysis.engine.combination import Combination
from coilbench.analysis.limits.limits_words import CAUTIONS as LIMITS_CAUTIONS
from coilbench.analysis.sets.result import SetCheck
from coilbench.analysis.sets.stroke_choice import RULE
from coilbench.analysis.sheet.sheet import SetPart
from coilbench.capture.strokes.provenance import Provenance
from coilbench.capture.strokes.sweep import Origin
from coilbench.capture.units import Units

CAUTIONS = (
    "A compressed valve spring can blind. Wear eye protection, keep the spring captive at both "
    "ends whenever it is pressed, keep fingers out, and stop before the coils bind.",
    LIMITS_CAUTIONS[0],
    "Measure the height, coil bind and retainer clearance of every valve on the engine itself "
    "before it turns. The load reading is not legal for trade.",
)
WITH: dict[Effort, str] = {"none": "no shims", "shims": "shims", "cuts": "shims and seat cuts"}
CAME = {
    Origin.RIG: "strokes on the rig",
    Origin.RAW_FILE: "strokes from files of raw counts",
    Origin.CONVERTED_FILE: "strokes from files of loads and heights",
    Origin.POINTS_FILE: "rows of points from files",
    Origin.KEYED: "rounds of readings keyed in",
}


def verdict(level: Level) -> str:
    """Say what an assignment gives, and whether it is proven the best."""
    fitting = sum(plan.fits for plan in level.valves)
    proven = (
        "Proven: no other choice from these springs comes nearer to it"
        if level.status == "optimal"
        else "The time ran out before this was proven the nearest"
    )
    return f"{fitting} of {len(level.valves)} valves are inside the card's tolerances. {proven}"


def no_assignment(level: Level) -> str:
    """Say that not every valve could be given springs of its own."""
    if level.status == "infeasible":
        return "There is no way to give every valve springs of its own"
    return "The time ran out before any way to give every valve springs of its own was found"


def loads_of(best: Combination, units: Units) -> str:
    """Say of a pair whose loads are shown, and between what those of single springs lie."""
    said = "Loads are those of the sets' mean springs"
    if best.seat is None or best.full is None:
        return said
    ends = [
        f"{units.load_text(load.lowest_n)} to {units.load_text(load.highest_n)} {where}"
        for load, where in ((best.seat, "shut"), (best.full, "at full lift"))
    ]
    return f"{said}; from the weakest to the strongest of both sets they are {' and '.join(ends)}"


def choice_method(level: Level, effort: Effort) -> str:
    """Say how springs were given to valves."""
    if not level.valves:
        return (
            "Every outer set with every inner set over every stack of shims and every cut, each "
            "set counted with the mean of its springs; the one shown fits, or is nearest to, the "
            "card"
        )
    return (
        "Springs and what lies under them were chosen for all valves together, so that the sum of "
        "((shut - card) / tolerance)^2 + ((full lift - card) / tolerance)^2 over the valves is "
        "least while the limits are kept: a whole-number programme, solved by HiGHS through "
        f"SciPy. Allowed: {WITH[effort]}. Sum {_number(level.objective)}, none is below "
        f"{_number(level.bound)}; status: {level.status}"
    )


def flags_method(checks: Sequence[SetCheck]) -> str:
    """Say by which rules springs were flagged."""
    if not checks:
        return "No set could be judged"
    one = checks[0]
    return (
        f"Each load and rate within {one.tolerance:.0%} of its set's middle (median), with the "
        "spring's own part of the uncertainty as a guard band; springs that stand apart by the "
        f"generalised ESD test, which raises a false alarm in at most {one.alpha:.0%} of sound "
        "sets; free length and shape of the curve likewise. Weak, stiff, short and odd springs "
        "are left out unless asked for"
    )


LOADS_METHOD = (
    "A spring's load at a height is the mean of its counted strokes, of both branches where both "
    f"were measured, each stroke read with the calibration it was captured with. {RULE}; what "
    "was left out is named with its set. Curves are never "
    "carried on beyond what was measured. Outer and inner push side by side, each at its own "
    "height, so their loads add; a shim lowers both heights, a seat cut raises both"
)
UNCERTAINTY_METHOD = (
    "± is the expanded uncertainty, k = 2 (about 95 %), by the law of propagation (JCGM 100:2008). "
    "In a sum of outer and inner what the bench's errors have in common adds plainly, what is each "
    "reading's own by root sum of squares. It covers the measurement, not how a spring changes as "
    "it runs, nor the engine's heights"
)


def came_words(part: SetPart) -> str:
    """Say of a set how its numbers came about; without a full stop."""
    return "; ".join((*(_came(one) for one in part.came), f"set {part.set_id}"))


def _came(one: Provenance) -> str:
    first, last = one.first_utc[:10], one.last_utc[:10]
    when = first if first == last else f"{first} to {last}"
    by = "" if one.calibration_id is None else f", calibration {one.calibration_id}"
    if one.origin is Origin.KEYED:
        by = ", a scale without a calibration of its own"
        if one.scale is not None:
            by = f", by the calibrated scale {one.scale}"
    return f"{one.sweeps} {CAME[one.origin]}, of {one.springs} springs{by}, {when}"


def _number(value: float | None) -> str:
    return "unknown" if value is None else f"{value:.4g}"
