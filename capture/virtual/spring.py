"""A coil spring's load over height: soft ends, coil bind, friction, a crack, its set. Pure.

The springs belong to no real engine: their figures are invented and plausible.
"""

from __future__ import annotations

from functools import lru_cache

import msgspec
import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from coilbench.capture.errors import CoilbenchError
from coilbench.capture.root import root_between
from coilbench.capture.virtual.instrument import recur

_ROOT_MM = 1e-11  # of a height that is solved for


class SpringModel(msgspec.Struct, frozen=True):
    """One spring.

    Its mean load is a sum of smooth terms over depth d = free length - height:
    rate (d - s e (1 - exp(-d/e))) for soft ends, a ramp that begins at the crack's depth, and
    a steep ramp that begins at solid height. Every term has a closed form.
    """

    free_length_mm: float  # height at no load
    rate_n_per_mm: float  # the rate once the end coils lie flat
    solid_height_mm: float  # height where all coils touch
    soft_fraction: float = 0.4  # how much softer it is at first touch (s, 0 to 1)
    soft_mm: float = 0.5  # the depth over which the softness fades (e)
    bind_n_per_mm: float = 1500.0  # rate added by coils that touch
    bind_mm: float = 0.08  # how sharp coil bind sets in
    friction_fraction: float = 0.012  # half the width of the friction loop, over the load
    reversal_mm: float = 0.25  # travel over which friction turns round
    crack_depth_mm: float | None = None  # where the rate changes; None for a whole spring
    crack_rate_ratio: float = 1.0  # the rate below the crack's depth over the rate above it
    first_set_mm: float = 0.06  # how much longer it is before its first press
    set_decay: float = 0.3  # what is left of that after each press, as a fraction

    def __post_init__(self) -> None:
        if not 0.0 < self.solid_height_mm < self.free_length_mm:
            raise CoilbenchError(
                f"a spring {self.free_length_mm} mm free can't be {self.solid_height_mm} mm solid",
                hint="Give a solid height above 0 and below the free length",
            )

    def load_n(self, height_mm: NDArray[np.float64] | float) -> NDArray[np.float64]:
        """Return the true load at heights of any shape: no friction, worked in; 0 while free."""
        depth = np.maximum(self.free_length_mm - np.asarray(height_mm, dtype=np.float64), 0.0)
        lost_mm = self.soft_fraction * self.soft_mm * -np.expm1(-depth / self.soft_mm)
        load = self.rate_n_per_mm * (depth - lost_mm)
        if self.crack_depth_mm is not None:
            change = self.rate_n_per_mm * (self.crack_rate_ratio - 1.0)
            load = load + change * _ramp(depth, self.crack_depth_mm, _CRACK_MM)
        solid_depth = self.free_length_mm - self.solid_height_mm
        return load + self.bind_n_per_mm * _ramp(depth, solid_depth, self.bind_mm)

    def pressed_load_n(
        self, height_mm: NDArray[np.float64], presses_before: int = 1000
    ) -> NDArray[np.float64]:
        """Return what it pushes along a path of heights, with friction and its set.

        Args:
            height_mm: shape (n,), in time order, beginning above the free length.
            presses_before: how often it was pressed before; the first presses push harder.
        """
        unset_mm = self.first_set_mm * self.set_decay**presses_before
        effective_mm = height_mm - unset_mm
        depth = np.maximum(self.free_length_mm - effective_mm, 0.0)
        step = np.diff(depth, prepend=0.0)
        drag = recur(np.abs(step) / self.reversal_mm, np.sign(step), 0.0)
        return self.load_n(effective_mm) * (1.0 + self.friction_fraction * drag)

    def after(self, presses: int) -> SpringModel:
        """Return it as so many presses leave it."""
        return replace(self, first_set_mm=self.first_set_mm * self.set_decay**presses)

    def height_at_load(self, load_n: float) -> float:
        """Return the height at which its true load is load_n, above 0, mm."""
        return root_between(
            lambda mm: float(self.load_n(mm)) - load_n, 0.0, self.free_length_mm, _ROOT_MM
        )

    def lowest_height_mm(self, load_n: float) -> float:
        """Return a height above which it never pushes more than load_n, friction and set in."""
        return _height_at_load(self, load_n / (1.0 + self.friction_fraction)) + self.first_set_mm


@lru_cache(maxsize=64)  # it is pressed again and again
def _height_at_load(spring: SpringModel, load_n: float) -> float:
    return spring.height_at_load(load_n)


_CRACK_MM = 0.3


def _ramp(depth: NDArray[np.float64], knee_mm: float, width_mm: float) -> NDArray[np.float64]:
    """Return a smooth max(depth - knee, 0) that is exactly 0 at no depth, mm."""
    soft = np.logaddexp(0.0, (depth - knee_mm) / width_mm)
    at_touch = np.logaddexp(0.0, -knee_mm / width_mm)
    return np.asarray(width_mm * (soft - at_touch), dtype=np.float64)


OUTER = SpringModel(free_length_mm=53.0, rate_n_per_mm=16.0, solid_height_mm=24.5)
INNER = SpringModel(free_length_mm=45.5, rate_n_per_mm=9.0, solid_height_mm=21.5)


def draw_set(
    nominal: SpringModel, count: int, seed: int, *, tired: int = 0, cracked: int = 0
) -> tuple[SpringModel, ...]:
    """Draw a set of used springs around a nominal one.

    Rate scatters by about 0.6 %, free length by 0.08 mm, solid height by 0.1 mm (invented, but
    well inside the 5 to 10 % that a usable set keeps: common practice, no source). A tired
    spring is 8 to 12 % softer and 0.8 to 1.4 mm shorter; a cracked one loses 18 to 25 % of its
    rate from about 40 % of its deflection on.

    Args:
        tired, cracked: how many of them are so; which ones is drawn.

    Raises:
        CoilbenchError: more odd springs than springs.
    """
    if tired + cracked > count:
        raise CoilbenchError(
            f"{tired} tired and {cracked} cracked springs don't fit in a set of {count}",
            hint="Ask for fewer odd ones or a larger set",
        )
    rng = np.random.default_rng([seed, 0x5E7])
    springs = [
        replace(
            nominal,
            free_length_mm=nominal.free_length_mm + rng.normal(0.0, 0.08),
            rate_n_per_mm=nominal.rate_n_per_mm * (1.0 + rng.normal(0.0, 0.006)),
            solid_height_mm=nominal.solid_height_mm + rng.normal(0.0, 0.1),
            friction_fraction=nominal.friction_fraction * rng.uniform(0.7, 1.3),
            soft_mm=nominal.soft_mm * rng.uniform(0.8, 1.3),
        )
        for _ in range(count)
    ]
    odd = rng.permutation(count)[: tired + cracked]
    for place in odd[:tired]:
        springs[place] = replace(
            springs[place],
            rate_n_per_mm=springs[place].rate_n_per_mm * rng.uniform(0.88, 0.92),
            free_length_mm=springs[place].free_length_mm - rng.uniform(0.8, 1.4),
        )
    for place in odd[tired:]:
        deflection_mm = springs[place].free_length_mm - springs[place].solid_height_mm
        springs[place] = replace(
            springs[place],
            crack_depth_mm=deflection_mm * rng.uniform(0.37, 0.43),
            crack_rate_ratio=rng.uniform(0.75, 0.82),
        )
    return tuple(springs)
