"""What a build sheet holds, in N and mm: valves, curves, margins, sets, limits, rig. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

import msgspec

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.not_measured import NotMeasured
from coilbench.analysis.curves.uncertainty import Budget
from coilbench.analysis.engine.assignment import Assignment
from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.loads import Load
from coilbench.analysis.engine.outcomes import Combination
from coilbench.analysis.engine.reasons import Inside, Obstacle, Reason
from coilbench.analysis.engine.shims import SeatChoice
from coilbench.analysis.engine.solid_heights import SolidHeight
from coilbench.analysis.limits.limits import LimitsReport
from coilbench.analysis.limits.spring_limits import LimitFinding
from coilbench.analysis.rig.card import Card
from coilbench.analysis.sets.judge import SetCheck
from coilbench.capture.blocks import Finding
from coilbench.capture.calibration.keyed_setup import Scale
from coilbench.capture.strokes.stroke_choice import JudgedStroke
from coilbench.capture.strokes.sweep import Provenance

LineRole = Literal["outer", "inner", "together"]


class Place(msgspec.Struct, frozen=True):
    """One spring under one valve.

    Attributes:
        spring: its name; None where any of the set will do.
        height_mm, open_height_mm: its heights with the valve shut and at full lift.
        margin_mm: open height less solid height; None where that isn't known.
        solid: the spring's solid height, as its set knows it.
    """

    set_name: str
    spring: str | None
    height_mm: float
    open_height_mm: float
    margin_mm: float | None
    solid: SolidHeight | None


class ValveRow(msgspec.Struct, frozen=True):
    """What goes under one valve, and what it gives.

    Attributes:
        bare_height_mm: the outer's height there with nothing under it.
        inner: None for single springs.
        seat, open: loads of outer and inner together, valve shut and at full lift; None where
            they weren't measured.
        verdict: of both loads against the card's tolerances; None where one isn't known.
    """

    valve: str
    bare_height_mm: float
    choice: SeatChoice
    outer: Place
    inner: Place | None
    seat: Load | None
    open: Load | None
    verdict: Inside | None

    @property
    def fits(self) -> bool | None:
        """Whether both loads are inside, by value; None where one isn't known."""
        return None if self.verdict is None else self.verdict != "outside"

    @property
    def sure(self) -> bool | None:
        """Whether both are inside by more than they are unsure; None where one isn't known."""
        return None if self.verdict is None else self.verdict == "inside"

    @property
    def places(self) -> tuple[Place, ...]:
        """The springs, outer first."""
        return (self.outer,) if self.inner is None else (self.outer, self.inner)

    @property
    def margin_mm(self) -> float | None:
        """The smallest distance from coil bind at full lift; None where one isn't known."""
        known = [each.margin_mm for each in self.places if each.margin_mm is not None]
        return min(known) if len(known) == len(self.places) else None


class Line(msgspec.Struct, frozen=True):
    """A curve to draw, of a spring or of those whose loads were added, ascending in height.

    The height is the outer's: an inner's own is less by the head's offset.
    """

    role: LineRole
    name: str
    heights_mm: tuple[float, ...]
    loads_n: tuple[float, ...]


class MarginRow(msgspec.Struct, frozen=True):
    """How near one set comes to coil bind.

    Attributes:
        margin_mm, valve: the least over the valves, and where; None without a solid height.
        solid: of the spring there; None where it isn't known.
        gap_mm: EN 13906-1's smallest sum of gaps under dynamic load; None without dimensions.
        kept: whether the build file's limit is; None where it can't be said.
    """

    set_name: str
    role: str
    margin_mm: float | None
    valve: str | None
    solid: SolidHeight | None
    limit_mm: float
    gap_mm: float | None
    kept: bool | None


class SetPart(msgspec.Struct, frozen=True):
    """One set's part of the sheet.

    Attributes:
        curves: its measured springs', flagged ones too.
        heights_mm: valve shut and full lift, where it was judged.
        check: how its springs compare; None where it couldn't be judged, `unjudged` says why.
        not_measured: labels of springs that weren't.
        came: how its numbers came about.
        left_out: strokes that count and that no curve is read from, each with its spring's label.
    """

    set_id: str
    name: str
    role: str
    curves: tuple[SpringCurve, ...]
    heights_mm: tuple[float, ...]
    check: SetCheck | None
    unjudged: NotMeasured | None
    not_measured: tuple[str, ...]
    came: tuple[Provenance, ...]
    left_out: tuple[tuple[str, JudgedStroke], ...] = ()


class ScalePart(msgspec.Struct, frozen=True):
    """A scale that readings were keyed from, as calibrated last."""

    scale: Scale
    made_utc: str
    age_days: float


class BudgetPart(msgspec.Struct, frozen=True):
    """What one spring's load at full lift is unsure by, as an example of all."""

    spring: str
    height_mm: float
    load_n: float
    budget: Budget


class RigPart(msgspec.Struct, frozen=True):
    """What weighed the springs: a rig, if calibrated, scales that readings were keyed from."""

    card: Card | None
    scales: tuple[ScalePart, ...]
    warnings: tuple[Finding, ...]


class Record(msgspec.Struct, frozen=True):
    """What else a sheet records: the book's file name, versions of programs by name."""

    build_text: str
    made_utc: str
    book: str
    versions: Mapping[str, str]


class Sheet(msgspec.Struct, frozen=True):
    """A build sheet.

    Attributes:
        assignment: of single springs to valves; may hold none.
        best: the best pair of sets for the first card, which is shown where the assignment holds
            none.
        named: whether each valve's springs are named; else any of the best pair's sets will do.
        valves: in the build file's order.
        budget: of the outer whose load at full lift is least sure; None where none was read there.
        sets: those that are used; unused: names of the other candidates.
        left_out: names of flagged springs that are not used.
        unsure: names of springs that are counted in though they could not be judged.
        limits: of each pair of sets that is used, card by card.
    """

    build: BuildFile
    assignment: Assignment
    best: Combination | None
    named: bool
    valves: tuple[ValveRow, ...]
    lines: tuple[Line, ...]
    margins: tuple[MarginRow, ...]
    budget: BudgetPart | None
    sets: tuple[SetPart, ...]
    unused: tuple[str, ...]
    left_out: tuple[str, ...]
    unsure: tuple[str, ...]
    limits: tuple[LimitsReport, ...]
    rig: RigPart
    record: Record

    @property
    def fits(self) -> bool:
        """Whether every valve is inside the card's tolerances and no limit is known to fail."""
        return all(row.fits for row in self.valves) and not self.failures

    @property
    def failures(self) -> tuple[LimitFinding, ...]:
        """The limits that are known not to be kept, of all pairs, each once."""
        found = [finding for each in self.limits for finding in each.failures]
        return tuple(each for at, each in enumerate(found) if each not in found[:at])

    @property
    def reasons(self) -> tuple[Obstacle | Reason | LimitFinding, ...]:
        """Why the springs are not named, what doesn't fit of the best pair, which limits fail."""
        if self.best is None:
            return self.failures
        reasons = dict.fromkeys((*self.assignment.reasons, *self.best.reasons))
        return (*reasons, *self.failures)
