"""How far to press each set for each check, for a person who reads by hand. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.shims import seat_choices
from coilbench.capture.errors import CoilbenchError


@dataclass(frozen=True)
class DepthRow:
    """How far to press one set over one choice of shims or cut.

    Attributes:
        set_name: the set.
        role: outer or inner, as the build file names it.
        shim_mm, seat_cut_mm: what is under the spring; one of them is 0.
        seat_height_mm, open_height_mm: valve shut and at full lift, mean over the valves.
        seat_depth_mm, open_depth_mm: free length less height; None where the free length isn't
            known; negative where the spring would stand loose.
    """

    set_name: str
    role: str
    shim_mm: float
    seat_cut_mm: float
    seat_height_mm: float
    open_height_mm: float
    seat_depth_mm: float | None
    open_depth_mm: float | None


def depths(build: BuildFile, free_lengths_mm: Mapping[str, float | None]) -> tuple[DepthRow, ...]:
    """List how far to press each candidate set, shims first from none up, then cuts.

    Args:
        build: head, lift, shims and the sets' names.
        free_lengths_mm: by set; None where it isn't known.

    Raises:
        CoilbenchError: a candidate set is not among them.
    """
    head, rows = build.head, []
    choices = seat_choices(build, 1 if head.valve_count is None else head.valve_count)
    named = [("outer", name, 0.0) for name in build.springs.outer]
    named += [("inner", name, head.inner_offset_mm) for name in build.springs.inner]
    for role, name, offset_mm in named:
        if name not in free_lengths_mm:
            raise CoilbenchError(
                f"there is no set {name!r}",
                where=f"{build.name}, springs.{role}",
                hint="See: coilbench set list",
            )
        free_mm = free_lengths_mm[name]
        for choice in choices:
            seat_mm = head.installed_height_mm + choice.height_change_mm - offset_mm
            open_mm = seat_mm - build.cam.valve_lift_mm
            rows.append(
                DepthRow(
                    set_name=name,
                    role=role,
                    shim_mm=choice.shim_mm,
                    seat_cut_mm=choice.seat_cut_mm,
                    seat_height_mm=round(seat_mm, 6),
                    open_height_mm=round(open_mm, 6),
                    seat_depth_mm=None if free_mm is None else round(free_mm - seat_mm, 6),
                    open_depth_mm=None if free_mm is None else round(free_mm - open_mm, 6),
                )
            )
    return tuple(rows)


def to_document(rows: Sequence[DepthRow]) -> dict[str, object]:
    """Return the JSON document of `depths`, in mm."""
    return {
        "depths": [
            {
                "set": row.set_name,
                "role": row.role,
                "shim_mm": row.shim_mm,
                "seat_cut_mm": row.seat_cut_mm,
                "seat_height_mm": row.seat_height_mm,
                "open_height_mm": row.open_height_mm,
                "seat_depth_mm": row.seat_depth_mm,
                "open_depth_mm": row.open_depth_mm,
            }
            for row in rows
        ]
    }
