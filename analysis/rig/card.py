"""The calibration card: what a calibration is made of, its errors, and the limits they meet. Pure.

The limits are ISO 7500-1's for machines that measure force; nothing here certifies anything.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Literal

import msgspec
import numpy as np
from msgspec.structs import asdict, astuple
from numpy.typing import ArrayLike, NDArray

from coilbench.analysis.curves.uncertainty import Budget
from coilbench.analysis.rig.check import PastCheck, Trend, ZeroMove, days_between, gravity_of
from coilbench.capture.blocks import Finding
from coilbench.capture.calibration.keyed_setup import KeptRests
from coilbench.capture.calibration.model import NewPart, PointRow
from coilbench.capture.calibration.polynomial import (
    PolynomialFit,
    evaluate,
    hidden_departure,
    slope,
    value,
)

# A reading that is not steady can be told to half of what it sways and one step more (as ISO
# 7500-1 has it, from memory); noise sways by four standard deviations (95 % of it).
SWAY_SDS = 2.0
Column = Literal["q", "b", "v", "zero", "resolution"]
COLUMNS: tuple[Column, ...] = ("q", "b", "v", "zero", "resolution")
SOURCE = (
    "ISO 7500-1, the table of permitted values for each class: read at second hand and "
    "remembered alike, not compared with the printed standard"
)


class Limits(msgspec.Struct, frozen=True):
    """The largest errors of a class, in per cent.

    Attributes:
        q_percent: accuracy: indicated less true, over true; the mean of the increasing runs.
        b_percent: repeatability: the largest q of the increasing runs less the smallest.
        v_percent: reversibility: decreasing less increasing indication, over true, without sign.
        zero_percent: what is indicated when all is taken off, over the range's maximum.
        resolution_percent: the smallest difference that can be told, over true.
    """

    q_percent: float
    b_percent: float
    v_percent: float
    zero_percent: float
    resolution_percent: float


# By class, the finest first. Source and standing: SOURCE.
CLASSES: dict[str, Limits] = {
    "0.5": Limits(0.5, 0.5, 0.75, 0.05, 0.25),
    "1": Limits(1.0, 1.0, 1.5, 0.1, 0.5),
    "2": Limits(2.0, 2.0, 3.0, 0.2, 1.0),
    "3": Limits(3.0, 3.0, 4.5, 0.3, 1.5),
}


class StepErrors(msgspec.Struct, frozen=True):
    """The errors at one step of true load, as in Limits; None where they were not measured."""

    true_n: float
    q_percent: float | None
    b_percent: float | None
    v_percent: float | None
    zero_percent: float | None
    resolution_percent: float | None

    @property
    def columns(self) -> tuple[float | None, ...]:
        """The five errors in the order of COLUMNS."""
        return astuple(self)[1:]

    @property
    def class_met(self) -> str | None:
        """The finest class whose limits every measured error keeps, the worst one deciding.

        None where even the coarsest class's limits are passed, or nothing was measured.
        """
        if all(error is None for error in self.columns):
            return None
        return next((name for name in CLASSES if not self.columns_over(name)), None)

    def columns_over(self, class_name: str) -> tuple[Column, ...]:
        """Return the columns in which the errors pass a class's limits."""
        limits = astuple(CLASSES[class_name])
        return tuple(
            column
            for column, error, limit in zip(COLUMNS, self.columns, limits, strict=True)
            if error is not None and abs(error) > limit
        )


class ClassRange(msgspec.Struct, frozen=True):
    """A class whose limits the errors would meet, from a load up to the largest step, N."""

    name: str
    low_n: float
    high_n: float


class PartCard(msgspec.Struct, frozen=True):
    """One part of a calibration, as the book keeps it, with its age when the card was drawn."""

    part_id: str
    made_utc: str
    age_days: float
    part: NewPart

    @property
    def unit(self) -> str:
        """The unit of what the curve gives."""
        return "N" if self.part.kind == "load" else "mm"

    @property
    def over_unit(self) -> str:
        """The unit of what it is a curve over."""
        return "N" if self.part.kind == "flex" else "count"

    @property
    def told_points(self) -> list[dict[str, object]]:
        """The points, without what they do not have."""
        rows = (asdict(point).items() for point in self.part.points)
        return [{key: it for key, it in row if it is not None} for row in rows]

    @property
    def coefficients_u(self) -> list[float]:
        """The standard uncertainty (k = 1) of each coefficient."""
        return [float(u) for u in np.sqrt(np.diag(self.part.fit.covariance))]

    @property
    def correlation(self) -> list[list[float]]:
        """The correlation of the coefficients, shape (p, p); 0 for one that is certain."""
        covariance, sd = np.array(self.part.fit.covariance), np.array(self.coefficients_u)
        scale = np.outer(sd, sd)
        found = np.divide(covariance, scale, out=np.zeros_like(scale), where=scale > 0.0)
        np.fill_diagonal(found, 1.0)
        return [[float(each) for each in row] for row in found]


