"""Sentences on how a curve, or a set of them, was measured."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from contextlib import suppress

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.lengths import LengthFrom, SoftStart
from coilbench.analysis.curves.not_measured import HeightNotMeasured, NotMeasured
from coilbench.analysis.curves.own_strokes import StrokesApart, strokes_apart
from coilbench.analysis.curves.readings import CurveNote, NoteKind, Reading
from coilbench.analysis.curves.uncertainty import SHAPE_SOURCE, SourceKind
from coilbench.analysis.curves.wall import CoilBind
from coilbench.analysis.report.document import describe, filled, first_few
from coilbench.analysis.report.reading_text import GIVE, GIVE_HOW, TARE_RIGHT
from coilbench.analysis.report.units import Units
from coilbench.capture.calibration.keyed_setup import KeyedSetup
from coilbench.capture.units import counted

MOST_NAMED = 4  # more springs of one note are counted, not named
RULES = 0.5  # of the variance: a source that is more of it is named
REMEDIES: dict[SourceKind, str] = {
    "turn_friction": "the stroke turned too near below: press some millimetres deeper",
    "shape_between": "it lies between heights that were read: read it there",
    "lag": "most of it is the rig's lag near the turn: press deeper, or more slowly",
}
_TARE_HOW = (
    "otherwise every load is too high alike, the pair may be the wrong one, and the readings must "
    "be keyed in again: coilbench note --tare"
)
GIVE_MM = 1.0  # of give, that is put into a load as an example
OUTSIDE_REMEDY = "it lies outside the heights that were read: read it there"


_NOTES: dict[NoteKind, str] = {
    "lag_unknown": "lag unknown: too few strokes, or all too slow, to find it; what is typical was "
    "undone, {delay_ms:.1f} ms, good to {u_ms:.1f} ms (k = 2). Press some strokes faster and some "
    "slower",
    "fast_strokes_left_out": "{fast} too fast for the rig's conversions and left out",
    "all_strokes_too_fast": "all strokes were too fast for the rig's conversions: press more "
    "slowly",
    "flex_unknown": "the press's flex was not measured: heights are uncertain by {flex_u_mm} at "
    "{full_n} (k = 2)",
    "beyond_masses": "loads above {load_n} are beyond the masses: the calibration is extended",
    "beyond_gauges": "heights below {height_mm} are beyond the gauges: the calibration is extended",
    "zero_unknown": "a stroke began without a zero of its own: the calibration's is taken, good to "
    "{zero_u_n} (k = 2)",
    "one_branch": "only the {side} branch was measured there",
    "few_samples": "the {side} branch has too few samples for a course and is left out: press and "
    "let go more evenly",
    "repeats_apart": "readings at {height_mm} are {load_n} apart: one is wrong; leave it out",
    "outside_read": "outside what was read, by {height_mm}",
    "no_rate": "one height alone shows no rate: the height's uncertainty is left out",
}


@describe.register
def _(found: CurveNote, units: Units) -> str:
    u, were = found.u or 0.0, "was" if found.strokes == 1 else "were"
    return filled(
        _NOTES[found.kind],
        found,
        units,
        delay_ms=1e3 * (found.delay_s or 0.0),
        u_ms=1e3 * u,
        fast=f"{counted(found.strokes or 0, 'stroke')} {were}",
        flex_u_mm=1000.0 * u,
        full_n=1000.0,
        zero_u_n=u,
    )


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
        "chosen_heights": f"not known: chosen heights, down to {at}, don't show it",
        "too_few_samples": "not known: the stroke has too few samples to show it",
        "too_uncertain": f"not known: down to {at} the stiffness is too uncertain to tell",
        "softer": f"not known: down to {at} the stiffness falls below its trend: press more slowly",
    }[found.why]


@describe.register
def _(found: NotMeasured, units: Units) -> str:
    error = HeightNotMeasured(found)
    error.in_units(units.quantity)
    return error.what


LENGTH_FROM: dict[LengthFrom, str] = {
    "by_hand": "by hand",
    "first_contact": "by first contact",
}


def readings_at(curve: SpringCurve, heights_mm: Collection[float]) -> list[Reading]:
    """Read a curve's loads at those of the heights where it was measured."""
    curve.read(heights_mm)  # at all at once, which is sooner
    found = []
    for height_mm in heights_mm:
        with suppress(HeightNotMeasured):
            found.append(curve.load_at(height_mm))
    return found


