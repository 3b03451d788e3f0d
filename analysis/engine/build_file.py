"""The build file: cam, head, shims, limits, candidate sets, wires and valve train. Pure.

Each section is read into a class; a key is the attribute's name without its unit.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Annotated, Any

from msgspec import Meta, field
from msgspec.structs import replace

from coilbench.analysis.engine.coil import WIRES, Wire
from coilbench.analysis.engine.toml_source import MOST, KeyPath, Quantity, Source, Table
from coilbench.capture import units
from coilbench.capture.blocks import Finding

ROUNDING = 1e-9  # N or mm: what lies just on a limit is inside it, whatever the last bit says
MOST_CHOICES = 2000  # seat cuts, or stacks of shims: more is a typing error, not a plan

_Text = Annotated[str, Meta(pattern=r"\S")]
_Names = Annotated[tuple[_Text, ...], Meta(min_length=1)]
_Count = Annotated[int, Meta(ge=0, le=1_000_000)]
_ValveCount = Annotated[int, Meta(ge=1, le=64)]
_Positive = Annotated[float, Meta(gt=0.0, le=MOST)]


class _LoadN(Quantity):
    parse, like = staticmethod(units.parse_load_n), "34 kg"


class _MassG(Quantity):
    parse, like = staticmethod(units.parse_mass_g), "42.5 g"


class _StressMpa(Quantity):
    parse, like = staticmethod(units.parse_stress_mpa), "1900 MPa"


class _LengthMm(Quantity):
    parse, like = staticmethod(units.parse_length_mm), "38.5 mm"


class _LengthMmOrZero(_LengthMm):
    least = 0.0


class _SignedLengthMm(_LengthMm):
    least = -MOST


class Cam(Table, frozen=True):
    """What the cam card asks for.

    A tolerance is how far a load may be away, either way. The lift is that at the valve, given or
    lobe_lift * rocker_ratio - lash; the lash (clearance) is the one measured at the valve.
    """

    name: _Text
    seat_load_n: _LoadN
    seat_tolerance_n: _LoadN
    open_load_n: _LoadN
    open_tolerance_n: _LoadN
    valve_lift_mm: _LengthMm = _LengthMm()
    lobe_lift_mm: _LengthMm | None = None
    rocker_ratio: _Positive | None = None
    lash_mm: _LengthMmOrZero | None = None
    max_rpm: _Positive | None = None

    @classmethod
    def also_required(cls, table: Mapping[str, Any]) -> Iterator[str]:
        """Name the lift, or what is missing to work it out."""
        if "lobe_lift" not in table and "valve_lift" not in table:
            yield "valve_lift (or lobe_lift, rocker_ratio and lash)"
        if "lobe_lift" in table and "rocker_ratio" not in table:
            yield "rocker_ratio"

    @property
    def implied_rate_n_per_mm(self) -> float:
        """The rate the card implies: (open - seat) / lift."""
        return (self.open_load_n - self.seat_load_n) / self.valve_lift_mm

    def fits(self, seat_n: float, open_n: float) -> bool:
        """Tell whether both loads are inside the tolerances; what lies just on one is."""
        return (
            abs(seat_n - self.seat_load_n) <= self.seat_tolerance_n + ROUNDING
            and abs(open_n - self.open_load_n) <= self.open_tolerance_n + ROUNDING
        )

    def distance(self, seat_n: float, open_n: float) -> float:
        """Return how far two loads are from the card's, each in its tolerance, squared, summed."""
        seat = (seat_n - self.seat_load_n) / self.seat_tolerance_n
        full = (open_n - self.open_load_n) / self.open_tolerance_n
        return seat * seat + full * full


class Head(Table, frozen=True):
    """The heights the springs stand at.

    The installed height is the outer's, valve shut, the mean over the valves where each has its
    own; the inner's is that less inner_offset_mm. The retainer's clearance is to the guide or its
    seal, valve shut: what is done under the springs doesn't change it. Valves may have their own.
    """

    installed_height_mm: _LengthMm = _LengthMm()
    valves: _ValveCount | dict[str, Any] = field(default_factory=dict)
    inner_offset_mm: _SignedLengthMm = _SignedLengthMm()
    max_seat_cut_mm: _LengthMmOrZero = _LengthMmOrZero()
    seat_cut_step_mm: _LengthMm = _LengthMm(0.1)
    retainer_clearance_mm: _LengthMmOrZero | None = None
    retainer_clearances_mm: dict[str, Any] = field(default_factory=dict)

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
    def lowest_height_mm(self) -> float:
        """The outer's installed height at the valve where it is least."""
        return min(self.valve_heights_mm.values(), default=self.installed_height_mm)


