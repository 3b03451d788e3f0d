"""What to check on the engine itself before it turns under power, with what the sheet knows. Pure.

The list is common practice, no source. Each item says who knows its limits.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

from coilbench.analysis.inputs.sheet import Sheet
from coilbench.analysis.report.build_text import lobes_of
from coilbench.analysis.report.document import describe, first_few
from coilbench.analysis.report.units import Units

MACHINIST = "a qualified engine machinist"


@dataclass(frozen=True)
class EngineCheck:
    """One thing to check: what, what to do and what is known of it, whose word decides."""

    what: str
    how: str
    asks: str


class LoadSpan(NamedTuple):
    """From the least to the greatest of some loads, N."""

    least_n: float
    most_n: float


def outer_alone(sheet: Sheet) -> tuple[LoadSpan, LoadSpan] | None:
    """Return what the outers give without their inners, valve shut and at full lift.

    Over all valves; where springs aren't named, over every spring of the sets. None for single
    springs, and where an outer wasn't read there.
    """
    if not sheet.valves or any(row.inner is None for row in sheet.valves):
        return None
    shut_n: list[float] = []
    open_n: list[float] = []
    outers = [line for line in sheet.lines if line.role == "outer"]
    for row in sheet.valves:
        label = None if row.outer.spring is None else row.outer.spring.rpartition("/")[2]
        for line in outers:
            if label is not None and line.name not in (label, row.outer.spring):
                continue
            load_n = dict(zip(line.heights_mm, line.loads_n, strict=True))
            if row.outer.height_mm not in load_n or row.outer.open_height_mm not in load_n:
                return None
            shut_n.append(load_n[row.outer.height_mm])
            open_n.append(load_n[row.outer.open_height_mm])
    if not shut_n:
        return None
    return LoadSpan(min(shut_n), max(shut_n)), LoadSpan(min(open_n), max(open_n))


def engine_checks(sheet: Sheet, units: Units) -> tuple[EngineCheck, ...]:
    """Return the list, in the order in which an engine goes together."""
    return tuple(_checks(sheet, units))


def _checks(sheet: Sheet, units: Units) -> Iterator[EngineCheck]:
    build = sheet.build
    lift = units.length_text(build.greatest_lift_mm)
    lobes = {
        changed: "; ".join(
            f"{whose and f'{whose}: '}{describe(finding, units)}"
            for whose, finding in lobes_of(build)
            if (finding.kind == "base_circle_changed") is changed
        )
        for changed in (False, True)
    }
    yield EngineCheck(
        "Base circle and lobe",
        f"measure both against the core on every lobe. By the build file: {lobes[False]}",
        "the cam grinder",
    )
    yield EngineCheck(
        "Lash and pushrods",
        "a reground cam's smaller base circle takes up length in the valve train. By the build "
        f"file: {lobes[True] or 'not known, cam.old_base_circle is not given'}",
        f"the cam grinder and {MACHINIST}",
    )
    yield EngineCheck(
        "Valve to piston",
        f"with the new lift, {lift}: measure intake and exhaust through the whole overlap, turned "
        "by hand, with light springs; the clearance wanted is not in this sheet",
        f"the engine maker, the cam grinder and {MACHINIST}",
    )
    clear = "not known here"
    if build.clearance_mm is not None:
        clear = f"{units.length_text(build.clearance_mm)} by the build file"
    yield EngineCheck(
        "Retainer to guide and seal",
        f"at full lift on every valve: {clear}, at least "
        f"{units.length_text(build.limits.min_clearance_mm)} asked for",
        f"the cam grinder and {MACHINIST}",
    )
    yield EngineCheck("Coil bind", _bind(sheet, units), f"the spring's maker and {MACHINIST}")
    yield EngineCheck(
        "Lifters that turn",
        "mark each flat tappet, turn the engine over by hand, and see every one turn in its bore; "
        "one that doesn't will wear its lobe away",
        "the cam grinder",
    )
    yield EngineCheck(
        "Break-in of flat tappets", _break_in(sheet, units), "the cam grinder and the engine maker"
    )
    yield EngineCheck(
        "Retorque and lash",
        "after the first heat, engine cold or hot as the maker says: head, rockers, lash; then "
        "measure the springs again and compare the sets",
        "the engine maker",
    )


def _bind(sheet: Sheet, units: Units) -> str:
    """Say how near each set comes, or that it isn't known."""
    known = [one for one in sheet.margins if one.margin_mm is not None]
    unknown = first_few([one.set_name for one in sheet.margins if one.margin_mm is None])
    said = "turn the engine by hand to full lift on every valve and see the coils still apart"
    if known:
        least = min(known, key=lambda one: one.margin_mm or 0.0)
        said += (
            f"; least on this sheet {units.length_text(least.margin_mm)}, of {least.set_name} at "
            f"valve {least.valve}"
        )
    return f"{said}; not known of {unknown}" if unknown else said


def _break_in(sheet: Sheet, units: Units) -> str:
    """Say what the outers alone give: a reduced load for the first minutes of a flat tappet."""
    alone = outer_alone(sheet)
    told = "only if the cam has flat tappets; on reduced load, with the oil the cam grinder names"
    if all(row.inner is None for row in sheet.valves):
        return f"{told}; single springs leave nothing out, so ask how to reduce the load"
    if alone is None:
        return f"{told}; what the outers alone give was not measured"
    shut, full = (
        f"{units.load_text(span.least_n)} to {units.load_text(span.most_n)}" for span in alone
    )
    return (
        f"{told}. With the inners left out the outers alone give {shut} shut and {full} at full "
        "lift: that holds a valve only at low speed. Put the inners in before any other running"
    )
