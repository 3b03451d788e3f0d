"""A cam's lobe: its base circle and nose against the core, and what a reground one takes up. Pure.

Geometry: from heel to nose a lobe is as high as its base circle's diameter and its lift together.
A lobe that doesn't stand proud of the core all round stops a lifter that should turn on it, and
wrecks both (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from coilbench.capture.blocks import Finding


@dataclass(frozen=True)
class Lobe:
    """A lobe's dimensions, all in mm, as given; None where not.

    Attributes:
        height_mm: heel to nose.
        given_base_circle_mm: diameter of the base circle, where it is given itself.
        lift_mm: the lobe's own lift.
        core_mm: diameter of the cam's core beside the lobe.
        old_base_circle_mm: diameter of the base circle of the cam that was in the engine before.
        rocker_ratio: valve lift over lobe lift.
    """

    height_mm: float | None = None
    given_base_circle_mm: float | None = None
    lift_mm: float | None = None
    core_mm: float | None = None
    old_base_circle_mm: float | None = None
    rocker_ratio: float | None = None

    @property
    def base_circle_mm(self) -> float | None:
        """Diameter of the base circle: as given, else the lobe's height less its lift."""
        if self.height_mm is None or self.lift_mm is None:
            return self.given_base_circle_mm
        return round(self.height_mm - self.lift_mm, 6)

    @property
    def base_proud_mm(self) -> float | None:
        """How far the base circle stands above the core: half the difference of diameters."""
        if self.base_circle_mm is None or self.core_mm is None:
            return None
        return round((self.base_circle_mm - self.core_mm) / 2.0, 6)

    @property
    def nose_proud_mm(self) -> float | None:
        """How far the nose stands above the core: the base circle and the lift above that."""
        if self.base_proud_mm is None or self.lift_mm is None:
            return None
        return round(self.base_proud_mm + self.lift_mm, 6)

    @property
    def lower_mm(self) -> float | None:
        """How much lower the lifter sits than before: half the difference of diameters."""
        if self.base_circle_mm is None or self.old_base_circle_mm is None:
            return None
        return round((self.old_base_circle_mm - self.base_circle_mm) / 2.0, 6)

    @property
    def lower_at_valve_mm(self) -> float | None:
        """What that is at the valve, times the rocker ratio; None where that isn't known."""
        if self.lower_mm is None or self.rocker_ratio is None:
            return None
        return round(self.lower_mm * self.rocker_ratio, 6)


def lobe_findings(lobe: Lobe) -> Iterator[Finding]:
    """Yield how the lobe stands to the core, how the base circle has changed, or what to ask."""
    base_mm = lobe.base_circle_mm
    if lobe.base_proud_mm is not None:
        kind = "lobe_proud" if lobe.base_proud_mm > 0.0 else "lobe_not_proud"
        yield Finding.of(
            kind,
            base_circle_mm=base_mm,
            core_diameter_mm=lobe.core_mm,
            base_proud_mm=lobe.base_proud_mm,
            nose_proud_mm=lobe.nose_proud_mm,
        )
    else:
        yield Finding.of("lobe_unknown", base_circle_mm=base_mm, core_diameter_mm=lobe.core_mm)
    if lobe.lower_mm is not None:
        yield Finding.of(
            "base_circle_changed",
            base_circle_mm=base_mm,
            old_base_circle_mm=lobe.old_base_circle_mm,
            lower_mm=lobe.lower_mm,
            lower_at_valve_mm=lobe.lower_at_valve_mm,
        )
