"""All that one spring's curve shows, gathered; its sentences and its JSON document. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

import msgspec
import numpy as np

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.curve_fit import GIVEN_LENGTH_U_MM
from coilbench.analysis.curves.lengths import FoundHeight
from coilbench.analysis.curves.rates import BranchGrid, Loop, Method, NamedRate
from coilbench.analysis.curves.readings import Rate, Reading
from coilbench.analysis.curves.shape_model import LengthCheck, Shape, Why
from coilbench.analysis.curves.sweep_fit import Side
from coilbench.analysis.report.curve_text import readings_at
from coilbench.analysis.report.document import describe, document, filled, json_keys, picked
from coilbench.analysis.report.units import RATE_PLACES, Units
from coilbench.capture.strokes.sweep import RATE_WINDOW

if TYPE_CHECKING:
    from coilbench.analysis.limits.spring_limits import HandbookRate


class Given(msgspec.Struct, frozen=True):
    """What is known of a spring by other means; None where it isn't.

    Attributes:
        free_length_mm: what its set was registered with; nobody measured it of this spring.
        by_hand: its own free length by caliper.
        solid_height_mm, solid_u_mm: its own, else the set's; expanded uncertainty, k = 2.
    """

    free_length_mm: float | None = None
    by_hand: FoundHeight | None = None
    solid_height_mm: float | None = None
    solid_u_mm: float | None = None
    wire_mm: float | None = None
    coil_diameter_mm: float | None = None
    active_coils: float | None = None


class SpringFindings(msgspec.Struct, frozen=True):
    """One spring.

    Attributes:
        shares: the window, as shares of the deflection.
        window_mm: its heights, the higher one first; the whole measured range where the window is
            not known or was not measured whole; None where one height alone was measured.
        rates: each named; two running heights come last.
        loop: friction over the window; None where not both branches were measured.
        length: first contact beside the free length by hand, else the set's; None without either.
        handbook: None where dimensions or the rate are not known.
    """

    curve: SpringCurve
    given: Given
    shares: tuple[float, float]
    heights_mm: tuple[float, ...]
    window_mm: tuple[float, float] | None
    window_whole: bool
    rates: tuple[NamedRate, ...]
    loop: Loop | None
    shape: Shape
    length: LengthCheck | None
    handbook: HandbookRate | None

    @classmethod
    def of(
        cls,
        curve: SpringCurve,
        given: Given,
        others: Sequence[SpringCurve] = (),
        *,
        shares: tuple[float, float] = RATE_WINDOW,
        heights_mm: Sequence[float] = (),
    ) -> SpringFindings:
        """Work out all that a spring's curve tells.

        Args:
            curve: the spring's.
            given: what is known by other means.
            others: the set's other springs.
            shares: the rate's window, as shares of the deflection.
            heights_mm: where loads are read; with fewer than two there is no rate between them.
        """
        asked = curve.window_mm(shares)
        window = asked if asked is not None else _whole_mm(curve)
        rates = tuple(NamedRate.all_of(curve, window, heights_mm))
        length = None
        if given.by_hand is not None:
            length = LengthCheck.of(curve, *given.by_hand, others)
        elif given.free_length_mm is not None:
            length = LengthCheck.of(curve, given.free_length_mm, GIVEN_LENGTH_U_MM, others)
        return cls(
            curve,
            given,
            shares,
            tuple(heights_mm),
            window,
            asked is not None,
            rates,
            None if window is None else Loop.of(curve, *window),
            Shape.of(curve),
            length,
            _handbook(given, rates),
        )

    def document(self) -> dict[str, Any]:
        """Return the findings for JSON: N and mm, uncertainties expanded, unknown is None."""
        curve, (top_mm, bottom_mm) = self.curve, self.window_mm or (None, None)
        length_mm, length_u_mm = curve.own_length or (None, None)
        why = self.shape.why
        return picked(self, _KEYS) | {
            "free_length_mm": length_mm,
            "free_length_u_mm": length_u_mm,
            "free_length_from": curve.length_from,
            "strokes": len(curve.sweeps),
            "readings": [
                picked(each, "height_mm load_n load_u_n notes=notes.text")
                for each in readings_at(curve, self.heights_mm)
            ],
            "soft_start": document(curve.soft),
            "coil_bind": document(curve.coils),
            "window": {
                "shares": self.shares,
                "whole_range_instead": not self.window_whole,
                "top_mm": top_mm,
                "bottom_mm": bottom_mm,
            },
            "rates": [
                picked(each, f"method top_mm bottom_mm {_RATE}")
                | {"branch": "mean" if each.rate.side == "both" else each.rate.side}
                for each in self.rates
            ],
            "shape": {"why": None if why is None else _WHY[why]} | picked(self.shape, _SHAPE),
            "handbook": None if self.handbook is None else picked(self.handbook, _HANDBOOK),
            "curve": picked(BranchGrid.of(curve), _GRID),
        }

    def table_heights_mm(self, units: Units) -> list[float]:
        """Heights for a table, highest first: even ones that were measured, and those asked for.

        Of chosen points those that were read.
        """
        curve = self.curve
        low, high = curve.lowest_mm, curve.highest_mm
        if curve.free_length_mm is not None:
            high = min(high, curve.free_length_mm)
        if not any(sweep.dense for sweep in curve.sweeps):
            fits = [
                fit for s in curve.sweeps for fit in (s.loading, s.unloading) if fit is not None
            ]
            even = np.unique(np.concatenate([fit.height_mm for fit in fits]))
        else:
            one_mm = 1.0 / units.length_value(1.0)
            steps = [step * one_mm for step in STEPS[units.length]]
            step = next((each for each in steps if (high - low) / each <= MOST_ROWS), steps[-1])
            even = np.arange(math.ceil(low / step), math.floor(high / step) + 1.0) * step
        inside = [mm for mm in self.heights_mm if low <= mm <= high]
        return sorted({round(float(mm), 6) for mm in (*even, *inside)}, reverse=True)

    def table(self, units: Units) -> tuple[list[Reading], BranchGrid]:
        """Return the loads at table_heights_mm where they were measured, and the branches there."""
        read = readings_at(self.curve, self.table_heights_mm(units))
        return read, BranchGrid.of(self.curve, np.array([each.height_mm for each in read]))

    def rate_lines(self, units: Units) -> Iterator[str]:
        """Write every rate, how it came about, and between which heights."""
        window = "window" if self.window_whole else "measured range"
        for each in self.rates:
            where = f"{units.length_text(each.top_mm)} to {units.length_text(each.bottom_mm)}"
            how = WORDS[each.method].format(window=window)
            alone = f", {each.rate.side} alone" if each.rate.side != self._usual_side else ""
            yield f"{_rate_text(each.rate, units)}  {how}, {where}{alone}"
        if not self.rates:
            yield "not known: it takes two heights"

    @property
    def _usual_side(self) -> Side:
        """Which side the spring's rates are of, where all are of one."""
        sides = [each.rate.side for each in self.rates]
        return "both" if "both" in sides or not sides else sides[0]

    def window_text(self) -> str:
        """Say what the window is."""
        low, high = (round(100.0 * share) for share in self.shares)
        asked = f"{low} to {high} % of the deflection"
        if not self.window_whole:
            return f"{asked} is not known or was not measured whole: the measured range is taken"
        bottom = "solid height" if self.curve.solid_height_mm is not None else "the lowest height"
        return f"{asked} from free length to {bottom}"

    def sentences(self, units: Units) -> Iterator[tuple[str, str]]:
        """Say what was found: what it is about, and a sentence without a full stop."""
        yield "Free length", _free_words(self, units)
        if self.loop is not None:
            share, u = 100.0 * self.loop.share, 100.0 * self.loop.share_u
            yield (
                "Friction",
                f"the load on the way down is {share:.1f} ± {u:.1f} % above that on the way up; "
                "half of it to either side of the mean",
            )
        yield "Shape", _shape_words(self.shape, units)
        yield "Coil bind", _bind_words(self, units)
        if self.handbook is not None:
            from coilbench.analysis.report.limits_text import handbook_text  # slow to load

            yield "Handbook", handbook_text(self.handbook, units)
        for note in self.curve.notes:
            yield "Note", describe(note, units)