class Shim(Table, frozen=True):
    """Shims of one thickness; count is how many there are, None for as many as needed."""

    thickness_mm: _LengthMm
    count: _Count | None = None


class Limits(Table, frozen=True):
    """What must be kept; the lengths are common practice, no source: 1 to 1.5 mm, 0.05 in.

    The margin is that of each spring at full lift, the clearance the retainer's to the guide.
    """

    coil_bind_margin_mm: _LengthMmOrZero = _LengthMmOrZero(1.2)
    max_shims: _Count = 2  # under one valve
    min_clearance_mm: _LengthMmOrZero = _LengthMmOrZero(1.3)


class Springs(Table, frozen=True):
    """Names of the candidate sets; inner is empty for single springs."""

    outer: _Names
    inner: _Names = ()


class WireGiven(Table, frozen=True):
    """What is known of one set's wire; a tensile strength comes before the material's table."""

    material: _Text | None = None
    tensile_mpa: _StressMpa | None = field(default=None, name="tensile_strength")
    shot_peened: bool | None = None
    shear_modulus_mpa: _StressMpa | None = None
    spring_mass_g: _MassG | None = None  # one spring, weighed

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

    lift_table: _Text | None = None
    rocker_ratio: _Positive | None = None
    lash_mm: _LengthMmOrZero | None = None
    masses_g: dict[str, Any] = field(default_factory=dict)
    cam_side_masses_g: dict[str, Any] = field(default_factory=dict)
    weighing_u_g: _MassG | None = None  # expanded uncertainty, k = 2, of each mass


@dataclass(frozen=True)
class BuildFile:
    """A build file, checked; notes are what was assumed, wires are one for each set."""

    name: str
    cam: Cam
    head: Head
    shims: tuple[Shim, ...]
    limits: Limits
    springs: Springs
    notes: tuple[Finding, ...]
    wires: Mapping[str, WireGiven]
    train: ValveTrain

    @property
    def clearance_mm(self) -> float | None:
        """Retainer to guide at full lift, the least known; None where none is given shut."""
        known_mm = [mm for mm in self.head.clearances_mm.values() if mm is not None]
        return round(min(known_mm) - self.cam.valve_lift_mm, 6) if known_mm else None


class _File(Table, frozen=True):
    """The whole file as it stands."""

    cam: Cam
    head: Head
    springs: Springs
    shims: tuple[Shim, ...] = ()
    limits: Limits = Limits()
    wire: dict[str, Any] = field(default_factory=dict)
    valve_train: ValveTrain = ValveTrain()


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
    file = source.read(_File, ())
    _check_names(source, file.springs)
    cam = _with_lift(source, file.cam)
    head = _with_valves(source, file, cam)
    _check_choices(source, file)
    wires, train = _wires(source, file), _train(source, file)
    notes = tuple(_assumptions(source, file))
    return BuildFile(name, cam, head, file.shims, file.limits, file.springs, notes, wires, train)


def _check_names(source: Source, springs: Springs) -> None:
    names = (*springs.outer, *springs.inner)
    for index, name in enumerate(names):
        if name in names[:index]:
            path = ("springs", "outer" if index < len(springs.outer) else "inner")
            hint = "Name each set once, as outer or as inner"
            source.refuse(path, f"the set {name!r} is named twice", hint)


def _with_lift(source: Source, cam: Cam) -> Cam:
    if cam.open_load_n <= cam.seat_load_n:
        what = f"the open load {source.at('cam', 'open_load')!r} must be above the seat load"
        hint = f"Give the load at full lift, above {source.at('cam', 'seat_load')!r}"
        source.refuse(("cam", "open_load"), what, hint)
    for key in ("lobe_lift", "rocker_ratio", "lash"):
        if cam.valve_lift_mm and source.at("cam", key):
            what = f"{key} = {source.at('cam', key)!r} is given besides valve_lift"
            hint = "Give valve_lift alone, or lobe_lift, rocker_ratio and lash"
            source.refuse(("cam", key), what, hint)
    if cam.lobe_lift_mm is None or cam.rocker_ratio is None:
        return cam
    lift_mm = cam.lobe_lift_mm * cam.rocker_ratio - (cam.lash_mm or 0.0)
    if lift_mm <= 0.0:
        what = f"lobe_lift * rocker_ratio - lash is {lift_mm:.3f} mm, it must be above 0"
        hint = "Check lobe_lift, rocker_ratio and lash (measured at the valve)"
        source.refuse(("cam", "lobe_lift"), what, hint)
    return replace(cam, valve_lift_mm=lift_mm)


