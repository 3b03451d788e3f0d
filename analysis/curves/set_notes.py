"""What a set's curves leave open, in words, each once. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from coilbench.analysis.curves.budget import Budget
from coilbench.analysis.curves.curve import HeightNotMeasured, SpringCurve
from coilbench.capture.units import Units

MOST_NAMED = 4  # more springs of one note are counted, not named
SCALE_BELIEVED = (
    "the scale was believed: by how much it errs in proportion is not in the uncertainties; "
    "weigh known masses on it (coilbench rig weigh --scale), then key the readings with --scale"
)
RULES = 0.5  # of the variance: a source that is more of it is worth a word
MENDS = {
    "friction at the turn": "the stroke turned too near below: press some millimetres deeper",
    "lag of the load": "the rig's lag near the turn rules it: press deeper, or more slowly",
}


def set_notes(
    curves: Sequence[SpringCurve], heights_mm: Sequence[float], units: Units
) -> tuple[str, ...]:
    """Return what the reader of a set's loads should know.

    Args:
        curves: a set's.
        heights_mm: where it is read; what holds for one of them alone names it.
        units: how heights are shown.

    Returns:
        Sentences without a full stop, as they come first; those that do not hold for every
        spring begin with whose they are.
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
    yield from curve.notes
    if any(not fit.dense and fit.load_u_relative == 0.0 for fit in curve.sweeps):
        yield SCALE_BELIEVED
    for height_mm in heights_mm:
        try:
            reading = curve.load_at(height_mm)
        except HeightNotMeasured:
            continue
        for note in reading.notes:
            if note not in curve.notes:
                yield f"at {units.length_text(height_mm)}: {note}"
        for mend in _mends(reading.budget):
            at = units.length_text(height_mm)
            yield f"at {at} the load is less sure than it could be: {mend}"


def _mends(budget: Budget) -> Iterator[str]:
    """Say how to be surer, where one source that a hand can mend is most of the uncertainty."""
    for line in budget.lines:
        if line.source in MENDS and line.contribution_n**2 > RULES * budget.combined_u_n**2:
            yield MENDS[line.source]


def _names(labels: Sequence[str]) -> str:
    more = len(labels) - MOST_NAMED
    named = ", ".join(labels[:MOST_NAMED])
    return f"{named} and {more} more" if more > 0 else named
