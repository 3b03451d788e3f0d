"""Why a combination does not fit the card, and why no assignment is possible, as data. Pure.

Each has its kind and the numbers that belong to it. Sentences are made where they are shown.
"""

from __future__ import annotations

from typing import ClassVar, Literal, get_args

import msgspec

from coilbench.analysis.engine.cam import Cam

SET_KEY = {"set_name": "set"}  # the key of a set's name in a JSON document

Verdict = Literal["fits", "fits_bind_unknown", "near", "misses", "not_judged"]
VERDICTS: tuple[Verdict, ...] = get_args(Verdict)

Inside = Literal["inside", "inside_unsure", "outside"]

End = Literal["seat", "open"]  # valve shut, and at full lift


class Need(msgspec.Struct, frozen=True):
    """A measurement that would settle what could not be judged.

    Attributes:
        kind: a reading at a height, or the solid height, of a spring or (no label) of a set.
        depth_mm: how far to press from the free length; None where that isn't known.
    """

    in_json: ClassVar = SET_KEY
    kind: Literal["reading", "solid_height"]
    set_name: str
    label: str | None
    height_mm: float | None
    depth_mm: float | None


class LoadMiss(msgspec.Struct, frozen=True):
    """A load outside the card's tolerance."""

    kind: Literal["load_low", "load_high"]
    at: End
    load_n: float
    card_n: float
    tolerance_n: float


class RateMiss(msgspec.Struct, frozen=True):
    """A rise from shut to open so far from the card's that shims and cuts meet one end at most."""

    kind: Literal["rate_low", "rate_high"]
    rise_n: float
    card_rise_n: float
    lift_mm: float

    @classmethod
    def of(cls, cam: Cam, rise_n: float) -> RateMiss:
        """Return that a rise from shut to open is not the card's."""
        card_rise_n = cam.open_load_n - cam.seat_load_n
        return cls(
            "rate_high" if rise_n > card_rise_n else "rate_low",
            rise_n,
            card_rise_n,
            cam.valve_lift_mm,
        )


class TooStrong(msgspec.Struct, frozen=True):
    """Loads that are too high with no shim in place: a shim only adds load."""

    kind: ClassVar[Literal["too_strong"]] = "too_strong"
    at: tuple[End, ...]


class LoadUnsure(msgspec.Struct, frozen=True):
    """A load whose expanded uncertainty reaches over the card's tolerance."""

    kind: Literal["unsure_inside", "unsure_outside"]
    at: End
    load_n: float
    load_u_n: float
    card_n: float
    tolerance_n: float


class ValvesOutside(msgspec.Struct, frozen=True):
    """Valves that would be outside the card at one end with springs taken as they come.

    Attributes:
        outside: on average; chosen: how many could be inside at both ends with springs chosen.
        lowest_n, highest_n: from the weakest springs at any valve to the strongest.
        heights_differ_mm: from the lowest valve to the highest.
    """

    kind: ClassVar[Literal["valves_outside"]] = "valves_outside"
    at: End
    outside: float
    chosen: int
    valves: int
    lowest_n: float
    highest_n: float
    heights_differ_mm: float


class HeightUnread(msgspec.Struct, frozen=True):
    """Springs that were not read where they may have to stand.

    Attributes:
        depth_mm: how far to press them; None where no free length is known.
    """

    in_json: ClassVar = SET_KEY
    kind: ClassVar[Literal["not_read"]] = "not_read"
    set_name: str
    springs: tuple[str, ...]
    height_mm: float
    depth_mm: float | None


class Loose(msgspec.Struct, frozen=True):
    """Springs that are no longer than their height with the valve shut: they push nothing."""

    in_json: ClassVar = SET_KEY
    kind: ClassVar[Literal["loose"]] = "loose"
    set_name: str
    springs: tuple[str, ...]
    height_mm: float
    free_length_mm: float


RiskKind = Literal[
    "solid_unknown",
    "closing",
    "binds",
    "margin_low",
    "margin_unsure",
    "solid_computed",
    "gaps_small",
]


class BindRisk(msgspec.Struct, frozen=True):
    """A set that binds or may bind.

    Attributes:
        margin_mm: left to the solid height at full lift, at its valve or at the lowest.
        limit_mm: what should be left: the build file's, or EN 13906-1's smallest sum of gaps.
    """

    in_json: ClassVar = SET_KEY
    kind: RiskKind
    set_name: str
    solid_height_mm: float | None
    margin_mm: float | None
    limit_mm: float | None


