"""Reading a build file: its cards, its head and valves, shims, wires and valve train. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

import msgspec
from msgspec.structs import replace

from coilbench.analysis.engine.build_file import (
    EVERY,
    UNDERS,
    BuildFile,
    Limits,
    MassG,
    ScaleGiven,
    Shim,
    Springs,
    SpringsGiven,
    ValveTrain,
    WireGiven,
)
from coilbench.analysis.engine.cam import Cam, CamTable
from coilbench.analysis.engine.coil import WIRES
from coilbench.analysis.engine.head import SIDES, Head, Side
from coilbench.analysis.engine.toml_source import (
    KeyPath,
    LengthMm,
    LengthMmOrZero,
    Source,
    Table,
)
from coilbench.capture.blocks import Finding

MOST_CHOICES = 2000  # seat cuts, or stacks of shims: more is a typing error, not a plan


class _ValveTable(Table, frozen=True):
    """One valve of [head.valves] that says more than its height; None for the head's own."""

    height_mm: LengthMm | None = None
    cam: str | None = None


class _File(Table, frozen=True):
    """The whole file as it stands, seen by one card."""

    cam: CamTable
    head: Head
    springs: SpringsGiven
    shims: tuple[Shim, ...] = ()
    limits: Limits = Limits()
    wire: dict[str, Any] = msgspec.field(default_factory=dict)
    valve_train: ValveTrain = ValveTrain()
    scale: ScaleGiven = ScaleGiven()


def parse_build(text: str, name: str) -> BuildFile:
    """Read a build file.

    Args:
        text: TOML; quantities are texts with units, a decimal comma is allowed in them.
        name: the file's name, for messages.

    Raises:
        CoilbenchError: not TOML, unknown or missing keys, a missing unit, a wrong type or an
            impossible value. It names the file, the line and the key.
    """
    source = Source(name, text.removeprefix("\ufeff"))
    valves = source.at("head", "valves")
    listed = valves.values() if isinstance(valves, dict) else ()
    named = {str(valve.get("cam")) for valve in listed if isinstance(valve, dict)}
    sources = _card_sources(source, named)
    files = {side: each.read(_File, ()) for side, each in sources.items()}
    sides = _read_sides(source, parted=None not in sources)
    builds = [_build(each, files[side], side, sides) for side, each in sources.items()]
    used = [each for each in builds if each.cam.side is None or each.cam.side in sides.values()]
    if len(used) == 1:
        return replace(used[0], sides=sides)
    first = next(each for each in used if each.cam.side == next(iter(sides.values())))
    head = _with_valves(source, next(iter(files.values())).head, None, sides)
    notes = {repr(note): note for each in used for note in each.notes}
    return replace(first, head=head, notes=tuple(notes.values()), sides=sides, by_card=tuple(used))


def _build(source: Source, file: _File, side: Side | None, sides: Mapping[str, Side]) -> BuildFile:
    """Check a file as one card sees it, for the valves that the card is for."""
    _check_springs(source, file.springs)
    springs = Springs.of(file.springs)
    cam = file.cam.read(source, side, file.limits.loss_allowance)
    head = _with_valves(source, file.head, side, sides)
    _check_heights(source, head, cam.valve_lift_mm, paired=springs.paired)
    shims = _shims(source, file)
    _check_choices(source, file)
    wires, train = _wires(source, file), _train(source, file)
    lobe = replace(cam.lobe, rocker_ratio=train.rocker_ratio)
    return BuildFile(
        source.name,
        replace(cam, lobe=lobe),
        head,
        shims,
        file.limits,
        springs,
        tuple(_notes(source, file, cam)),
        wires,
        train,
        file.scale,
    )


def _check_springs(source: Source, given: SpringsGiven) -> None:
    for role in ("outer", "inner"):
        named = getattr(given, role)
        if isinstance(named, str) and named != EVERY:
            hint = f'Write a list like ["larch"], or "{EVERY}" for every {role} set of the book'
            source.refuse(("springs", role), f"{named!r:.60} is not a list of sets", hint)
    springs = Springs.of(given)
    if given.where is not None and not springs.every:
        hint = f'Write outer = "{EVERY}", or leave where out'
        source.refuse(("springs", "where"), "where selects from every set of the book", hint)
    low_mm, high_mm = springs.where.read_down_to_mm, springs.where.read_up_to_mm
    if low_mm is not None and high_mm is not None and low_mm >= high_mm:
        what = "read_down_to is not below read_up_to"
        source.refuse(("springs", "where", "read_down_to"), what, "Check both heights")
    names = (*springs.outer, *springs.inner)
    for index, name in enumerate(names):
        if name in names[:index]:
            path = ("springs", "outer" if index < len(springs.outer) else "inner")
            hint = "Name each set once, as outer or as inner"
            source.refuse(path, f"the set {name!r} is named twice", hint)


