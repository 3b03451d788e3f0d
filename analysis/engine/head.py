"""The head: the heights that the springs stand at, and whose card each valve has. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Annotated, Any, Literal, get_args

import msgspec
from msgspec import Meta, structs

from coilbench.analysis.engine.toml_source import (
    MOST,
    KeyPath,
    LengthMm,
    LengthMmOrZero,
    SmallMm,
    Source,
    Table,
)

Side = Literal["intake", "exhaust"]  # whose card a valve has
SIDES: tuple[Side, ...] = get_args(Side)

_ValveCount = Annotated[int, Meta(ge=1, le=64)]


class SignedLengthMm(LengthMm):
    """A length of either sign, mm."""

    least = -MOST


class Head(Table, frozen=True):
    """The heights the springs stand at.

    The installed height is the outer's, valve shut, the mean over the valves where each has its
    own; the inner's is that less inner_offset_mm. height_u_mm is its expanded uncertainty, k = 2.
    The retainer's clearance is to the guide or its seal, valve shut: what is done under the
    springs doesn't change it. Valves may have their own.
    """

    installed_height_mm: LengthMm = LengthMm()
    height_u_mm: SmallMm | None = None
    valves: _ValveCount | dict[str, Any] = msgspec.field(default_factory=dict)
    inner_offset_mm: SignedLengthMm = SignedLengthMm()
    max_seat_cut_mm: LengthMmOrZero = LengthMmOrZero()
    seat_cut_step_mm: LengthMm = LengthMm(0.1)
    retainer_clearance_mm: LengthMmOrZero | None = None
    retainer_clearances_mm: dict[str, Any] = msgspec.field(default_factory=dict)

    @classmethod
    def also_required(cls, table: Mapping[str, Any]) -> Iterator[str]:
        """Name the installed height where the valves don't have their own."""
        valves = table.get("valves")
        if "installed_height" not in table and not (valves and isinstance(valves, dict)):
            yield "installed_height"

    @property
    def valve_heights_mm(self) -> Mapping[str, float]:
        """Installed heights by valve; empty where one height serves all."""
        return self.valves if isinstance(self.valves, dict) else {}

    @property
    def valve_count(self) -> int | None:
        """How many valves there are; None where it isn't given."""
        return (len(self.valves) if isinstance(self.valves, dict) else self.valves) or None

    @property
    def clearances_mm(self) -> Mapping[str, float | None]:
        """Retainer to guide by valve, shut: "" for those without their own, None where unknown."""
        own = self.retainer_clearances_mm
        all_own = own and len(own) >= (self.valve_count or 0)
        return own if all_own else own | {"": self.retainer_clearance_mm}

    @property
    def middle_height_mm(self) -> float:
        """The installed height of a valve that is nearest to the mean of all."""
        mean_mm, heights_mm = self.installed_height_mm, self.valve_heights_mm.values()
        return min(heights_mm, key=lambda mm: round(abs(mm - mean_mm), 6), default=mean_mm)

    @property
    def lowest_height_mm(self) -> float:
        """The outer's installed height at the valve where it is least."""
        return min(self.valve_heights_mm.values(), default=self.installed_height_mm)


class _ValveTable(Table, frozen=True):
    """One valve of [head.valves] that says more than its height; None for the head's own."""

    height_mm: LengthMm | None = None
    cam: str | None = None


def card_sources(source: Source, named: set[str]) -> dict[Side | None, Source]:
    """Return the file as each card sees it, [cam.intake] or [cam.exhaust] laid over [cam].

    Args:
        source: the file.
        named: the sides that valves name.

    Returns:
        One of None where there are no parts; else those that are given or named.
    """
    table = source.at("cam")
    if not isinstance(table, dict):
        return {None: source}
    for key, part in table.items():
        if isinstance(part, dict) and key not in SIDES:
            source.refuse(("cam", key), "unknown section", "Write [cam.intake] or [cam.exhaust]")
        if key in SIDES and not isinstance(part, dict):
            hint = f"Write its keys under [cam.{key}]"
            source.refuse(("cam", key), f"{part!r:.60} is not a section", hint)
    if not any(side in table for side in SIDES):
        return {None: source}
    return {
        side: source.laid_over("cam", side, _not_used(table, side))
        for side in SIDES
        if side in table or side in named
    }


