"""What is said of a set: rulings, flags, strokes, notes on its curves; and its JSON documents.

Each finding of the numerics has its sentence here, by `describe`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any

from coilbench.analysis.curves.curve import CurveNote, HeightNotMeasured, NotMeasured, SpringCurve
from coilbench.analysis.curves.uncertainty import Budget
from coilbench.analysis.report.document import describe, document
from coilbench.analysis.report.phrases import note_text
from coilbench.analysis.report.units import SI, Units
from coilbench.analysis.sets.compare import Change, Comparison, MeanChange
from coilbench.analysis.sets.judge import SetCheck
from coilbench.analysis.sets.outliers import FEWEST_FOR_MIDDLE, Centre
from coilbench.analysis.sets.rulings import (
    ODD_SHARE,
    OUTLIER_LEAST_SHARE,
    SHORT_SHARE,
    Distance,
    Flag,
    LengthRuling,
    MissingRuling,
    OutlierRuling,
    ShapeRuling,
    StrokesRuling,
    ToleranceRuling,
)
from coilbench.analysis.sets.stroke_choice import Apart, Cocked, Doubt, JudgedStroke, Short
from coilbench.analysis.sets.stroke_findings import (
    EndsClose,
    Paused,
    PressedTwice,
    Slipped,
    StrokeFinding,
)
from coilbench.capture.units import counted

MOST_NAMED = 4  # more springs of one note are counted, not named
SCALE_BELIEVED = (
    "the scale was not calibrated: its error in proportion is not in the uncertainties; "
    "weigh known masses on it (coilbench rig weigh --scale), then key the readings with --scale"
)
RULES = 0.5  # of the variance: a source that is more of it is named
REMEDIES = {
    "friction at the turn": "the stroke turned too near below: press some millimetres deeper",
    "lag of the load": "most of it is the rig's lag near the turn: press deeper, or more slowly",
}
STROKE_RULE = (
    "A stroke that slipped, or was too fast for the rig, is left out where another is left; one "
    "that cocked or lies apart, where most of the spring's strokes agree"
)
TOO_FEW = (
    f"Fewer than {FEWEST_FOR_MIDDLE} springs have no middle to be compared with: measure more, or "
    "give a nominal, like --nominal 24kg@38.5mm."
)


@describe.register
def _(found: ToleranceRuling, units: Units) -> str:
    away = found.measured - found.aim
    share = "" if found.aim == 0.0 else f"{abs(away / found.aim):.1%} "
    word = "below" if away < 0.0 else "above"
    aim = "the nominal" if found.rule == "nominal" else "the set's middle of"
    shown = units.rate_text if found.height_mm is None else units.load_text
    what = shown(found.measured)
    where = f"{what} at {units.length_text(found.height_mm)}"
    text = (
        f"{f'rate {what}' if found.height_mm is None else where} is {share}{word} {aim} "
        f"{shown(found.aim)} (tolerance {shown(found.tolerance)}, uncertainty "
        f"{shown(found.uncertainty)})"
    )
    if found.outcome != "unsure":
        return text
    wide = found.uncertainty >= found.tolerance
    why = "the uncertainty is wider than the tolerance" if wide else "too near the limit to tell"
    cure = "calibrate load and travel again, or read on a finer scale"
    return f"{text}: {why}; {'press it more often' if found.strokes_rule else cure}"


@describe.register
def _(found: OutlierRuling, units: Units) -> str:
    at = found.height_mm
    where = "its rate" if at is None else f"at {units.length_text(at)} it"
    text = f"{where} {_distance_text(found.distance)}"
    if found.distance.apart and found.near:
        text += f", but is nearer to their middle than {OUTLIER_LEAST_SHARE:.0%} of the tolerance"
    return text


def _distance_text(found: Distance) -> str:
    test = f"outlier test's step {found.step}: {found.statistic:.2f}, limit {found.limit:.2f}"
    if math.isinf(found.deviations):
        return f"stands apart from the other {found.others}, which are all alike ({test})"
    side, many = "below" if found.deviations < 0.0 else "above", abs(found.deviations)
    if found.apart:
        how = f"{many:.1f} of their standard deviations {side} their mean ({test})"
        return f"stands apart from the other {found.others}: {how}"
    return (
        f"is {many:.1f} standard deviations {side} the mean of {found.others}, itself included "
        f"({test})"
    )


@describe.register
def _(found: LengthRuling, units: Units) -> str:
    short_mm = found.aim_mm - found.length_mm
    word = "below" if short_mm >= 0.0 else "above"
    aim = "the nominal" if found.aim_is == "nominal" else "the set's middle of"
    text = (
        f"free length {units.length_text(found.length_mm)} is {abs(short_mm / found.aim_mm):.1%} "
        f"{word} {aim} {units.length_text(found.aim_mm)} (limit {SHORT_SHARE:.0%} below,"
        f" uncertainty {units.length_text(found.uncertainty_mm)})"
    )
    unsure = ": too near the limit to tell; measure it with a caliper"
    return text + unsure if found.outcome == "unsure" else text


@describe.register
def _(found: ShapeRuling, units: Units) -> str:
    text = (
        f"its curve departs from the set's shape by up to {found.departure:.1%} of its mean load,"
        f" at {units.length_text(found.departure_mm)} (limit {ODD_SHARE:.0%})"
    )
    if found.distance is not None:
        text += f", and its departure {_distance_text(found.distance)}"
    odd = ": look for a crack or coils that touch, and press it again"
    return text + odd if found.outcome == "odd" else text


@describe.register
def _(found: MissingRuling, units: Units) -> str:
    low, high = (units.length_text(mm) for mm in (found.lowest_mm, found.highest_mm))
    at = units.length_text(found.height_mm)
    return f"not measured at {at}, only from {low} to {high}: press it again, over the whole range"


@describe.register
def _(found: StrokesRuling, units: Units) -> str:
    return f"{describe(found.doubt, units)}: seat it again and press it once more"


@describe.register
def _(found: Doubt, units: Units) -> str:  # noqa: ARG001
    every = "its only stroke" if found.strokes == 1 else f"each of its {found.strokes} strokes"
    return f"{every} is doubtful ({', '.join(found.kinds)})"


@describe.register
def _(found: Flag, units: Units) -> str:
    return "; ".join(describe(one, units) for one in found.findings)


@describe.register
def _(found: StrokeFinding, units: Units) -> str:  # noqa: ARG001
    return f"{found.kind}: over before the rig's conversions could follow"


@describe.register
def _(found: PressedTwice, units: Units) -> str:  # noqa: ARG001
    times = {2: "twice", 3: "three times"}.get(found.presses, f"{found.presses} times")
    return (
        f"{found.kind}: pressed {times} before it was let go: each height's first visit down and "
        "last visit up are read"
    )


@describe.register
def _(found: Paused, units: Units) -> str:
    each = (
        f"{one.seconds:.1f} s near {units.length_text(one.height_mm)} on the way {one.way}"
        for one in found.pauses
    )
    return (
        f"{found.kind}: the quill stopped {' and '.join(each)}: such a height counts no more than "
        "one passed"
    )


@describe.register
def _(found: Slipped, units: Units) -> str:
    word = "lost" if found.step_n < 0.0 else "gained"
    return (
        f"{found.kind}: the load suddenly {word} {units.load_text(abs(found.step_n))} near "
        f"{units.length_text(found.height_mm)} on the way {found.way}: it slipped in its cup, or "
        "the cup did"
    )


@describe.register
def _(found: EndsClose, units: Units) -> str:
    return (
        f"{found.kind}: its end coils close down to {units.length_text(found.closed_mm)}: over the "
        f"first {units.length_text(found.over_mm)} it is softer than its rate"
    )


@describe.register
def _(found: Cocked, units: Units) -> str:
    if found.loop_share is not None:
        wide = f"its friction loop is {found.loop_share:.1%} of the load wider than the others'"
        return f"{found.kind}: {wide}: the spring was tilted and rubbed"
    off = f"its loads are up to {found.off_share:.1%} off the other strokes'"
    early = units.length_text(found.early_mm)
    return f"{found.kind}: it was touched {early} early: the spring was tilted; {off}"


@describe.register
def _(found: Apart, units: Units) -> str:  # noqa: ARG001
    if found.others == 1:
        return (
            f"{found.kind}: its loads are {found.off_share:.1%} off the other stroke's: press it "
            "once more to tell which is the odd one"
        )
    return (
        f"{found.kind}: its loads are up to {found.off_share:.1%} off the other strokes' over most "
        "heights: the spring sat otherwise, or the rig moved"
    )


@describe.register
def _(found: Short, units: Units) -> str:
    lowest, asked = units.length_text(found.lowest_mm), units.length_text(found.asked_mm)
    return f"{found.kind}: stopped at {lowest}, asked for {asked}: read only above"


@describe.register
def _(found: JudgedStroke, units: Units) -> str:
    spoilt = ", ".join(found.spoilt_by)
    why = {
        "nothing against it": "nothing against it",
        "ruled": "by your ruling",
        "spoilt": spoilt,
        "spoilt, too few others": f"{spoilt}, but too few others to go by",
        "not counted": "the capture did not count it"
        + ("" if found.note is None else f": {note_text(found.note, units)}"),
    }[found.why]
    seen = "; ".join(describe(one, units) for one in found.findings)
    told = f"{'kept' if found.kept else 'left out'}, {why}"
    return f"{told}. {seen}" if seen else told


@describe.register
def _(found: CurveNote, units: Units) -> str:
    load, height = units.load_text(found.load_n), units.length_text(found.height_mm)
    u = 0.0 if found.u is None else found.u
    if found.kind == "lag unknown":
        delay_ms = 1e3 * (found.delay_s or 0.0)
        return (
            "lag unknown: too few strokes, or all too slow, to find it; what is typical was undone,"
            f" {delay_ms:.1f} ms, good to {1e3 * u:.1f} ms (k = 2). Press some strokes faster and "
            "some slower"
        )
    if found.kind == "fast strokes left out":
        strokes = counted(found.strokes or 0, "stroke")
        were = "was" if found.strokes == 1 else "were"
        return f"{strokes} {were} too fast for the rig's conversions and left out"
    return {
        "all strokes too fast": "all strokes were too fast for the rig's conversions: press more "
        "slowly",
        "flex unknown": "the press's flex was not measured: heights are uncertain by "
        f"{units.length_text(1000.0 * u)} at {units.load_text(1000.0)} (k = 2)",
        "beyond masses": f"loads above {load} are beyond the masses: the calibration is extended",
        "beyond gauges": f"heights below {height} are beyond the gauges: the calibration is "
        "extended",
        "zero unknown": "a stroke began without a zero of its own: the calibration's is taken, "
        f"good to {units.load_text(u)} (k = 2)",
        "one branch": f"only the {found.side} branch was measured there",
        "no rate": "one height alone shows no rate: the height's uncertainty is left out",
    }[found.kind]


@describe.register
def _(found: NotMeasured, units: Units) -> str:
    at = units.length_text(found.height_mm)
    if found.reach_n is not None:
        return (
            f"spring {found.spring} at {at} pushes more than the {units.load_text(found.reach_n)} "
            "to which the press's flex is known"
        )
    low, high = units.length_text(found.lowest_mm), units.length_text(found.highest_mm)
    return f"spring {found.spring} was measured from {low} to {high}, not at {at}"


def set_notes(
    curves: Sequence[SpringCurve], heights_mm: Sequence[float], units: Units
) -> tuple[str, ...]:
    """Return what the reader of a set's loads should know.

    Args:
        curves: a set's.
        heights_mm: where it is read; what holds for one of them alone names it.
        units: display units.

    Returns:
        Sentences without a full stop; those that do not hold for every spring begin with its label.
    """
    labels: dict[str, list[str]] = {}
    for curve in curves:
        for note in dict.fromkeys(_notes(curve, heights_mm, units)):
            labels.setdefault(note, []).append(curve.label)
    return tuple(
        note if len(whose) == len(curves) else f"{_names(whose)}: {note}"
        for note, whose in labels.items()
    )


def _notes(curve: SpringCurve, heights_mm: Sequence[float], units: Units) -> Iterator[str]:
    yield from (describe(note, units) for note in curve.notes)
    if any(not fit.dense and fit.load_u_relative == 0.0 for fit in curve.sweeps):
        yield SCALE_BELIEVED
    for height_mm in heights_mm:
        at = f"at {units.length_text(height_mm)}"
        try:
            reading = curve.load_at(height_mm)
        except HeightNotMeasured:
            continue
        for note in reading.notes:
            if note not in curve.notes:
                yield f"{at}: {describe(note, units)}"
        for remedy in _remedies(reading.budget):
            yield f"{at} the load is less certain than it could be: {remedy}"


def _remedies(budget: Budget) -> Iterator[str]:
    """Say how to be surer, where one source that a user can lessen is most of the uncertainty."""
    for line in budget.lines:
        if line.source in REMEDIES and line.contribution_n**2 > RULES * budget.combined_u_n**2:
            yield REMEDIES[line.source]


def _names(labels: Sequence[str]) -> str:
    more = len(labels) - MOST_NAMED
    named = ", ".join(labels[:MOST_NAMED])
    return f"{named} and {more} more" if more > 0 else named


def tests_line(check: SetCheck, units: Units) -> str:
    """Say how the outlier test's false-alarm rate is kept."""
    shared = ", ".join(
        f"the {test}" if isinstance(test, str) else f"the load at {units.length_text(test)}"
        for test in check.tests
    )
    return (
        f"Outlier test (generalised ESD): at most {check.alpha:.1%} of sound sets raise a false "
        f"alarm, shared equally by {shared}: {check.alpha_each:.2%} each."
    )