def set_notes(
    curves: Sequence[SpringCurve], heights_mm: Sequence[float], units: Units
) -> tuple[str, ...]:
    """Return what the reader of a set's loads at some heights should know.

    Sentences without a full stop; one that does not hold for every spring begins with its label,
    one that holds at one height alone names it.
    """
    labels: dict[str, list[str]] = {}
    for curve in curves:
        for note in dict.fromkeys(_notes(curve, heights_mm, units)):
            labels.setdefault(note, []).append(curve.label)
    apart = (describe(one, units) for one in strokes_apart(curves, heights_mm))
    return (
        *(
            note if len(whose) == len(curves) else f"{first_few(whose, MOST_NAMED)}: {note}"
            for note, whose in labels.items()
        ),
        *apart,
    )


@describe.register
def _(found: StrokesApart, units: Units) -> str:
    words = (
        "{label}: its {strokes} strokes lie {apart_n} ({apart_share:.1%}) apart at {height_mm}, "
    )
    words += "those of the others {others_share:.2%}: one may be of another spring, or it sat "
    words += "otherwise. Press it again: those that agree show the odd one, to be left out with "
    return filled(words + "coilbench set strokes --leave", found, units)


def _hand_setups(curve: SpringCurve) -> list[KeyedSetup]:
    ways = [way for sweep in curve.sweeps for way in sweep.points("both")]
    hands = (one.sweep.hand for way in ways for node in way.readings for one in node)
    return [hand.setup for hand in hands if hand is not None]


def give_left_out(curves: Iterable[SpringCurve], units: Units) -> Iterator[str]:
    """Say that no ± of readings by hand has the give of scale and press, and what it would do."""
    by_hand = [one for one in curves if _hand_setups(one)]
    keyed = [one for one in by_hand if any(not setup.give_known for setup in _hand_setups(one))]
    if not keyed:
        return
    rates = [rate.rate_n_per_mm for curve in keyed if (rate := curve.rate) is not None]
    much = ""
    if rates:
        load = units.load_text(GIVE_MM * max(rates))
        much = f": {units.length_text(GIVE_MM)} of give is about {load} of load"
    every = "Every ± of readings by hand"
    if len(keyed) < len(by_hand):
        every = f"Of {len(keyed)} of {len(by_hand)} springs, the ± of readings by hand"
    yield f"{every} leaves out {GIVE}{much}; {GIVE_HOW}."


def tare_zero(curves: Iterable[SpringCurve], units: Units) -> Iterator[str]:
    """Say that nothing was taken off loads by hand for the set-up, which may be an oversight."""
    if any(setup.tare_n == 0.0 for curve in curves for setup in _hand_setups(curve)):
        zero = units.load_text(0.0)
        yield f"Readings by hand count with a tare of {zero}: {TARE_RIGHT}; {_TARE_HOW}."


def _notes(curve: SpringCurve, heights_mm: Sequence[float], units: Units) -> Iterator[str]:
    yield from (describe(note, units) for note in curve.notes)
    for reading in readings_at(curve, heights_mm):
        at = f"at {units.length_text(reading.height_mm)}"
        for note in reading.notes:
            if note not in curve.notes:
                yield f"{at}: {describe(note, units)}"
        for remedy in _remedies(reading):
            yield f"{at} the load is less certain than it could be: {remedy}"


def _remedies(reading: Reading) -> Iterator[str]:
    """Say how to be surer, where one source that a user can lessen is most of the uncertainty."""
    budget, outside = reading.budget, any(note.kind == "outside_read" for note in reading.notes)
    for line in budget.lines:
        if line.source in REMEDIES and line.contribution_n**2 > RULES * budget.combined_u_n**2:
            shape_outside = outside and line.source == SHAPE_SOURCE
            yield OUTSIDE_REMEDY if shape_outside else REMEDIES[line.source]
