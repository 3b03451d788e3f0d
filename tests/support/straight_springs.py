"""Sets of straight springs, and plans to assign them to valves."""

from collections.abc import Sequence

import numpy as np
from msgspec.structs import replace

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.engine.assignment import Assignment
from coilbench.analysis.engine.assignment_levels import assign
from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.build_parsing import parse_build
from coilbench.analysis.engine.placed import SetCurves
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep

SEAT_N, OPEN_N, SEAT_TOLERANCE_N, OPEN_TOLERANCE_N, LIFT_MM = 300.0, 600.0, 20.0, 30.0, 10.0
Straight = tuple[float, float]  # free length in mm, rate in N/mm


def spring(label: str, free_mm: float, rate: float, low_mm: float = 5.0) -> SpringCurve:
    """A straight spring, read from its free length down and known to be straight between."""
    read = Branch(np.array([free_mm, low_mm]), np.array([0.0, rate * (free_mm - low_mm)]))
    none = Branch(np.array([]), np.array([]))
    sweep = Sweep("0", label, Origin.KEYED, read, none, 1.0, 0.0, 0.0)
    curve = fit_curve(label, [sweep], free_length_mm=free_mm)
    (fit,) = curve.sweeps
    straight = fit.loading._replace(bend=np.zeros_like(fit.loading.bend))
    return replace(curve, sweeps=(replace(fit, loading=straight),))


def spring_set(
    name: str,
    role: str,
    springs: Sequence[Straight],
    solid_mm: float | None = 10.0,
    low_mm: float = 5.0,
) -> SetCurves:
    low_mm = max(low_mm, solid_mm or 0.0)  # no spring is read below where it is solid
    curves = [spring(f"{name}-{at:02}", *one, low_mm) for at, one in enumerate(springs, 1)]
    return SetCurves(name, role, tuple(curves), solid_mm)


def plan(
    heights_mm: Sequence[float] = (40.0,),
    *,
    shims: Sequence[tuple[float, int | None]] = (),
    head: str = "",
    limits: str = "",
    inner: bool = True,
    outers: Sequence[str] = ("larch",),
) -> BuildFile:
    valves = "\n".join(f'"{at}" = "{height} mm"' for at, height in enumerate(heights_mm, 1))
    stock = "\n".join(
        f'[[shims]]\nthickness = "{thickness} mm"' + ("" if n is None else f"\ncount = {n}")
        for thickness, n in shims
    )
    return parse_build(
        f"""
        [cam]
        name = "card"
        valve_lift = "{LIFT_MM} mm"
        seat_load = "{SEAT_N} N"
        seat_tolerance = "{SEAT_TOLERANCE_N} N"
        open_load = "{OPEN_N} N"
        open_tolerance = "{OPEN_TOLERANCE_N} N"
        [springs]
        outer = {list(outers)}
        {'inner = ["heron"]' if inner else ""}
        [limits]
        {limits}
        [head]
        inner_offset = "2 mm"
        {head}
        {"[head.valves]" if heights_mm else ""}
        {valves}
        {stock}
        """,
        "six.toml",
    )


def solve(build: BuildFile, *sets: SetCurves, effort: str = "shims") -> Assignment:
    sizes = {each.name: len(each.curves) for each in sets}
    return assign(build, {each.name: each for each in sets}, sizes, effort)  # type: ignore[arg-type]