def _not_used(table: Mapping[str, Any], side: Side) -> tuple[str, ...]:
    """Name the keys of [cam] that a part puts out of force: the parts, and the other's lift."""
    part = table.get(side, {})
    if "valve_lift" in part:
        return *SIDES, "lobe_lift", "rocker_ratio", "lash"
    return (*SIDES, "valve_lift") if "lobe_lift" in part else SIDES


def read_sides(source: Source, *, parted: bool) -> dict[str, Side]:
    """Read whose card each valve has.

    Raises:
        CoilbenchError: there are several cards, and a valve doesn't say.
    """
    valves = source.at("head", "valves")
    found: dict[str, Side] = {}
    for valve, given in valves.items() if isinstance(valves, dict) else ():
        said = given.get("cam") if isinstance(given, dict) else None
        side = next((each for each in SIDES if each == said), None)
        if side is not None:
            found[valve] = side
        elif said is not None:
            hint = f"Write {' or '.join(repr(each) for each in SIDES)}"
            source.refuse(("head", "valves", valve, "cam"), f"{said!r:.60} is no cam", hint)
    if not parted:
        return {}
    silent = [valve for valve in valves if valve not in found] if isinstance(valves, dict) else []
    if silent or not found:
        which = f"these valves do not: {', '.join(map(repr, silent))}" if silent else "none is"
        hint = 'Write each under [head.valves] like "1 in" = {height = "39.1 mm", cam = "intake"}'
        what = f"[cam.intake] or [cam.exhaust] is given, so each valve must say its cam; {which}"
        source.refuse(("head", "valves") if silent else (), what, hint)
    return found


def with_valves(source: Source, head: Head, side: Side | None, sides: Mapping[str, Side]) -> Head:
    """Return the head with the heights of the valves of one side, of all where it is None.

    Raises:
        CoilbenchError: a height can't be, or isn't given.
    """
    own_mm = source.read_each(LengthMmOrZero, ("head", "retainer_clearances"))
    for valve in own_mm:
        if isinstance(head.valves, dict) and head.valves and valve not in head.valves:
            what = f"{valve!r} is no valve of [head.valves]"
            source.refuse(("head", "retainer_clearances", valve), what, "Name the valves alike")
    of_side = {v: mm for v, mm in own_mm.items() if side is None or sides.get(v) == side}
    head = structs.replace(head, retainer_clearances_mm=of_side)
    heights_mm: dict[str, float] = {}
    for valve, given in head.valves.items() if isinstance(head.valves, dict) else ():
        path: KeyPath = ("head", "valves", valve)
        if not isinstance(given, dict):
            height_mm: float = source.read(LengthMm, path)
        else:
            height_mm = source.read(_ValveTable, path).height_mm or head.installed_height_mm
            if not height_mm:
                hint = 'Write height = "38.5 mm", or give installed_height for all valves'
                source.refuse(path, "the valve has no height", hint)
        if side is None or sides.get(valve) == side:
            heights_mm[valve] = float(height_mm)
    if not heights_mm:
        if isinstance(head.valves, dict) and side is not None:
            hint = f'Write cam = "{side}" at its valves under [head.valves], or delete the section'
            source.refuse(("cam", side), "no valve has this cam", hint)
        return head
    mean_mm = LengthMm(math.fsum(heights_mm.values()) / len(heights_mm))
    return structs.replace(head, installed_height_mm=mean_mm, valves=heights_mm)


def check_heights(source: Source, head: Head, lift_mm: float, *, paired: bool) -> None:
    """Refuse installed heights that leave nothing of a spring at full lift.

    Args:
        source: the file.
        head: as read from it, of the valves of one card.
        lift_mm: of that card, at the valve.
        paired: whether there are inner springs.

    Raises:
        CoilbenchError: a height is not above the lift.
    """
    to_check: dict[KeyPath, float] = {
        ("head", "valves", valve): mm for valve, mm in head.valve_heights_mm.items()
    }
    if source.at("head", "installed_height") is not None:
        to_check["head", "installed_height"] = source.read(LengthMm, ("head", "installed_height"))
    offset_mm = max(head.inner_offset_mm, 0.0) if paired else 0.0
    for path, height_mm in to_check.items():
        if height_mm - offset_mm <= lift_mm:
            whose = "the inner's installed height" if offset_mm else "the installed height"
            what = f"{whose} {height_mm - offset_mm:.2f} mm is not above the lift {lift_mm:.2f} mm"
            source.refuse(path, what, "Check installed height, inner_offset and valve lift")