def _whole_mm(curve: SpringCurve) -> tuple[float, float] | None:
    top, bottom = curve.rated_mm
    if curve.free_length_mm is not None:
        top = min(top, curve.free_length_mm)
    return (top, bottom) if top > bottom else None


def _handbook(given: Given, rates: Sequence[NamedRate]) -> HandbookRate | None:
    """Compare the first rate over the whole window, else any, with the one of the dimensions."""
    dimensions = given.wire_mm, given.coil_diameter_mm, given.active_coils
    best = next((each for each in rates if each.method == "least_squares"), None)
    best = rates[0] if best is None and rates else best
    if best is None or best.rate.rate_n_per_mm <= 0.0 or None in dimensions:
        return None
    from coilbench.analysis.limits.stress import handbook_rate  # imported late: slow to load

    wire, coil, coils = (float(each) for each in dimensions if each is not None)
    return handbook_rate(wire, coil, coils, best.rate.rate_n_per_mm, best.rate.rate_u_n_per_mm)


json_keys(FoundHeight, "height_mm height_u_mm")
json_keys(Loop, "loop_n loop_u_n share share_u")
_KEYS = (
    "spring=curve.label branch=curve.branch contact=curve.contact "
    "free_length_given_mm=given.free_length_mm free_length_finding=length.text bind=curve.bind "
    "solid_height_mm=curve.solid_height_mm solid_height_u_mm=curve.solid_u_mm "
    "lowest_mm=curve.lowest_mm hysteresis=loop notes=curve.notes.text"
)
_RATE = "rate_n_per_mm=rate.rate_n_per_mm rate_u_n_per_mm=rate.rate_u_n_per_mm"
_SHAPE = (
    "kind top_mm bottom_mm chance_if_straight=bent_chance knee "
    "change_n_per_mm=change.rate_n_per_mm change_u_n_per_mm=change.rate_u_n_per_mm "
    "upper_rate_n_per_mm=upper.rate_n_per_mm upper_rate_u_n_per_mm=upper.rate_u_n_per_mm "
    "lower_rate_n_per_mm=lower.rate_n_per_mm lower_rate_u_n_per_mm=lower.rate_u_n_per_mm"
)
_HANDBOOK = "rate_n_per_mm rate_u_n_per_mm measured_n_per_mm agrees words=text"
_GRID = "height_mm loading_n unloading_n hysteresis_share=loop_share stiffness_n_per_mm"
HEIGHT = "{height_mm} ± {height_u_mm}"
MOST_ROWS = 12
STEPS = {"mm": (0.25, 0.5, 1.0, 2.0, 2.5, 5.0, 10.0), "in": (0.01, 0.02, 0.05, 0.1, 0.2, 0.5)}
WORDS: dict[Method, str] = {
    "two_heights": "between the two heights",
    "window_ends": "between the ends of the {window}",
    "least_squares": "least squares over the {window}",
    "robust": "robust (bisquare) over the {window}",
}
SOFTENS = (
    "It grows softer as it is pressed, which no sound spring does: look for a crack or a seat that "
    "slips, and don't run it until that is found"
)


