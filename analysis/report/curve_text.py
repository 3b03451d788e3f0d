"""Sentences on how a curve, or a set of them, was measured.

Import `describe` from here, so that it knows these findings.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from coilbench.analysis.curves.curve import (
    CurveNote,
    HeightNotMeasured,
    NotMeasured,
    SoftStart,
    SpringCurve,
)
from coilbench.analysis.curves.uncertainty import Budget
from coilbench.analysis.curves.wall import CoilBind
from coilbench.analysis.report.document import describe as describe
from coilbench.analysis.report.document import first_few
from coilbench.analysis.report.units import Units
from coilbench.capture.units import counted

MOST_NAMED = 4  # more springs of one note are counted, not named
SCALE_BELIEVED = (
    "the scale was not calibrated: its error in proportion is not in the uncertainties; "
    "weigh known masses on it (coilbench rig weigh --scale), then key the readings with --scale"
)
RULES = 0.5  # of the variance: a source that is more of it is named
REMEDIES = {
    "friction at the turn": "the stroke turned too near below: press some millimetres deeper",
    "shape between the heights read": "it lies between heights that were read: read it there",
    "lag of the load": "most of it is the rig's lag near the turn: press deeper, or more slowly",
}


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
        "few samples": f"the {found.side} branch has too few samples for a course and is left out: "
        "press and let go more evenly",
        "no rate": "one height alone shows no rate: the height's uncertainty is left out",
    }[found.kind]


@describe.register
def _(found: SoftStart, units: Units) -> str:
    closed = units.length_text(found.closed_mm)
    return f"the first turns close until about {closed}, which makes first contact less sure"


@describe.register
def _(found: CoilBind, units: Units) -> str:
    at = units.length_text(found.height_mm)
    if found.kind == "beginning":
        return f"the coils begin to close near {at}: press no further"
    if found.kind == "not_reached":
        return f"not reached: down to {at} the stiffness keeps to its own trend"
    return {
        None: f"reached, solid height {at}",
        "chosen heights": f"not known: chosen heights, down to {at}, don't show it",
        "too few samples": "not known: the stroke has too few samples to show it",
        "too uncertain": f"not known: down to {at} the stiffness is too uncertain to tell",
        "softer": f"not known: down to {at} the stiffness falls below its trend: press more slowly",
    }[found.why]


@describe.register
def _(found: NotMeasured, units: Units) -> str:
    at = units.length_text(found.height_mm)
    if found.reach_n is not None:
        return (
            f"spring {found.spring} at {at} pushes more than the {units.load_text(found.reach_n)} "
            "to which the press's flex is known"
        )
    if found.other_mm is not None:
        other = units.length_text(found.other_mm)
        return (
            f"spring {found.spring} was measured at {at} and at {other} in different branches "
            "alone: no rate joins them"
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
        note if len(whose) == len(curves) else f"{first_few(whose, MOST_NAMED)}: {note}"
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
