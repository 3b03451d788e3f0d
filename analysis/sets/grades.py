"""What load tolerance a spring standard's grades would allow, for information. Pure.

The formulae of EN 15800 (before it DIN 2095) for cold-coiled compression springs of round wire,
recalled from memory; sources disagree on the sign of the first term of k_F, which moves the result
by some 4 % at four coils. Nothing is judged by them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from coilbench.analysis.sets.judge import SetCheck

GRADE_FACTORS: Mapping[int, float] = {1: 0.63, 2: 1.0, 3: 1.6}
INDEX_RANGE = (4.0, 20.0)  # coil diameter over wire; the formula's range, from memory
FEWEST_COILS = 2.0


@dataclass(frozen=True)
class Grades:
    """The grades at one height.

    Attributes:
        tolerance_n: allowed deviation of a load, by grade.
        largest_n: the set's largest deviation, from the nominal or else from its middle.
        grade: the strictest grade that holds it; None where none does.
    """

    height_mm: float
    tolerance_n: Mapping[int, float]
    largest_n: float
    grade: int | None


def load_tolerance_n(
    wire_mm: float, coil_diameter_mm: float, active_coils: float, load_n: float
) -> float:
    """Allowed deviation of a load, N, in grade 2: a_F k_F + 1.5 % of the load."""
    w = coil_diameter_mm / wire_mm / 10.0
    bend = -0.84 * w**3 + 3.781 * w**2 - 4.244 * w + 2.274
    a_f = 65.92 * wire_mm**3.3 / coil_diameter_mm**1.6 * bend
    k_f = -1.0 / (3.0 * active_coils**2) + 8.0 / (5.0 * active_coils) + 0.803
    return float(a_f * k_f + 0.015 * load_n)


def set_grades(
    check: SetCheck,
    wire_mm: float | None,
    coil_diameter_mm: float | None,
    active_coils: float | None,
) -> tuple[Grades, ...]:
    """Tell the grades at each height of a check; empty without dimensions or out of range."""
    if wire_mm is None or coil_diameter_mm is None or active_coils is None:
        return ()
    low, high = INDEX_RANGE
    if not low <= coil_diameter_mm / wire_mm <= high or active_coils < FEWEST_COILS:
        return ()
    found = []
    for at, height in enumerate(check.summary):
        aim_n = height.centre.median if height.nominal_n is None else height.nominal_n
        loads = [spring.readings[at].load_n for spring in check.springs]
        largest_n = max(abs(load_n - aim_n) for load_n in loads if load_n is not None)
        middle_n = load_tolerance_n(wire_mm, coil_diameter_mm, active_coils, aim_n)
        allowed = {grade: factor * middle_n for grade, factor in GRADE_FACTORS.items()}
        grade = next((g for g, n in allowed.items() if largest_n <= n), None)
        found.append(Grades(height.height_mm, allowed, largest_n, grade))
    return tuple(found)