def _rate_text(rate: Rate, units: Units) -> str:
    value, u = units.rate_value(rate.rate_n_per_mm), units.rate_value(rate.rate_u_n_per_mm)
    places = RATE_PLACES[units.length]
    return f"{value:.{places}f} ± {u:.{places}f} {units.load}/{units.length}"


_WHY: dict[Why, str] = {
    "chosen_heights": "chosen heights don't show how the rate goes; it takes a sampled stroke",
    "too_little_range": "too little range between closing end coils and the lowest height",
    "too_few_samples": "too few samples in the stroke: press more slowly",
    "too_uncertain": "how its rate changes is too uncertain: more strokes, or a better calibration",
}


@describe.register
def _(found: LengthCheck, units: Units) -> str:
    off = "{difference_mm:abs} ± {difference_u_mm}"
    if not found.differs:
        agrees = f"first contact agrees with the {{given_mm}} ± {{given_u_mm}} given, {off} from it"
        return filled(agrees, found, units)
    way = "lower" if found.difference_mm < 0.0 else "higher"
    said = filled(f"first contact is {off} {way} than the {{given_mm}} given", found, units)
    gauge = "gauge a known length again (coilbench rig gauge)"
    if found.others_mm is None:
        sag = "the spring has sagged, or " if way == "lower" else ""
        return f"{said}: {sag}the height's datum is off: {gauge}"
    others = units.length_text(abs(found.others_mm))
    alike = math.copysign(found.others_mm, found.others_mm * found.difference_mm)
    if alike > found.difference_u_mm:
        sagged = ", or the whole set has sagged" if way == "lower" else ""
        said += f", and the set's others are {others} {way} too"
        return f"{said}: the datum is off{sagged}: {gauge}"
    why = "this spring has sagged" if way == "lower" else "this spring is another length"
    return f"{said}, while the set's others are {others} from it: {why}"


