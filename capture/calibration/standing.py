"""What the calibration before says of a new one, and where it says another thing. Pure.

Whatever all points of a calibration share, a tube too long each or something left on the cell, lies
on a line as well: only what was known before can show it.
"""

from __future__ import annotations

import math

import msgspec
import numpy as np

from coilbench.capture.blocks import Finding
from coilbench.capture.calibration.model import NewPart
from coilbench.capture.calibration.polynomial import PolynomialFit, evaluate, value

# Ours, no source.
EMPTY_OFF_KG = 0.05  # what a zero wanders by from one day to the next, on a cell of 150 kg
STOP_REPEATS_MM = 0.1  # a quill comes back to its stop to some hundredths, with dirt on it to this


def stop_shows(moved_mm: float, u_mm: float) -> bool:
    """Tell whether a quill at its stop shows that the scale did not slip by so much before.

    Args:
        u_mm: expanded uncertainty, k = 2.
    """
    return abs(moved_mm) - u_mm > STOP_REPEATS_MM


class StandingLoad(msgspec.Struct, frozen=True):
    """A load calibration that still holds while masses are read anew.

    Attributes:
        fit: load in N over counts.
        gravity_m_s2: with which its masses became loads.
        u_relative: what its masses may all be wrong by, k = 1, a fraction.
    """

    fit: PolynomialFit
    gravity_m_s2: float
    u_relative: float = 0.0

    def mass_kg(self, counts: float, empty_counts: float) -> tuple[float, float]:
        """Return the mass that makes these counts of an empty cell's, and its U (k = 2), kg."""
        load_n, u_n = evaluate(self.fit, counts, minus_x=empty_counts)
        mass_kg = float(load_n) / self.gravity_m_s2
        u_kg = math.hypot(float(u_n) / self.gravity_m_s2, self.u_relative * mass_kg)
        scatter_kg = self.fit.residual_sd / self.gravity_m_s2
        return mass_kg, 2.0 * math.hypot(u_kg, scatter_kg)

    def left_on_kg(self, counts: float) -> float | None:
        """Return what lies on a cell that is said to be empty; None where it may well be so."""
        load_n, u_n = evaluate(self.fit, counts)
        left_kg = float(load_n) / self.gravity_m_s2
        u_kg = 2.0 * float(u_n) / self.gravity_m_s2
        return left_kg if abs(left_kg) > math.hypot(EMPTY_OFF_KG, u_kg) else None


class StandingTravel(msgspec.Struct, frozen=True):
    """A travel calibration and the counts at the quill's stop, by which another start has its own.

    Attributes:
        fit: height in mm over counts.
        stop_counts: None where they were not kept.
    """

    fit: PolynomialFit
    stop_counts: float | None = None


def stop_note(fit: PolynomialFit, stop_counts: float) -> Finding:
    """Return where the quill's upper stop lies: the next calibration is compared by it."""
    return Finding.of("stop_at", stop_mm=float(value(fit, stop_counts)), stop_counts=stop_counts)


def stop_counts_of(part: NewPart) -> float | None:
    """Return the counts at the quill's stop that a travel part was stored with; None for none."""
    notes = [note for note in part.notes if isinstance(note, Finding) and note.kind == "stop_at"]
    return float(notes[-1]["stop_counts"]) if notes else None


def heights_moved(
    new: StandingTravel, before: StandingTravel, *, same_counts: bool
) -> Finding | None:
    """Compare a new travel calibration with the one before, over the new one's range.

    Args:
        same_counts: whether both count from the same zero: one start of the rig, or a scale that
            keeps its own.

    Returns:
        `heights_agree` or `heights_moved` with the largest difference; None where the two have
        neither the counts nor the stop in common.
    """
    shift, loose_mm = 0.0, 0.0
    if not same_counts:
        if new.stop_counts is None or before.stop_counts is None:
            return None
        shift, loose_mm = new.stop_counts - before.stop_counts, STOP_REPEATS_MM
    counts = np.array([new.fit.x_min, new.fit.x_max])
    now_mm, now_u_mm = evaluate(new.fit, counts)
    then_mm, then_u_mm = evaluate(before.fit, counts - shift)
    step_mm = abs(new.fit.coefficients[1])
    allowed_mm = 2.0 * np.hypot(np.hypot(now_u_mm, then_u_mm), step_mm) + loose_mm
    moved_mm = now_mm - then_mm
    worst = int(np.argmax(np.abs(moved_mm) - allowed_mm))
    kind = "heights_moved" if abs(moved_mm[worst]) > allowed_mm[worst] else "heights_agree"
    return Finding.of(kind, moved_mm=float(moved_mm[worst]), allowed_mm=float(allowed_mm[worst]))