class Trust(msgspec.Struct, frozen=True):
    """From the smallest mass to the largest, the most (k = 2) that a steady load may be out."""

    low_n: float
    high_n: float
    load_u_n: float


class Card(msgspec.Struct, frozen=True):
    """A calibration card.

    Attributes:
        calibration_id: None while load or travel is still to be calibrated.
        gravity_m_s2: what the masses were taken to press with.
        runs: of increasing masses, the most at one mass.
        noise_counts: of one sample, by the newest check; None where there was none, so that the
            resolution is a count alone.
        budget: of a typical reading; None while the travel is still to be calibrated.
        check: the newest check of this calibration; None where there was none.
        zeros: the strokes' zeros of the newest session.
        rests_n, cups_meet_mm: as the user says of the cups; None where not told.
        rests_of_sets: in N, by name, of the sets with cups of their own.
        other_rigs: those whose load is calibrated in the book, too.
        calibrated_here: whether this bench has a rig of its own; else the card is another bench's.
        kept_rests: the strokes that have another weight in their loads than is told now.
    """

    calibration_id: str | None
    parts: tuple[PartCard, ...]
    gravity_m_s2: float
    steps: tuple[StepErrors, ...]
    ranges: tuple[ClassRange, ...]
    runs: int
    noise_counts: float | None
    trust: Trust | None
    budget: Budget | None
    check: PastCheck | None
    trend: Trend | None
    warnings: tuple[Finding, ...]
    zeros: tuple[ZeroMove, ...] = ()
    rests_n: float | None = None
    rests_of_sets: Mapping[str, float] = msgspec.field(default_factory=dict)
    kept_rests: tuple[KeptRests, ...] = ()
    cups_meet_mm: float | None = None
    other_rigs: tuple[str, ...] = ()
    calibrated_here: bool = True

    @property
    def load(self) -> PartCard:
        """The load's part, which every card has."""
        return self.parts[0]

    @property
    def iso7500(self) -> dict[str, object]:
        """Its errors beside the standard's limits."""
        return {
            "source": SOURCE,
            "limits": CLASSES,
            "steps": self.steps,
            "would_meet": self.ranges,
            "increasing_runs": self.runs,
        }

    @classmethod
    def of(
        cls,
        calibration_id: str | None,
        parts: Sequence[tuple[str, str, NewPart]],
        now_utc: str,
        *,
        noise_counts: float | None = None,
        budget: Budget | None = None,
        check: PastCheck | None = None,
        trend: Trend | None = None,
        warnings: tuple[Finding, ...] = (),
        zeros: tuple[ZeroMove, ...] = (),
    ) -> Card:
        """Work out a card; parts are id, time and content of the load, then of travel and flex."""
        cards = tuple(
            PartCard(part_id, made_utc, days_between(made_utc, now_utc), part)
            for part_id, made_utc, part in parts
        )
        load = cards[0].part
        gravity = gravity_of(load)
        resolution_n = _resolution_of(load.fit, noise_counts)
        steps = _step_errors(load.points, load.fit, gravity, resolution_n)
        return cls(
            calibration_id,
            cards,
            gravity,
            steps,
            _class_ranges(steps),
            max((len(_readings(load.points, kg, "up")) for kg in _masses(load.points)), default=0),
            noise_counts,
            _trust(load, gravity),
            budget,
            check,
            trend,
            warnings,
            zeros,
        )


def _resolution_of(fit: PolynomialFit, noise_counts: float | None) -> float:
    """Return the smallest difference of load that can be told, N: a count, and the noise's sway."""
    per_count_n = float(np.max(np.abs(slope(fit, [fit.x_min, fit.x_max]))))
    sway = 0.0 if noise_counts is None else SWAY_SDS * noise_counts
    return per_count_n * (1.0 + sway)


