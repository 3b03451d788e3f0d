"""What stands on a build sheet, in N and mm. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from coilbench.analysis.curves.uncertainty import Budget
from coilbench.analysis.engine.assignment import Effort, Level
from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.shims import SeatChoice
from coilbench.analysis.rig.card import Card
from coilbench.analysis.sets.judge import SetCheck
from coilbench.capture.blocks import Finding
from coilbench.capture.calibration.scale import Scale
from coilbench.capture.strokes.sweep import Provenance

LineRole = Literal["outer", "inner", "together"]


@dataclass(frozen=True)
class Place:
    """One spring under one valve.

    Attributes:
        spring: its name; None where any of the set will do.
        height_mm: where it stands with the valve shut.
        margin_mm: open height less solid height; None where that isn't known.
    """

    set_name: str
    spring: str | None
    height_mm: float
    margin_mm: float | None


@dataclass(frozen=True)
class ValveRow:
    """What goes under one valve, and what it gives.

    Attributes:
        bare_height_mm: the outer's height there with nothing under it.
        choice: the shims or the cut.
        inner: None for single springs.
        seat_n, open_n: loads of outer and inner together, valve shut and at full lift; None
            where they weren't measured.
        seat_u_n, open_u_n: their expanded uncertainties, k = 2.
        fits: both loads are inside the card's tolerances; None where one isn't known.
        sure: whether no load's uncertainty reaches over a tolerance; None with `fits`.
    """

    valve: str
    bare_height_mm: float
    choice: SeatChoice
    outer: Place
    inner: Place | None
    seat_n: float | None
    seat_u_n: float | None
    open_n: float | None
    open_u_n: float | None
    fits: bool | None
    sure: bool | None

    @property
    def places(self) -> tuple[Place, ...]:
        """The springs, outer first."""
        return (self.outer,) if self.inner is None else (self.outer, self.inner)

    @property
    def margin_mm(self) -> float | None:
        """The smallest distance from coil bind at full lift; None where one isn't known."""
        known = [each.margin_mm for each in self.places if each.margin_mm is not None]
        return min(known) if len(known) == len(self.places) else None


@dataclass(frozen=True)
class Line:
    """A curve to draw.

    Attributes:
        name: the spring's, or whose loads were added.
        heights_mm, loads_n: of like length, ascending in height. The height is the outer's: an
            inner's own is less by the head's offset.
    """

    role: LineRole
    name: str
    heights_mm: tuple[float, ...]
    loads_n: tuple[float, ...]


@dataclass(frozen=True)
class MarginRow:
    """How near one set comes to coil bind.

    Attributes:
        margin_mm: the least over the valves; None where a solid height isn't known.
        valve: where that is; None with it.
        solid_height_mm: the set's highest; None where it isn't known.
        computed: whether that is from wire and coils, not measured or registered.
        limit_mm: what the build file asks for.
        gap_mm: EN 13906-1's smallest sum of gaps under dynamic load; None without dimensions.
        kept: whether the limit is; None where it can't be said.
    """

    set_name: str
    role: str
    margin_mm: float | None
    valve: str | None
    solid_height_mm: float | None
    computed: bool
    limit_mm: float
    gap_mm: float | None
    kept: bool | None


@dataclass(frozen=True)
class SetPart:
    """One set's part of the sheet.

    Attributes:
        set_id: in the book.
        check: how its springs compare; None where it couldn't be judged.
        unjudged: why not, in words; empty where it was.
        not_measured: labels of springs that weren't.
        came: how its numbers came about.
        notes: what holds for its loads, in words.
    """

    set_id: str
    name: str
    role: str
    check: SetCheck | None
    unjudged: str
    not_measured: tuple[str, ...]
    came: tuple[Provenance, ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class ScalePart:
    """A scale that readings were keyed from, as calibrated last."""

    scale: Scale
    made_utc: str
    age_days: float


@dataclass(frozen=True)
class BudgetPart:
    """What one spring's load is unsure by, as an example of all.

    Attributes:
        spring: its name.
        height_mm: where, at full lift.
    """

    spring: str
    height_mm: float
    load_n: float
    budget: Budget


@dataclass(frozen=True)
class RigPart:
    """What weighed the springs.

    Attributes:
        card: of the calibration in force; None where no rig was calibrated.
        scales: that readings were keyed from.
        warnings: what speaks against the figures.
    """

    card: Card | None
    scales: tuple[ScalePart, ...]
    warnings: tuple[Finding, ...]


@dataclass(frozen=True)
class LimitsPart:
    """What is known of wire, surge and valve float; sentences without a full stop.

    Attributes:
        found: for each pair of sets with what lies under it: its name, and what was found, with
            formula and source; what was said of a set before isn't said again.
        not_given: what isn't given, and what it would tell.
        cautions: that go with them; full sentences.
    """

    found: tuple[tuple[str, tuple[str, ...]], ...]
    not_given: tuple[str, ...]
    cautions: tuple[str, ...]


@dataclass(frozen=True)
class Sheet:
    """A build sheet.

    Attributes:
        build_text: the build file as it was read.
        made_utc: when the sheet was made, ISO 8601.
        named: whether each valve's springs are named; else any of the best pair's sets will do.
        fits: whether every valve is inside the card's tolerances, as far as known.
        verdict: what was found, a sentence without a full stop.
        loads_of: whose loads the valves' are, likewise; empty where each has its own springs.
        reasons: why not more, or what should be known, in words.
        levels: what each level of effort gives; none where nothing was assigned.
        spares, left_out: springs that aren't used; those that were flagged.
        lines: the curves of the springs that are used.
        clearance_mm: retainer to guide at full lift; None where it isn't given.
        sets: those that are used; unused: names of the other candidates.
        budget: None where nothing was read at full lift.
        method: how it was computed: what, and words for it.
        notes: what was assumed, in words.
    """

    build: BuildFile
    build_text: str
    made_utc: str
    effort: Effort
    named: bool
    fits: bool
    verdict: str
    loads_of: str
    reasons: tuple[str, ...]
    valves: tuple[ValveRow, ...]
    levels: tuple[Level, ...]
    spares: tuple[str, ...]
    left_out: tuple[str, ...]
    lines: tuple[Line, ...]
    margins: tuple[MarginRow, ...]
    clearance_mm: float | None
    sets: tuple[SetPart, ...]
    unused: tuple[str, ...]
    limits: LimitsPart
    budget: BudgetPart | None
    rig: RigPart
    method: tuple[tuple[str, str], ...]
    notes: tuple[str, ...]
