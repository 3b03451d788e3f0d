"""The build file: cam, head, shims, limits, candidate sets, wires and valve train. Pure.

Each section is read into a class; a key is the attribute's name without its unit.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Annotated, Any, Literal, get_args

import msgspec
from msgspec import Meta, structs

from coilbench.analysis.engine.cam import (
    Cam,
    CamTable,
    Positive,
    Text,
    read_cam,
)
from coilbench.analysis.engine.coil import WIRES, Wire
from coilbench.analysis.engine.head import (
    Head,
    Side,
    card_sources,
    check_heights,
    read_sides,
    with_valves,
)
from coilbench.analysis.engine.toml_source import (
    KeyPath,
    LengthMm,
    LengthMmOrZero,
    LoadN,
    Quantity,
    Share,
    SmallMm,
    Source,
    Table,
)
from coilbench.capture import units
from coilbench.capture.blocks import Finding

MOST_CHOICES = 2000  # seat cuts, or stacks of shims: more is a typing error, not a plan

Under = Literal["both", "outer", "inner"]  # which of a valve's springs a shim lies under
UNDERS: tuple[Under, ...] = get_args(Under)

_Names = Annotated[tuple[Text, ...], Meta(min_length=1)]
_Count = Annotated[int, Meta(ge=0, le=1_000_000)]


class StepN(LoadN):
    """A scale's smallest step, N."""

    like = "0.1 kg"


class MassG(Quantity):
    """A mass, g."""

    parse, like = staticmethod(units.parse_mass_g), "42.5 g"


class StressMpa(Quantity):
    """A stress, MPa."""

    parse, like = staticmethod(units.parse_stress_mpa), "1900 MPa"


class Shim(Table, frozen=True):
    """Shims of one thickness, which is good to thickness_u_mm (expanded, k = 2).

    Count is how many there are, None for as many as needed; under is which springs they lower.
    """

    thickness_mm: SmallMm
    count: _Count | None = None
    under: Text = "both"  # one of UNDERS
    thickness_u_mm: SmallMm | None = None


class Limits(Table, frozen=True):
    """What must be kept; the lengths are common practice, no source: 1 to 1.5 mm, 0.05 in.

    The margin is that of each spring at full lift, the clearance the retainer's to the guide. The
    loss allowance is what springs lose hot and in time: both loads asked for are raised by that
    share of them.
    """

    coil_bind_margin_mm: LengthMmOrZero = LengthMmOrZero(1.2)
    max_shims: _Count = 2  # under one valve
    min_clearance_mm: LengthMmOrZero = LengthMmOrZero(1.3)
    loss_allowance: Share = Share()


class Springs(Table, frozen=True):
    """Names of the candidate sets; inner is empty for single springs."""

    outer: _Names
    inner: _Names = ()


class WireGiven(Table, frozen=True):
    """What is known of one set's wire; a tensile strength comes before the material's table."""

    material: Text | None = None
    tensile_mpa: StressMpa | None = msgspec.field(default=None, name="tensile_strength")
    shot_peened: bool | None = None
    shear_modulus_mpa: StressMpa | None = None
    spring_mass_g: MassG | None = None  # one spring, weighed

    @property
    def wire(self) -> Wire | None:
        """The wire of its material."""
        return None if self.material is None else WIRES[self.material]


class ValveTrain(Table, frozen=True):
    """What moves one valve.

    The lift table is a CSV file beside the build file. Masses are by part: those that move as
    the valve does (a rocker with its moment of inertia about its pivot over its arm there squared),
    and those that move as the lobe lifts.
    """

    lift_table: Text | None = None
    rocker_ratio: Positive | None = None
    lash_mm: LengthMmOrZero | None = None
    masses_g: dict[str, Any] = msgspec.field(default_factory=dict)
    cam_side_masses_g: dict[str, Any] = msgspec.field(default_factory=dict)
    weighing_u_g: MassG | None = None  # expanded uncertainty, k = 2, of each mass


class ScaleGiven(Table, frozen=True):
    """The scale that the springs are pressed on by hand; step is its smallest."""

    name: Text | None = None
    step_n: StepN | None = None