def _shims(source: Source, file: _File) -> tuple[Shim, ...]:
    """Check which springs shims lie under; under a single spring that is always the same."""
    for index, shim in enumerate(file.shims):
        path: KeyPath = ("shims", index, "under")
        if shim.under not in UNDERS:
            hint = f"Write {', '.join(repr(each) for each in UNDERS)}"
            source.refuse(path, f"{shim.under!r:.60} is no place for a shim", hint)
        if shim.under == "inner" and not file.springs.inner:
            hint = "Name the inner sets under springs.inner, or leave under out"
            source.refuse(path, "there is no inner spring to lie under", hint)
        thickness_u_mm = shim.thickness_u_mm or 0.0
        if thickness_u_mm >= shim.thickness_mm:
            given = source.at("shims", index, "thickness_u")
            what = f"{given!r} is not less than the shim is thick"
            hint = 'Give how well its thickness is known (k = 2), like "0.02 mm"'
            source.refuse(("shims", index, "thickness_u"), what, hint)
    if file.springs.inner:
        return file.shims
    return tuple(replace(shim, under="both") for shim in file.shims)


def _check_choices(source: Source, file: _File) -> None:
    """Refuse shims given twice, and more choices than can be tried."""
    deepest_mm, step_mm = file.head.max_seat_cut_mm, file.head.seat_cut_step_mm
    if deepest_mm > MOST_CHOICES * step_mm:
        what = f"up to {deepest_mm:g} mm in steps of {step_mm:g} mm is over {MOST_CHOICES} choices"
        source.refuse(("head", "max_seat_cut"), what, "Lower max_seat_cut or widen seat_cut_step")
    for index, shim in enumerate(file.shims):
        before = [s for s in file.shims[:index] if s.under == shim.under or not file.springs.inner]
        if any(math.isclose(shim.thickness_mm, s.thickness_mm) for s in before):
            what = f"shims of {shim.thickness_mm:g} mm are given twice"
            source.refuse(("shims", index, "thickness"), what, "Add their counts in one [[shims]]")
    kinds, most = len(file.shims), file.limits.max_shims
    if kinds and math.comb(kinds + min(most, MOST_CHOICES), kinds) > MOST_CHOICES:
        what = f"{kinds} thicknesses, up to {most} under a valve: over {MOST_CHOICES} stacks"
        source.refuse(("limits", "max_shims"), what, "Lower max_shims or leave thicknesses out")


def _wires(source: Source, file: _File) -> dict[str, WireGiven]:
    springs = Springs.of(file.springs)
    names = (*springs.outer, *springs.inner)
    for name in file.wire:
        if name not in names and not springs.every:
            what = f"no set {name!r} is named under [springs]"
            source.refuse(("wire", name), what, "Write it like [wire.larch], with a set's name")
    wires = source.read_each(WireGiven, ("wire",))
    for name, given in wires.items():
        if given.material is not None and given.material not in WIRES:
            what = f"{given.material!r} is not in the table of wires"
            hint = f"Known: {', '.join(WIRES)}; or leave it out and give tensile_strength"
            source.refuse(("wire", name, "material"), what, hint)
    return dict.fromkeys(names, WireGiven()) | wires


def _train(source: Source, file: _File) -> ValveTrain:
    """Read the valve train; rocker ratio and lash may stand in [cam] instead."""
    train, cam = file.valve_train, file.cam
    for key in ("rocker_ratio", "lash"):
        if source.at("cam", key) and source.at("valve_train", key):
            what = f"{key} = {source.at('valve_train', key)!r} is given in [cam] too"
            source.refuse(("valve_train", key), what, "Leave one of them out")
    ratio = train.rocker_ratio if cam.rocker_ratio is None else cam.rocker_ratio
    at_valve_g = source.read_each(MassG, ("valve_train", "masses"))
    at_cam_g = source.read_each(MassG, ("valve_train", "cam_side_masses"))
    if at_cam_g and ratio is None:
        what = "what parts on the cam's side weigh at the valve depends on the rocker ratio"
        hint = "Add rocker_ratio, 1.0 for parts that move as the valve does"
        source.refuse(("valve_train", "cam_side_masses"), what, hint)
    lash_mm = train.lash_mm if cam.lash_mm is None else cam.lash_mm
    return replace(
        train, rocker_ratio=ratio, lash_mm=lash_mm, masses_g=at_valve_g, cam_side_masses_g=at_cam_g
    )


def _notes(source: Source, file: _File, cam: Cam) -> Iterator[Finding]:
    """Yield what was assumed."""
    limits = file.limits
    yield from file.cam.notes(cam)
    if file.springs.inner and source.at("head", "inner_offset") is None:
        yield Finding.of("inner_offset_assumed", offset_mm=0.0)
    if source.at("limits", "coil_bind_margin") is None:
        yield Finding.of("coil_bind_margin_assumed", limit_mm=float(limits.coil_bind_margin_mm))
    if file.shims and source.at("limits", "max_shims") is None:
        yield Finding.of("max_shims_assumed", shims=limits.max_shims)
    clearances = file.head.retainer_clearance_mm, *file.head.retainer_clearances_mm
    if clearances != (None,) and source.at("limits", "min_clearance") is None:
        yield Finding.of("min_clearance_assumed", limit_mm=float(limits.min_clearance_mm))


def _card_sources(source: Source, named: set[str]) -> dict[Side | None, Source]:
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


def _read_sides(source: Source, *, parted: bool) -> dict[str, Side]:
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


def _with_valves(source: Source, head: Head, side: Side | None, sides: Mapping[str, Side]) -> Head:
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
    head = replace(head, retainer_clearances_mm=of_side)
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
    return replace(head, installed_height_mm=mean_mm, valves=heights_mm)


def _check_heights(source: Source, head: Head, lift_mm: float, *, paired: bool) -> None:
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
