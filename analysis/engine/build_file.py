"""The build file: cam, head, shims, limits, candidate sets, wires and valve train. Pure.

Each section is read into a class; a key is the attribute's name without its unit.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Annotated, Any, Literal, get_args

import msgspec
from msgspec import Meta
from msgspec.structs import replace

from coilbench.analysis.engine.cam import (
    Cam,
    Positive,
    Text,
)
from coilbench.analysis.engine.coil import WIRES, Wire
from coilbench.analysis.engine.head import (
    Head,
    Side,
)
from coilbench.analysis.engine.toml_source import (
    LengthMm,
    LengthMmOrZero,
    LoadN,
    Quantity,
    Share,
    SmallMm,
    Table,
)
from coilbench.capture import units
from coilbench.capture.blocks import Finding

Under = Literal["both", "outer", "inner"]  # which of a valve's springs a shim lies under
UNDERS: tuple[Under, ...] = get_args(Under)
EVERY = "*"  # in place of names: every set of the book that has the role

_Names = Annotated[tuple[Text, ...], Meta(min_length=1)]
_Count = Annotated[int, Meta(ge=0, le=1_000_000)]


class StepN(LoadN):
    """A scale's smallest step, N."""

    like = "0.1 kg"


class TareN(LoadN):
    """What a scale shows with no spring pressed, N; it may be none."""

    least, like = 0.0, "3.2 kg"


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


class Where(Table, frozen=True):
    """Which springs of the whole book are meant: marked so, and pressed over these heights."""

    mark: Text | None = None
    read_down_to_mm: LengthMm | None = None
    read_up_to_mm: LengthMm | None = None


class SpringsGiven(Table, frozen=True):
    """The candidate sets as the file names them; EVERY is all of that role in the book."""

    outer: _Names | Text
    inner: _Names | Text = ()
    where: Where | None = None


class Springs(msgspec.Struct, frozen=True):
    """Names of the candidate sets; inner is empty for single springs.

    Attributes:
        outer, inner: empty where every set of that role in the book is meant.
        every: the roles of which every set is meant.
        where: which of their springs.
    """

    outer: tuple[str, ...]
    inner: tuple[str, ...] = ()
    every: tuple[str, ...] = ()
    where: Where = Where()

    @classmethod
    def of(cls, given: SpringsGiven) -> Springs:
        """Read them as the file names them."""
        named = {"outer": given.outer, "inner": given.inner}
        every = tuple(role for role, names in named.items() if names == EVERY)
        outer, inner = (() if isinstance(names, str) else names for names in named.values())
        return cls(outer, inner, every, given.where or Where())

    @property
    def paired(self) -> bool:
        """Whether a valve has an inner spring."""
        return bool(self.inner) or "inner" in self.every


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
    """The scale that the springs are pressed on by hand.

    Attributes:
        step_n: its smallest.
        tare_n: what it shows with the empty set-up on it.
        give_mm: how far the quill goes on from touching a solid block to give_at_n on it.
    """

    name: Text | None = None
    step_n: StepN | None = None
    tare_n: TareN | None = None
    give_mm: SmallMm | None = None
    give_at_n: LoadN | None = None


class BuildFile(msgspec.Struct, frozen=True):
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
    scale: ScaleGiven = msgspec.field(default_factory=ScaleGiven)
    sides: Mapping[str, Side] = msgspec.field(default_factory=dict)
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

    def with_sets(self, outer: tuple[str, ...], inner: tuple[str, ...]) -> BuildFile:
        """Return it with other candidate sets."""
        springs = replace(self.springs, outer=outer, inner=inner, every=())
        wires = dict.fromkeys((*outer, *inner), WireGiven()) | dict(self.wires)
        by_card = tuple(card.with_sets(outer, inner) for card in self.by_card)
        return replace(self, springs=springs, wires=wires, by_card=by_card)

    def renamed(self, names: Mapping[str, str]) -> BuildFile:
        """Return it with other names for some of its sets."""
        own = self.springs
        springs = replace(
            own,
            outer=tuple(names.get(name, name) for name in own.outer),
            inner=tuple(names.get(name, name) for name in own.inner),
        )
        wires = {names.get(name, name): wire for name, wire in self.wires.items()}
        by_card = tuple(card.renamed(names) for card in self.by_card)
        return replace(self, springs=springs, wires=wires, by_card=by_card)

    def of_valves(self, heights_mm: Mapping[str, float]) -> BuildFile:
        """Return it for some of its valves alone, each at its height."""
        mean_mm = LengthMm(math.fsum(heights_mm.values()) / len(heights_mm))
        own = {v: mm for v, mm in self.head.retainer_clearances_mm.items() if v in heights_mm}
        head = replace(
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