@dataclass(frozen=True)
class BuildFile:
    """A build file, checked.

    Attributes:
        cam: the card of all valves; where they differ, the first valve's: use cam_of.
        notes: what was assumed.
        wires: one for each set.
        scale: what readings by hand are taken on; the book says whether it was weighed.
        train: as the valve or lobe of `cam` has it.
        sides: by valve whose card it has; empty where one serves all.
        by_card: the same build for the valves of each card; empty where one serves all.
    """

    name: str
    cam: Cam
    head: Head
    shims: tuple[Shim, ...]
    limits: Limits
    springs: Springs
    notes: tuple[Finding, ...]
    wires: Mapping[str, WireGiven]
    train: ValveTrain
    scale: ScaleGiven = field(default_factory=ScaleGiven)
    sides: Mapping[str, Side] = field(default_factory=dict)
    by_card: tuple[BuildFile, ...] = ()

    @property
    def cards(self) -> tuple[BuildFile, ...]:
        """This build, or where cards differ, the build for the valves of each of them."""
        return self.by_card or (self,)

    def cam_of(self, valve: str) -> Cam:
        """Return a valve's card."""
        side = self.sides.get(valve)
        return next((each.cam for each in self.cards if each.cam.side == side), self.cam)

    @property
    def title(self) -> str:
        """The cam's name, whichever valves it is for."""
        side = self.cam.side
        return self.cam.name if side is None else self.cam.name.removesuffix(f", {side}")

    @property
    def clearance_mm(self) -> float | None:
        """Retainer to guide at full lift, the least known of all valves; None where none is."""
        known_mm = [
            mm - card.cam.valve_lift_mm
            for card in self.cards
            for mm in card.head.clearances_mm.values()
            if mm is not None
        ]
        return round(min(known_mm), 6) if known_mm else None

    def of_valves(self, heights_mm: Mapping[str, float]) -> BuildFile:
        """Return it for some of its valves alone, each at its height."""
        mean_mm = LengthMm(math.fsum(heights_mm.values()) / len(heights_mm))
        own = {v: mm for v, mm in self.head.retainer_clearances_mm.items() if v in heights_mm}
        head = structs.replace(
            self.head,
            installed_height_mm=mean_mm,
            valves=dict(heights_mm),
            retainer_clearances_mm=own,
        )
        return replace(self, head=head, by_card=())

    @property
    def greatest_lift_mm(self) -> float:
        """The greatest valve lift of all cards."""
        return max(each.cam.valve_lift_mm for each in self.cards)


class _File(Table, frozen=True):
    """The whole file as it stands, seen by one card."""

    cam: CamTable
    head: Head
    springs: Springs
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
    sources = card_sources(source, named)
    files = {side: each.read(_File, ()) for side, each in sources.items()}
    sides = read_sides(source, parted=None not in sources)
    builds = [_build(each, files[side], side, sides) for side, each in sources.items()]
    used = [each for each in builds if each.cam.side is None or each.cam.side in sides.values()]
    if len(used) == 1:
        return replace(used[0], sides=sides)
    first = next(each for each in used if each.cam.side == next(iter(sides.values())))
    head = with_valves(source, next(iter(files.values())).head, None, sides)
    notes = {repr(note): note for each in used for note in each.notes}
    return replace(first, head=head, notes=tuple(notes.values()), sides=sides, by_card=tuple(used))


def _build(source: Source, file: _File, side: Side | None, sides: Mapping[str, Side]) -> BuildFile:
    """Check a file as one card sees it, for the valves that the card is for."""
    _check_names(source, file.springs)
    cam = read_cam(source, file.cam, side, file.limits.loss_allowance)
    head = with_valves(source, file.head, side, sides)
    check_heights(source, head, cam.valve_lift_mm, paired=bool(file.springs.inner))
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
        file.springs,
        tuple(_notes(source, file, cam)),
        wires,
        train,
        file.scale,
    )


def _check_names(source: Source, springs: Springs) -> None:
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
    return tuple(structs.replace(shim, under="both") for shim in file.shims)


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
    for name in file.wire:
        if name not in (*file.springs.outer, *file.springs.inner):
            what = f"no set {name!r} is named under [springs]"
            source.refuse(("wire", name), what, "Write it like [wire.larch], with a set's name")
    wires = source.read_each(WireGiven, ("wire",))
    for name, given in wires.items():
        if given.material is not None and given.material not in WIRES:
            what = f"{given.material!r} is not in the table of wires"
            hint = f"Known: {', '.join(WIRES)}; or leave it out and give tensile_strength"
            source.refuse(("wire", name, "material"), what, hint)
    names = (*file.springs.outer, *file.springs.inner)
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
    return structs.replace(
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