class SomeBind(msgspec.Struct, frozen=True):
    """Springs of a set that come too near to coil bind at the lowest valve, where others don't."""

    in_json: ClassVar = SET_KEY
    kind: ClassVar[Literal["some_bind"]] = "some_bind"
    set_name: str
    springs: tuple[str, ...]
    limit_mm: float


class ClearanceLow(msgspec.Struct, frozen=True):
    """Too little room from retainer to guide at full lift; nothing under a spring changes it."""

    kind: ClassVar[Literal["clearance_low"]] = "clearance_low"
    clearance_mm: float
    limit_mm: float


class TooFewSprings(msgspec.Struct, frozen=True):
    """Fewer springs of a role than valves."""

    kind: ClassVar[Literal["too_few_springs"]] = "too_few_springs"
    role: str
    springs: int
    valves: int


class SolidContradicted(msgspec.Struct, frozen=True):
    """Springs that show that their solid height is not what their set is registered with.

    Attributes:
        registered_mm: of the set; measured_mm: the one that is furthest from it, if any is.
        pressed_mm: the lowest that springs went to below it without being solid, if any did.
    """

    in_json: ClassVar = SET_KEY
    kind: ClassVar[Literal["solid_contradicted"]] = "solid_contradicted"
    set_name: str
    springs: tuple[str, ...]
    registered_mm: float
    measured_mm: float | None
    pressed_mm: float | None = None


class Shortage(msgspec.Struct, frozen=True):
    """Shims of one kind that a stack needs under every valve, and how many there are."""

    kind: ClassVar[Literal["too_few_shims"]] = "too_few_shims"
    thickness_mm: float
    needed: int
    count: int
    under: str = "both"


Reason = (
    LoadMiss
    | RateMiss
    | TooStrong
    | LoadUnsure
    | ValvesOutside
    | HeightUnread
    | Loose
    | BindRisk
    | SomeBind
    | SolidContradicted
    | ClearanceLow
    | TooFewSprings
    | Shortage
)  # of a combination

RelaxedLimit = Literal[
    "coil_bind_margin", "unread_heights", "shim_stock", "max_shims", "effort_none", "effort_shims"
]


class MarginObstacle(msgspec.Struct, frozen=True):
    """The coil bind margin alone prevents an assignment; reachable_mm is the most there can be."""

    kind: ClassVar[Literal["coil_bind_margin"]] = "coil_bind_margin"
    limit_mm: float
    reachable_mm: float


class UnreadObstacle(msgspec.Struct, frozen=True):
    """Heights that were not read alone prevent an assignment."""

    kind: ClassVar[Literal["unread_heights"]] = "unread_heights"
    needs: tuple[Need, ...]


class EffortObstacle(msgspec.Struct, frozen=True):
    """What may be done under the springs alone prevents an assignment.

    Attributes:
        max_shims: most shims under a valve, and enough_shims with which there is an assignment;
            None where another limit is in the way.
    """

    kind: Literal["shim_stock", "max_shims", "effort_none", "effort_shims"]
    max_shims: int | None = None
    enough_shims: int | None = None


class LimitsTogether(msgspec.Struct, frozen=True):
    """Limits that only together prevent an assignment; none where the springs can't do it."""

    kind: ClassVar[Literal["limits_together"]] = "limits_together"
    limits: tuple[RelaxedLimit, ...]


Obstacle = (
    Loose
    | TooFewSprings
    | ClearanceLow
    | MarginObstacle
    | UnreadObstacle
    | EffortObstacle
    | LimitsTogether
)  # to an assignment


class ValvesAssumed(msgspec.Struct, frozen=True):
    """Valves that the build file does not list, all taken at one height.

    Attributes:
        by_set: whether their number is that of the largest set's springs.
    """

    valves: int
    by_set: bool


class SolidUnknown(msgspec.Struct, frozen=True):
    """A set whose coil bind was not checked; where its coils begin to close, if that was seen."""

    in_json: ClassVar = SET_KEY
    set_name: str
    closing_mm: float | None


Assumption = ValvesAssumed | SolidUnknown | SolidContradicted | BindRisk


class LooksTaken(msgspec.Struct, frozen=True):
    """How near a first look at a spring is taken to be to what a judgement reads.

    Attributes:
        usual_n, margin_n: how far off looks are taken to be, the middle of all and the most.
        seen_n, springs: how far off looks were at most, on so many judged springs.
        sure: whether the bound is met with looks anywhere between the branches of their strokes.
    """

    usual_n: float
    margin_n: float
    seen_n: float
    springs: int
    sure: bool = False
