"""The head: the heights that the springs stand at, and whose card each valve has. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Annotated, Any, Literal, get_args

import msgspec
from msgspec import Meta

from coilbench.analysis.engine.toml_source import (
    MOST,
    LengthMm,
    LengthMmOrZero,
    SmallMm,
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