def _free_words(found: SpringFindings, units: Units) -> str:
    contact, given = found.curve.contact, found.given
    if contact is None:
        seen = "no stroke shows first contact"
        if given.by_hand is not None:
            return f"{filled(HEIGHT, given.by_hand, units)} by hand; {seen}"
        if given.free_length_mm is None:
            return f"not measured: {seen}"
        given_text = units.length_text(given.free_length_mm)
        return f"not measured: {seen}; its set was registered with {given_text}"
    said = f"{filled(HEIGHT, contact, units)} by first contact"
    if found.curve.soft is not None:
        said += f"; {describe(found.curve.soft, units)}"
    return said if found.length is None else f"{said}; {describe(found.length, units)}"


def _shape_words(shape: Shape, units: Units) -> str:
    if shape.kind == "cannot_tell" or shape.change is None or shape.upper is None:
        return f"can't tell: {_WHY[shape.why or 'too_uncertain']}"
    change = 100.0 * shape.change.rate_n_per_mm / shape.upper.rate_n_per_mm
    u = 100.0 * shape.change.rate_u_n_per_mm / shape.upper.rate_n_per_mm
    where = f"between {units.length_text(shape.top_mm)} and {units.length_text(shape.bottom_mm)}"
    differs = f"the lowest third's differs from the highest third's by {change:+.1f} ± {u:.1f} %"
    if shape.kind == "one_rate":
        return f"one rate {where}: {differs}"
    softens = f". {SOFTENS}" if shape.change.rate_n_per_mm < 0.0 else ""
    if shape.knee is not None and shape.lower is not None:
        knee = filled(HEIGHT, shape.knee, units)
        above, below = _rate_text(shape.upper, units), _rate_text(shape.lower, units)
        said = f"two rates with a knee at {knee}: {above} above it, {below} below"
        return f"{said}; a rate over a window that holds the knee is neither{softens}"
    if shape.kind == "smooth":
        return f"its rate changes smoothly {where}: {differs}{softens}"
    return f"its rate changes {where}, by a knee or smoothly: {differs}{softens}"


def _bind_words(found: SpringFindings, units: Units) -> str:
    curve, given_mm, u_mm = found.curve, found.given.solid_height_mm, found.given.solid_u_mm
    given = "" if given_mm is None else f"; {units.length_text(given_mm)} in the book"
    given += "" if u_mm is None else f", measured by hand, ± {units.length_text(u_mm)}"
    if curve.bind is not None:
        return f"reached, solid height {filled(HEIGHT, curve.bind, units)}{given}"
    return f"{describe(curve.coils, units)}{given}"
