"""Why a combination does not fit the card, and why no assignment is possible, as data. Pure.

Each has its kind and the numbers that belong to it. Sentences are made where they are shown.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from coilbench.analysis.engine.shims import SET_KEY, Shortage

End = Literal["seat", "open"]  # valve shut, and at full lift


@dataclass(frozen=True)
class LoadMiss:
    """A load outside the card's tolerance."""

    kind: Literal["load_low", "load_high"]
    at: End
    load_n: float
    card_n: float
    tolerance_n: float


@dataclass(frozen=True)
class RateMiss:
    """A rise from shut to open so far from the card's that shims and cuts meet one end at most."""

    kind: Literal["rate_low", "rate_high"]
    rise_n: float
    card_rise_n: float
    lift_mm: float


@dataclass(frozen=True)
class TooStrong:
    """Loads that are too high with no shim in place: a shim only adds load."""

    kind: Literal["too_strong"] = field(default="too_strong", init=False)
    at: tuple[End, ...]


@dataclass(frozen=True)
class LoadUnsure:
    """A load whose expanded uncertainty reaches over the card's tolerance."""

    kind: Literal["unsure_inside", "unsure_outside"]
    at: End
    load_n: float
    load_u_n: float
    card_n: float
    tolerance_n: float


@dataclass(frozen=True)
class HeightUnread:
    """A height where not every spring of a set was read.

    Attributes:
        springs: those that were not read there.
        depth_mm: how far to press them; None where no free length is known.
        limit_mm: the solid height that is above it, or the shortest free length below it.
    """

    kind: Literal["beyond_solid", "loose", "not_read"]
    set_name: str = field(metadata=SET_KEY)
    at: End
    height_mm: float
    springs: tuple[str, ...]
    depth_mm: float | None
    limit_mm: float | None


BindKind = Literal["solid_unknown", "binds", "margin_low", "solid_computed", "gaps_small"]


@dataclass(frozen=True)
class BindRisk:
    """A set that binds or may bind.

    Attributes:
        margin_mm: left to the solid height at full lift, at the lowest valve.
        limit_mm: what should be left: the build file's, or EN 13906-1's smallest sum of gaps.
    """

    kind: BindKind
    set_name: str = field(metadata=SET_KEY)
    solid_height_mm: float | None
    margin_mm: float | None
    limit_mm: float | None


@dataclass(frozen=True)
class ClearanceLow:
    """Too little room from retainer to guide at full lift; nothing under a spring changes it."""

    kind: Literal["clearance_low"] = field(default="clearance_low", init=False)
    clearance_mm: float
    limit_mm: float


Reason = (
    LoadMiss | RateMiss | TooStrong | LoadUnsure | HeightUnread | BindRisk | ClearanceLow | Shortage
)  # of a combination

RelaxedLimit = Literal[
    "coil_bind_margin", "unread_heights", "shim_stock", "max_shims", "effort_none", "effort_shims"
]


@dataclass(frozen=True)
class TooFewSprings:
    """Fewer springs of a role than valves."""

    kind: Literal["too_few_springs"] = field(default="too_few_springs", init=False)
    role: str
    springs: int
    valves: int


@dataclass(frozen=True)
class MarginObstacle:
    """The coil bind margin alone prevents an assignment; reachable_mm is the most there can be."""

    kind: Literal["coil_bind_margin"] = field(default="coil_bind_margin", init=False)
    limit_mm: float
    reachable_mm: float


@dataclass(frozen=True)
class SpringHeight:
    """A spring, and a height it must still be pressed to."""

    spring: str
    height_mm: float


@dataclass(frozen=True)
class UnreadObstacle:
    """Heights that were not read alone prevent an assignment."""

    kind: Literal["unread_heights"] = field(default="unread_heights", init=False)
    heights: tuple[SpringHeight, ...]


@dataclass(frozen=True)
class EffortObstacle:
    """What may be done under the springs alone prevents an assignment.

    Attributes:
        max_shims: most shims under a valve, and enough_shims with which there is an assignment;
            None where another limit is in the way.
    """

    kind: Literal["shim_stock", "max_shims", "effort_none", "effort_shims"]
    max_shims: int | None = None
    enough_shims: int | None = None


@dataclass(frozen=True)
class LimitsTogether:
    """Limits that only together prevent an assignment; none where the springs can't do it."""

    kind: Literal["limits_together"] = field(default="limits_together", init=False)
    limits: tuple[RelaxedLimit, ...]


Obstacle = (
    TooFewSprings | ClearanceLow | MarginObstacle | UnreadObstacle | EffortObstacle | LimitsTogether
)  # to an assignment


@dataclass(frozen=True)
class ValvesAssumed:
    """Valves that the build file does not list, all taken at one height.

    Attributes:
        by_set: whether their number is that of the largest set's springs.
    """

    valves: int
    by_set: bool


@dataclass(frozen=True)
class SolidUnknown:
    """Sets whose coil bind was not checked."""

    sets: tuple[str, ...]


Assumption = ValvesAssumed | SolidUnknown