def check_document(check: SetCheck) -> dict[str, Any]:
    """Return the JSON document of `set check`: N and mm, unknown is None."""
    return {
        "set": check.name,
        "tolerance": check.tolerance,
        "alpha": check.alpha,
        "alpha_each": check.alpha_each,
        "springs": [
            document(spring)
            | {
                "flags": [
                    {
                        "kind": flag.kind,
                        "reason": describe(flag, SI),
                        "findings": document(flag.findings),
                    }
                    for flag in spring.flags
                ]
            }
            for spring in check.springs
        ],
        "summary": [
            {
                "height_mm": height.height_mm,
                "nominal_n": height.nominal_n,
                **_centre_document(height.centre, "n"),
            }
            for height in check.summary
        ],
        "rate_summary": None if check.rate is None else _centre_document(check.rate, "n_per_mm"),
    }


def _centre_document(centre: Centre, unit: str) -> dict[str, Any]:
    names = ("mean", "spread", "mean_u", "median", "robust_spread")
    numbers = {f"{name}_{unit}": getattr(centre, name) for name in names}
    return numbers | {"springs": centre.springs}


def compare_document(comparison: Comparison) -> dict[str, Any]:
    """Write a comparison: N, mm and N/mm, uncertainties expanded (k = 2), unknown is None."""
    return {
        "before": comparison.before,
        "after": comparison.after,
        "springs": [
            {
                "label": spring.label,
                "changed": spring.changed,
                "readings": [
                    {"height_mm": height_mm, **_change(change, "n")}
                    for height_mm, change in zip(comparison.heights_mm, spring.loads, strict=True)
                ],
                "rate": _change(spring.rate, "n_per_mm"),
            }
            for spring in comparison.springs
        ],
        "summary": [
            {"height_mm": height_mm, **_mean(mean, "n")}
            for height_mm, mean in zip(comparison.heights_mm, comparison.means, strict=True)
        ],
        "rate_summary": _mean(comparison.rate_mean, "n_per_mm"),
        "unmatched": list(comparison.unmatched),
    }


def _change(change: Change | None, unit: str) -> dict[str, Any]:
    return {
        f"before_{unit}": None if change is None else change.before,
        f"after_{unit}": None if change is None else change.after,
        f"change_{unit}": None if change is None else change.measured.value,
        f"change_u_{unit}": None if change is None else change.measured.u,
        "same_calibration": None if change is None else change.shared == "all",
        "shared_calibration": None if change is None else change.shared,
        "verdict": None if change is None else change.verdict,
    }


def _mean(mean: MeanChange | None, unit: str) -> dict[str, Any]:
    return {
        f"before_mean_{unit}": None if mean is None else mean.before,
        f"change_{unit}": None if mean is None else mean.change,
        f"change_u_{unit}": None if mean is None else mean.change_u,
        "springs": 0 if mean is None else mean.springs,
        "verdict": None if mean is None else mean.verdict,
    }
