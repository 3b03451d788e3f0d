"""Calibration points: a known mass, length or block and what the rig showed at it. Pure."""

from __future__ import annotations

from typing import Literal, NamedTuple

import msgspec

ASSUMED_MASS_U_RELATIVE = 0.001  # expanded, k = 2: common practice, no source
ASSUMED_GAUGE_U_MM = 0.02  # expanded, k = 2: a block measured with a caliper; ours, no source
FEWEST_SAMPLES = 60  # of a press; fewer are single readings, or too few to show a lag. Ours
Direction = Literal["up", "down"]
# How masses err: each by itself (certified one by one), or together (from one box, or unknown).
MassesErr = Literal["each", "together"]

# A drill press and its cell give by some 0.1 mm to 2 mm under 1000 N; the stiffest valve springs by
# five times as much and more. Ours, no source.
MOST_GIVE_MM_PER_N = 0.005
LEAST_GIVE_MM_PER_N = 0.00003  # a third of the stiffest press


def mass_u_kg(mass_kg: float, u_kg: float | None) -> float:
    """Return a mass's standard uncertainty (k = 1) from its expanded one, assumed where None."""
    return (ASSUMED_MASS_U_RELATIVE * mass_kg if u_kg is None else u_kg) / 2.0


class LoadPoint(msgspec.Struct, frozen=True):
    """A known mass on the cell."""

    mass_kg: float  # 0 or more
    counts: float
    direction: Direction = "up"  # whether the mass was reached going up or down
    u_kg: float | None = None  # expanded uncertainty (k = 2) of the mass; None: unknown

    @property
    def standard_u_kg(self) -> float:
        """Standard uncertainty (k = 1) of the mass, assumed where it is not known."""
        return mass_u_kg(self.mass_kg, self.u_kg)


class GaugePoint(msgspec.Struct, frozen=True):
    """A known length between the faces."""

    length_mm: float  # the gauge's length, 0 or more (0: the faces touch)
    counts: float
    u_mm: float | None = None  # expanded uncertainty (k = 2) of the length; None: unknown

    @property
    def standard_u_mm(self) -> float:
        """Standard uncertainty (k = 1) of the length, assumed where it is not known."""
        return (ASSUMED_GAUGE_U_MM if self.u_mm is None else self.u_mm) / 2.0


class FlexPoint(msgspec.Struct, frozen=True):
    """A reading while pressing on a solid block.

    Attributes:
        load_counts, travel_counts: one sample, or the mean of some.
        direction: whether the load was rising or falling; None: rising up to the largest load
            of the series, in the order of the points, and falling after it.
    """

    load_counts: float
    travel_counts: float
    direction: Direction | None = None


class Zero(NamedTuple):
    """Load counts with nothing pressed; read_utc in ISO 8601."""

    read_utc: str
    counts: float
