"""The guide for the load: one mass after the other on the cell. Pure.

A spring that is pressed stands as still as a mass. A mass does not move the quill; where the travel
does not tell, the loads' ratios do, and what the calibration before reads.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.blocks import Finding, RawBlock, SampleFlag
from coilbench.capture.calibration.checks import Standards
from coilbench.capture.calibration.guide import HoldGuide, Line
from coilbench.capture.calibration.known_points import ASSUMED_MASS_U_RELATIVE, LoadPoint
from coilbench.capture.calibration.polynomial import slope
from coilbench.capture.calibration.standing import StandingLoad
from coilbench.capture.calibration.steady import Hold
from coilbench.capture.unit_factors import KGF_N

Array = NDArray[np.float64]

# Common practice, no source.
_ABSENT = int(SampleFlag.TRAVEL_ABSENT)
EMPTY_SDS = 10.0  # closer to an earlier reading than this is still the same
SAME_SHARE = 0.002  # of a load: what a cell creeps while the same mass stands on it
FRICTION_SHARE = 0.003  # of the largest load: what a cell that bends or rubs is off a line by
# What an empty cell comes back to: of the largest load, and what its zero wanders meanwhile.
BACK_SHARE, BACK_KG, BACK_SDS = 0.001, 0.03, 4.0
WRONG_SHARE_OF_SMALL = 0.5  # a mass below 0.2 kg reads at least half of itself
# A mass on the cell does not move the quill. In mm where the scale states its step, else in counts.
QUILL_MM, QUILL_COUNTS = 0.2, 20.0


class WeighGuide(HoldGuide):
    """Reads the load cell under one mass after the other; 0 is nothing on it.

    An empty cell between two masses is no reading, and neither is the last mass still standing.

    Args:
        masses_kg: the first is 0, by which an empty cell is known.
        masses_u: what each may be wrong by, expanded (k = 2), as a fraction.
        standing: an earlier calibration of this rig; None without one.
        mm_per_count: of the travel, as the scale states it; None where it is not known.
        travel_from: the first of the taken whose travel counts from the same zero as those to come.
    """

    def __init__(
        self,
        masses_kg: Sequence[float],
        taken: Sequence[Hold] = (),
        *,
        masses_u: float = ASSUMED_MASS_U_RELATIVE,
        standing: StandingLoad | None = None,
        mm_per_count: float | None = None,
        travel_from: int = 0,
    ) -> None:
        tasks = [Finding.of("put_mass", mass_kg=mass_kg) for mass_kg in masses_kg]
        super().__init__(tasks, masses_kg, "load", taken, _kg_per_count(standing))
        self._masses_u = masses_u
        self._before = self._standing = standing
        self._mm_per_count = mm_per_count
        self._travel_from = travel_from
        self._has_travel = False

    @property
    def points(self) -> list[LoadPoint]:
        """What was read; a mass smaller than the one before it was reached going down."""
        masses_kg = self._values[: len(self.holds)]
        before_kg = (*masses_kg[:1], *masses_kg[:-1])
        return [
            LoadPoint(mass_kg, hold.load_counts, "up" if mass_kg >= earlier_kg else "down")
            for mass_kg, earlier_kg, hold in zip(masses_kg, before_kg, self.holds, strict=True)
        ]

    @property
    def zero_note(self) -> Finding | None:
        """Return what speaks against the first zero, or that nothing told of it; None if it fits.

        Whatever lies on the cell all the time is on the masses' line as well.
        """
        if self._before is None or not self.holds:
            return Finding("zero_unchecked")
        left_kg = self._before.left_on_kg(self.holds[0].load_counts)
        return None if left_kg is None else Finding.of("zero_off", left_kg=left_kg)

    def loads_n(self, counts: Array) -> Array | None:
        """Return loads by the points so far, shape (n,); None while those don't tell."""
        line = self._line()
        if line is None:
            return None
        known_kg, known_counts = line.ends[0]
        return KGF_N * (known_kg + line.per_count * (counts - known_counts))

    def feed(self, block: RawBlock) -> list[Finding]:
        """Take the next samples; returns what it read from them."""
        if len(block):
            absent = block.samples["flags"] & _ABSENT
            self._has_travel = not absent.any()
        return super().feed(block)

    @property
    def _same_again(self) -> Finding:
        """What stands there still is a mass only where the last reading was one."""
        at = self.taken
        if self._values[at - 1] == 0.0:
            return self._cell_empty
        return Finding("mass_still_on")

    @property
    def _cell_empty(self) -> Finding:
        return Finding.of("cell_empty", mass_kg=self._values[self.taken])

    def _passed_over(self, hold: Hold) -> Finding | None:
        empties = self._empties()
        wanted_kg = self._values[len(self.holds)]
        if wanted_kg and empties and _near(hold, empties[-1], empties[-1]):
            return self._cell_empty
        return super()._passed_over(hold)

    def _doubt(self, hold: Hold) -> Finding | None:
        wanted_kg, line = self._values[self.taken], self._line()
        doubt = self._quill_moved(hold)
        if doubt is None and wanted_kg == 0.0:
            return self._not_empty(hold)
        if doubt is None and line is not None and len(line.ends) > 1:
            doubt = super()._doubt(hold)
        return doubt or self._by_standing(hold)

    def _quill_moved(self, hold: Hold) -> Finding | None:
        """Return that the quill is not where it was with nothing on the cell: it presses there."""
        empties = self._empties(self._travel_from)
        if not self._has_travel or not empties:
            return None
        moved_counts = hold.travel_counts - empties[-1].travel_counts
        moved_mm = None if self._mm_per_count is None else abs(moved_counts * self._mm_per_count)
        still = abs(moved_counts) <= QUILL_COUNTS if moved_mm is None else moved_mm <= QUILL_MM
        if still:
            return None
        return Finding.of("quill_moved", moved_mm=moved_mm, moved_counts=abs(moved_counts))

    def _not_empty(self, hold: Hold) -> Finding | None:
        """Return that something lies on a cell that should be empty, by an earlier reading."""
        empties, line = self._empties(), self._line()
        if not empties:
            left_kg = (
                None if self._standing is None else self._standing.left_on_kg(hold.load_counts)
            )
            return None if left_kg is None else Finding.of("left_on", left_kg=left_kg, since=False)
        if line is None:
            return None
        left_kg = line.per_count * (hold.load_counts - empties[0].load_counts)
        noise_kg = abs(line.per_count) * hold.load_sd_counts / math.sqrt(hold.n)
        largest_kg = max(known_kg for known_kg, _ in line.ends)
        if abs(left_kg) <= max(BACK_SHARE * largest_kg, BACK_KG, BACK_SDS * noise_kg):
            return None
        return Finding.of("left_on", left_kg=left_kg, since=True)

    def _by_standing(self, hold: Hold) -> Finding | None:
        """Return that the calibration before reads another mass."""
        empties = self._empties()
        if self._standing is None or not empties:
            return None
        wanted_kg = self._values[self.taken]
        seems_kg, u_kg = self._standing.mass_kg(hold.load_counts, empties[-1].load_counts)

        def slack(one_kg: float) -> float:
            stated_kg = math.hypot(self._u_of(one_kg), u_kg)
            most_kg = max(stated_kg + FRICTION_SHARE * one_kg, BACK_KG)
            return min(most_kg, WRONG_SHARE_OF_SMALL * one_kg) if one_kg else most_kg

        if abs(seems_kg - wanted_kg) <= slack(wanted_kg):
            return None
        refused = self._refused(seems_kg, slack)
        return Finding("point_refused", {**refused.facts, "standing": True})

    def _overruled(self, doubt: Finding) -> None:
        """A calibration that is said to be wrong is not asked again."""
        if doubt.facts.get("standing"):
            self._standing = None

    def _may_be_taken(self, doubt: Finding) -> bool:
        return doubt.kind != "quill_moved"

    def _u_of(self, known: float) -> float:
        return self._masses_u * known

    def _limit(self, points: Standards) -> float:
        return FRICTION_SHARE * points.span + 2.0 * float(points.u.max())

    def _slack(self, wanted: float, seems: float, line: Line) -> float:
        u_ends = [self._u_of(known_kg) for known_kg, _ in line.ends]
        largest_kg = max(wanted, *(known_kg for known_kg, _ in line.ends))
        stated_kg = math.hypot(self._u_of(wanted), line.u_at(seems, u_ends))
        slack_kg = max(stated_kg + FRICTION_SHARE * largest_kg, BACK_KG)
        return min(slack_kg, WRONG_SHARE_OF_SMALL * wanted) if wanted else slack_kg

    def _same(self, hold: Hold) -> bool:
        empties = self._empties()
        return _near(hold, self.holds[-1], empties[-1] if empties else None)

    def _empties(self, since: int = 0) -> list[Hold]:
        pairs = list(zip(self._values, self.holds, strict=False))
        return [hold for mass_kg, hold in pairs[since:] if not mass_kg]

    def _reading(self, hold: Hold, seems: float | None) -> Finding:
        counts, noise = hold.load_counts, hold.load_sd_counts
        return Finding.of("load_read", counts=counts, noise_counts=noise, seems_kg=seems)


def _kg_per_count(standing: StandingLoad | None) -> float | None:
    if standing is None:
        return None
    middle = 0.5 * (standing.fit.x_min + standing.fit.x_max)
    return float(slope(standing.fit, middle)) / standing.gravity_m_s2


def _near(hold: Hold, other: Hold, empty: Hold | None) -> bool:
    """Tell whether two holds are of the same load, creep allowed for."""
    creep = 0.0 if empty is None else SAME_SHARE * abs(other.load_counts - empty.load_counts)
    apart = abs(hold.load_counts - other.load_counts)
    return apart < max(EMPTY_SDS * other.load_sd_counts, creep)