def _with_valves(source: Source, file: _File, cam: Cam) -> Head:
    """Refuse installed heights that leave nothing of a spring at full lift."""
    head, lift_mm = file.head, cam.valve_lift_mm
    heights_mm = source.read_each(_LengthMm, ("head", "valves"))
    to_check: dict[KeyPath, float] = {("head", "valves", v): h for v, h in heights_mm.items()}
    if head.installed_height_mm:
        to_check["head", "installed_height"] = head.installed_height_mm
    offset_mm = max(head.inner_offset_mm, 0.0) if file.springs.inner else 0.0
    for path, height_mm in to_check.items():
        if height_mm - offset_mm <= lift_mm:
            whose = "the inner's installed height" if offset_mm else "the installed height"
            what = f"{whose} {height_mm - offset_mm:.2f} mm is not above the lift {lift_mm:.2f} mm"
            source.refuse(path, what, "Check installed height, inner_offset and valve lift")
    own_mm = source.read_each(_LengthMmOrZero, ("head", "retainer_clearances"))
    for valve in own_mm:
        if heights_mm and valve not in heights_mm:
            what = f"{valve!r} is no valve of [head.valves]"
            source.refuse(("head", "retainer_clearances", valve), what, "Name the valves alike")
    head = replace(head, retainer_clearances_mm=own_mm)
    if not heights_mm:
        return head
    mean_mm = math.fsum(heights_mm.values()) / len(heights_mm)
    return replace(head, installed_height_mm=mean_mm, valves=heights_mm)


def _check_choices(source: Source, file: _File) -> None:
    """Refuse shims given twice, and more choices than can be tried."""
    deepest_mm, step_mm = file.head.max_seat_cut_mm, file.head.seat_cut_step_mm
    if deepest_mm > MOST_CHOICES * step_mm:
        what = f"up to {deepest_mm:g} mm in steps of {step_mm:g} mm is over {MOST_CHOICES} choices"
        source.refuse(("head", "max_seat_cut"), what, "Lower max_seat_cut or widen seat_cut_step")
    for index, shim in enumerate(file.shims):
        if any(math.isclose(shim.thickness_mm, s.thickness_mm) for s in file.shims[:index]):
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
    at_valve_g = source.read_each(_MassG, ("valve_train", "masses"))
    at_cam_g = source.read_each(_MassG, ("valve_train", "cam_side_masses"))
    if at_cam_g and ratio is None:
        what = "what parts on the cam's side weigh at the valve depends on the rocker ratio"
        hint = "Add rocker_ratio, 1.0 for parts that move as the valve does"
        source.refuse(("valve_train", "cam_side_masses"), what, hint)
    lash_mm = train.lash_mm if cam.lash_mm is None else cam.lash_mm
    return replace(
        train, rocker_ratio=ratio, lash_mm=lash_mm, masses_g=at_valve_g, cam_side_masses_g=at_cam_g
    )


def _assumptions(source: Source, file: _File) -> Iterator[Finding]:
    limits = file.limits
    if file.cam.lobe_lift_mm is not None and file.cam.lash_mm is None:
        yield Finding.of("lash_assumed", lash_mm=0.0)
    if file.springs.inner and source.at("head", "inner_offset") is None:
        yield Finding.of("inner_offset_assumed", offset_mm=0.0)
    if source.at("limits", "coil_bind_margin") is None:
        yield Finding.of("coil_bind_margin_assumed", limit_mm=float(limits.coil_bind_margin_mm))
    if file.shims and source.at("limits", "max_shims") is None:
        yield Finding.of("max_shims_assumed", shims=limits.max_shims)
    clearances = file.head.retainer_clearance_mm, *file.head.retainer_clearances_mm
    if clearances != (None,) and source.at("limits", "min_clearance") is None:
        yield Finding.of("min_clearance_assumed", limit_mm=float(limits.min_clearance_mm))
