"""What a build file says, checked: cam, head, shims, limits, candidate sets. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from coilbench.analysis.limits.limits_section import NOTHING_GIVEN, LimitsGiven

ROUNDING = 1e-9  # N or mm: what lies just on a limit is inside it, whatever the last bit says


@dataclass(frozen=True)
class Cam:
    """What the cam card asks for.

    Attributes:
        name: the card's name.
        valve_lift_mm: lift at the valve.
        seat_load_n, open_load_n: loads with the valve shut and at full lift.
        seat_tolerance_n, open_tolerance_n: how far each may be away, either way.
        max_rpm: engine speed, revolutions per minute; None where it isn't given.
    """

    name: str
    valve_lift_mm: float
    seat_load_n: float
    seat_tolerance_n: float
    open_load_n: float
    open_tolerance_n: float
    max_rpm: float | None

    @property
    def implied_rate_n_per_mm(self) -> float:
        """The rate the card implies: (open - seat) / lift."""
        return (self.open_load_n - self.seat_load_n) / self.valve_lift_mm

    def fits(self, seat_n: float, open_n: float) -> bool:
        """Tell whether both loads are inside the tolerances; what lies just on one is."""
        return (
            abs(seat_n - self.seat_load_n) <= self.seat_tolerance_n + ROUNDING
            and abs(open_n - self.open_load_n) <= self.open_tolerance_n + ROUNDING
        )

    def distance(self, seat_n: float, open_n: float) -> float:
        """Return how far two loads are from the card's, each in its tolerance, squared, summed."""
        seat = (seat_n - self.seat_load_n) / self.seat_tolerance_n
        full = (open_n - self.open_load_n) / self.open_tolerance_n
        return seat * seat + full * full


@dataclass(frozen=True)
class Head:
    """The heights the springs stand at.

    Attributes:
        installed_height_mm: the outer's, valve shut; the mean over the valves where each has
            its own.
        valve_heights_mm: by valve; empty where one height serves all.
        inner_offset_mm: the inner's height is the outer's less this.
        max_seat_cut_mm: how deep a spring seat may be cut; 0 for not at all.
        seat_cut_step_mm: the steps to consider.
        valve_count: how many valves there are; None where it isn't given.
        retainer_clearance_mm: retainer to guide or its seal, valve shut; None where it isn't
            given. What is done under the springs doesn't change it.
    """

    installed_height_mm: float
    valve_heights_mm: Mapping[str, float]
    inner_offset_mm: float
    max_seat_cut_mm: float
    seat_cut_step_mm: float
    valve_count: int | None = None
    retainer_clearance_mm: float | None = None

    @property
    def lowest_height_mm(self) -> float:
        """The outer's installed height at the valve where it is least."""
        return min(self.valve_heights_mm.values(), default=self.installed_height_mm)


@dataclass(frozen=True)
class Shim:
    """Shims of one thickness; count is how many there are, None for as many as needed."""

    thickness_mm: float
    count: int | None


@dataclass(frozen=True)
class Limits:
    """What must be kept.

    Attributes:
        coil_bind_margin_mm: least open height less solid height, for each spring.
        max_shims: most shims under one valve.
        min_clearance_mm: least distance from retainer to guide at full lift.
    """

    coil_bind_margin_mm: float
    max_shims: int
    min_clearance_mm: float


@dataclass(frozen=True)
class Springs:
    """Names of the candidate sets; inner is empty for single springs."""

    outer: tuple[str, ...]
    inner: tuple[str, ...]


@dataclass(frozen=True)
class BuildFile:
    """A build file, checked.

    Attributes:
        name: the file's name.
        notes: what wasn't given and was assumed, in words.
        given: wires and valve train, for the limits.
    """

    name: str
    cam: Cam
    head: Head
    shims: tuple[Shim, ...]
    limits: Limits
    springs: Springs
    notes: tuple[str, ...]
    given: LimitsGiven = NOTHING_GIVEN

    @property
    def clearance_mm(self) -> float | None:
        """Retainer to guide at full lift; None where it isn't given with the valve shut."""
        shut_mm = self.head.retainer_clearance_mm
        return None if shut_mm is None else round(shut_mm - self.cam.valve_lift_mm, 6)