def _step_errors(
    points: Sequence[PointRow], fit: PolynomialFit, gravity_m_s2: float, resolution_n: float
) -> tuple[StepErrors, ...]:
    """Return the errors at each mass above nothing, ascending.

    Indicated is what the curve makes of the counts, less what it makes of the first reading with
    nothing on, as before each stroke; true is the mass times gravity.
    """
    empty, masses_kg, zero_percent, steps = _readings(points, 0.0), _masses(points), None, []
    tare_n = float(value(fit, empty[0])) if empty else 0.0
    if masses_kg and len(empty) > 1:  # what is indicated when all is taken off again
        off_n = float(np.max(np.abs(value(fit, empty[1:]) - tare_n)))
        zero_percent = off_n / (masses_kg[-1] * gravity_m_s2) * 100.0
    for mass_kg in masses_kg:
        true_n = mass_kg * gravity_m_s2
        up, down = (
            _accuracy_percent(value(fit, _readings(points, mass_kg, way)) - tare_n, true_n)
            for way in ("up", "down")
        )
        q = float(up.mean()) if up.size else None
        v = abs(float(down.mean() - up.mean())) if up.size and down.size else None
        resolution = resolution_n / true_n * 100.0
        b = _repeatability_percent(up)
        steps.append(StepErrors(true_n, q, b, v, zero_percent, resolution))
    return tuple(steps)


def _accuracy_percent(indicated_n: ArrayLike, true_n: ArrayLike) -> NDArray[np.float64]:
    true = np.asarray(true_n, dtype=np.float64)
    return (np.asarray(indicated_n, dtype=np.float64) - true) / true * 100.0


def _repeatability_percent(q_percent: NDArray[np.float64]) -> float | None:
    return float(np.ptp(q_percent)) if q_percent.size > 1 else None


def _trust(load: NewPart, gravity_m_s2: float) -> Trust | None:
    masses = _masses(load.points)
    if len(masses) < 2:
        return None
    low_n, high_n = masses[0] * gravity_m_s2, masses[-1] * gravity_m_s2
    return Trust(low_n, high_n, float(np.max(2.0 * _load_u_n(load, gravity_m_s2))))


def _load_u_n(load: NewPart, gravity_m_s2: float) -> NDArray[np.float64]:
    """Return the standard uncertainty (k = 1) of a steady load at each mass above nothing, N.

    The curve from zero with its coefficients correlated (JCGM 100:2008, 5.2.2), a bend it may
    hide, the scatter of a reading about it, and the masses.
    """
    masses = np.array(_masses(load.points))
    counts = np.array([np.mean(_readings(load.points, mass)) for mass in masses])
    zero = _zero_counts(load.points, load.fit)
    _, curve_u_n = evaluate(load.fit, counts, minus_x=zero)
    hidden_n = hidden_departure(load.fit, counts, minus_x=zero)
    of_masses_n = load.reference_u_relative * masses * gravity_m_s2
    return np.sqrt(curve_u_n**2 + hidden_n**2 + load.fit.residual_sd**2 + of_masses_n**2)


def _masses(points: Sequence[PointRow]) -> list[float]:
    return sorted({point.mass_kg for point in points if point.mass_kg})


def _readings(points: Sequence[PointRow], mass_kg: float, way: str | None = None) -> list[float]:
    return [
        point.load_counts
        for point in points
        if point.mass_kg == mass_kg
        and point.load_counts is not None
        and way in (None, "up" if point.direction is None else point.direction)
    ]


def _zero_counts(points: Sequence[PointRow], fit: PolynomialFit) -> float:
    """Where nothing is on the cell: as read, else the end of the range nearer to no load."""
    empty = _readings(points, 0.0)
    if empty:
        return empty[0]
    ends = np.array([fit.x_min, fit.x_max])
    return float(ends[np.argmin(np.abs(value(fit, ends)))])


def _class_ranges(steps: Sequence[StepErrors]) -> tuple[ClassRange, ...]:
    """Return over which loads each class's limits would be met, the finest class first.

    A range reaches from its lowest step without a break to the largest, as the standard has it; a
    coarser class that adds nothing to a finer one's range is left out.
    """
    ascending = sorted(steps, key=lambda step: step.true_n)
    ranges: list[ClassRange] = []
    for name in CLASSES:
        over = [bool(step.columns_over(name)) for step in ascending]
        kept = ascending[len(over) - over[::-1].index(True) :] if True in over else ascending
        if kept and (not ranges or kept[0].true_n < ranges[-1].low_n):
            ranges.append(ClassRange(name, kept[0].true_n, ascending[-1].true_n))
    return tuple(ranges)
