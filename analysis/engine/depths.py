"""At which heights pairing and assignment will read each set, and how deep to press there. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import ClassVar

import msgspec

from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.coil import SpringSize
from coilbench.analysis.engine.reasons import SET_KEY, End
from coilbench.analysis.engine.shims import Role, SeatOptions
from coilbench.analysis.engine.valve_loads import Standing, outward_mm, valves_of
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.tables.keyed import SOLID_KEPT_MM

MOST_LISTED = 4  # heights; more are a span, whose ends are read and what is between interpolated


class DepthRow(msgspec.Struct, frozen=True):
    """Where one set will be read at one end of the lift.

    Attributes:
        role: outer or inner, as the build file names it.
        heights_mm: ascending, of every valve over every stack and cut; where they are many the two
            ends alone, rounded outward to the quill's step. Those within SOLID_KEPT_MM of a known
            solid height, or below where coils begin to close, are left out.
        depths_mm: free length less each height; None where the free length isn't known; negative
            where the spring would stand loose.
        span: whether the heights are the ends of a span.
        too_low_mm: the lowest height that was left out; None where none was.
        solid_height_mm: known, or where coils begin to close if that is higher.
    """

    in_json: ClassVar = SET_KEY
    set_name: str
    role: str
    at: End
    heights_mm: tuple[float, ...]
    depths_mm: tuple[float, ...] | None
    span: bool
    too_low_mm: float | None
    solid_height_mm: float | None


def depth_rows(build: BuildFile, sizes: Mapping[str, SpringSize]) -> tuple[DepthRow, ...]:
    """List where each candidate set will be read, with the valve shut and at full lift.

    Raises:
        CoilbenchError: a candidate set is not among the sizes.
    """
    valves = valves_of(build, 1)
    choices = SeatOptions.of(build, len(valves)).mixed()
    named: list[tuple[Role, str]] = [("outer", name) for name in build.springs.outer]
    named += [("inner", name) for name in build.springs.inner]
    rows = []
    for role, name in named:
        if name not in sizes:
            raise CoilbenchError(
                f"there is no set {name!r}",
                where=f"{build.name}, springs.{role}",
                hint="See: coilbench set list",
            )
        changes_mm = Standing.of(build, choices, role).changes_mm
        ends: tuple[End, ...] = ("seat", "open")
        for at in ends:
            heights_mm = {
                round(
                    valve.height_mm
                    + change_mm
                    - (valve.cam.valve_lift_mm if at == "open" else 0.0),
                    6,
                )
                for valve in valves
                for change_mm in changes_mm
            }
            rows.append(_row(name, role, at, sorted(heights_mm), sizes[name]))
    return tuple(rows)


def _row(name: str, role: str, at: End, heights_mm: list[float], size: SpringSize) -> DepthRow:
    solid_mm = -math.inf if size.solid_mm is None else size.solid_mm + SOLID_KEPT_MM
    lowest_mm = max(solid_mm, -math.inf if size.closing_mm is None else size.closing_mm)
    safe = [mm for mm in heights_mm if mm >= lowest_mm]
    too_low_mm = heights_mm[0] if len(safe) < len(heights_mm) else None
    span = len(safe) > MOST_LISTED
    if span:
        safe = [max(outward_mm(safe[0], -1), lowest_mm), outward_mm(safe[-1], 1)]
    listed = tuple(safe)
    depths_mm = None
    if size.free_mm is not None:
        depths_mm = tuple(round(size.free_mm - mm, 6) for mm in listed)
    kept_mm = size.solid_mm if lowest_mm == solid_mm else size.closing_mm
    return DepthRow(name, role, at, listed, depths_mm, span, too_low_mm, kept_mm)
