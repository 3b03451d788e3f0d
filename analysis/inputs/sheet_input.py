"""A build sheet out of the book, for `report` and `export --sheet`: read, worked out, assembled."""

from __future__ import annotations

import math
import platform
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from importlib.metadata import version
from pathlib import Path
from typing import NamedTuple

import numpy as np
from msgspec.structs import replace

from coilbench.analysis.choices import Effort
from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.not_measured import HeightNotMeasured
from coilbench.analysis.engine.assignment import Assignment, ValvePlan
from coilbench.analysis.engine.assignment_levels import assign
from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.cam import exceeds
from coilbench.analysis.engine.loads import Load, parallel_load
from coilbench.analysis.engine.pairing import pair_sets
from coilbench.analysis.engine.placed import SetCurves, SetLoads, inside_card
from coilbench.analysis.engine.shims import ROLES, SeatChoice, height_errors
from coilbench.analysis.engine.solid_heights import SolidHeight
from coilbench.analysis.engine.solving import Solving
from coilbench.analysis.engine.valve_loads import Candidate, Valve
from coilbench.analysis.inputs.build_input import in_book, lift_table_beside, read_build, read_text
from coilbench.analysis.inputs.candidates import Candidates, SetJudge, candidate_sets
from coilbench.analysis.inputs.measured import JudgedSet
from coilbench.analysis.inputs.rig_record import calibration_card
from coilbench.analysis.inputs.rig_warnings import rig_warnings, set_warnings
from coilbench.analysis.inputs.selecting import select
from coilbench.analysis.inputs.sheet import (
    BudgetPart,
    Line,
    LineRole,
    MarginRow,
    Place,
    Record,
    RigPart,
    ScalePart,
    SetPart,
    Sheet,
    ValveRow,
)
from coilbench.analysis.limits.limits import LimitsReport, assess_limits
from coilbench.analysis.limits.valve_motion import LiftTable
from coilbench.analysis.rig.check import days_between
from coilbench.capture.blocks import Finding
from coilbench.capture.book.calibrations import newest_part
from coilbench.capture.book.connection import Database
from coilbench.capture.book.provenance import set_provenance
from coilbench.capture.book.rows import utc_now
from coilbench.capture.book.scales import find_scale, scale_made_utc
from coilbench.capture.book.state import good_for_days
from coilbench.capture.calibration.statistics import distinct
from coilbench.capture.strokes.bins import Array

CURVE_POINTS = 60
LEAST_POINTS = 2  # of a curve that is drawn


def read_sheet(
    db: Database,
    build_path: Path,
    effort: Effort,
    use_flagged: bool,
    book: str,
    solving: Solving | None = None,
    say: Callable[[str], None] = lambda _: None,
) -> Sheet:
    """Work out a build file's sheet; the book's name is for the record, the rest as in assign.

    Raises:
        CoilbenchError: the build file or a set that it names can't be used.
    """
    whole = read_build(build_path, from_book=True)
    table = lift_table_beside(whole, build_path)
    solving = solving or Solving()
    whole = in_book(db, whole)
    judge = SetJudge(db, whole, use_flagged)
    selection = select(db, whole, effort, judge=judge, say=say, solving=solving)
    build = selection.build
    found = candidate_sets(db, build, use_flagged, say, judge.known, from_book=selection.from_book)
    found = found.of_sets(selection.narrowed(found.sets))
    with found.before() as before:
        assignment = assign(build, found.sets, found.sizes, effort, solving, before)
    assignment = selection.bounded(assignment, solving)
    parts = {name: _part(db, judged) for name, judged in found.judged.items()}
    record = Record(read_text(build_path), utc_now(), book, dict(_versions()))
    rig = _rig(db, parts.values(), record.made_utc)
    return make_sheet(assignment, found, parts, table, rig, record)


def make_sheet(
    assignment: Assignment,
    found: Candidates,
    parts: Mapping[str, SetPart],
    table: LiftTable | None,
    rig: RigPart,
    record: Record,
) -> Sheet:
    """Put a sheet together from an assignment, or from the best pair where it holds none.

    The parts are the candidate sets as the sheet shows them, by name.
    """
    build, best = assignment.build, None
    if assignment.chosen.valves:
        chosen = _chosen_by_assignment(build, assignment.chosen.valves)
    else:
        ranked = pair_sets(build.cards[0], found.sets).combinations
        best = next(each for each in ranked if each.choice.allowed(assignment.effort))
        inner = None if best.inner is None else found.sets[best.inner]
        pair = UsedPair(build, found.sets[best.outer], inner, best.choice)
        chosen = _chosen_by_pair(build, assignment.valves, pair)
    used = [springs.name for springs in chosen.sets]
    limit_mm = build.limits.coil_bind_margin_mm
    return Sheet(
        build,
        assignment,
        best,
        best is None,
        chosen.rows,
        _lines_of(build, chosen),
        tuple(
            _margin(springs, chosen.rows, limit_mm, build.head.height_u_mm or 0.0)
            for springs in chosen.sets
        ),
        _budget(build, chosen),
        tuple(parts[name] for name in used),
        tuple(name for name in found.sets if name not in used),
        tuple(found.left_out),
        tuple(found.unsure),
        tuple(pair.limits(table) for pair in _by_card(chosen.pairs)),
        rig,
        record,
    )


def _part(db: Database, judged: JudgedSet) -> SetPart:
    record, measured = judged.record, judged.measured
    return SetPart(
        record.set_id,
        record.name,
        record.role,
        measured.curves,
        judged.heights_mm[:2],
        judged.check,
        judged.unjudged,
        measured.missing,
        set_provenance(db, record),
        tuple(
            (label, one)
            for label, strokes in measured.strokes.items()
            for one in strokes
            if not one.kept and (one.findings or one.ruling is not None)
        ),
    )


def _rig(db: Database, parts: Collection[SetPart], now_utc: str) -> RigPart:
    names = dict.fromkeys(came.scale for part in parts for came in part.came)
    scales = []
    for name in filter(None, names):
        if made_utc := scale_made_utc(db, name):
            age_days = days_between(made_utc, now_utc)
            scales.append(ScalePart(find_scale(db, name), made_utc, age_days))
    card = None if newest_part(db, "load") is None else calibration_card(db)
    limit = good_for_days(db)
    stale = [
        Finding.of("scale_old", scale=one.scale.name, age_days=one.age_days, limit_days=limit)
        for one in scales
        if one.age_days > limit
    ]
    unknown = set_warnings(db, [part.name for part in parts])
    return RigPart(card, tuple(scales), (*rig_warnings(db, now_utc), *unknown, *stale))


def _versions() -> Iterator[tuple[str, str]]:
    yield "coilbench", version("coilbench")
    yield "Python", platform.python_version()
    for name in ("numpy", "scipy"):
        yield name, version(name)


class UsedPair(NamedTuple):
    """Two sets (or one) with the springs that are used together over one choice, and under whom.

    The build is that of their valves alone. bare_mm: the installed height of each spring's valve,
    by set and label; None where any spring may stand under any.
    """

    build: BuildFile
    outer: SetCurves
    inner: SetCurves | None
    choice: SeatChoice
    bare_mm: Mapping[tuple[str, str], float] | None = None

    def limits(self, table: LiftTable | None) -> LimitsReport:
        """Work out its limits, with the lift table of its build."""
        return assess_limits(self.build, self.outer, self.inner, self.choice, table, self.bare_mm)

    @property
    def sets(self) -> tuple[SetCurves, ...]:
        """The sets, outer first."""
        return (self.outer,) if self.inner is None else (self.outer, self.inner)


class _Chosen(NamedTuple):
    """What the sheet builds with: a row a valve, each outer with each inner it works with once.

    The names are those of single springs, by set and label; none where any of a set will do.
    """

    rows: tuple[ValveRow, ...]
    pairs: tuple[UsedPair, ...]
    names: Mapping[tuple[str, str], str]

    @property
    def sets(self) -> tuple[SetCurves, ...]:
        """Every set that is used, once, with all its springs that are; outers first."""
        found: dict[str, SetCurves] = {}
        every = [each for pair in self.pairs for each in pair.sets]
        for springs in sorted(every, key=lambda one: one.role == "inner"):
            known = found.get(springs.name)
            curves = springs.curves if known is None else (*known.curves, *springs.curves)
            found[springs.name] = replace(springs, curves=curves)
        return tuple(found.values())


def _chosen_by_assignment(build: BuildFile, plans: Sequence[ValvePlan]) -> _Chosen:
    names = {
        (one.springs.name, one.label): one.name
        for plan in plans
        for one in (plan.outer, plan.inner)
        if one is not None
    }
    rows = tuple(_assigned_row(build, plan) for plan in plans)
    return _Chosen(rows, used_pairs(build, plans), names)


def used_pairs(build: BuildFile, plans: Sequence[ValvePlan]) -> tuple[UsedPair, ...]:
    """Return what an assignment uses: each two sets over each choice, for each card's valves."""
    pairs: dict[tuple[object, ...], list[ValvePlan]] = {}
    for plan in plans:
        inner = None if plan.inner is None else plan.inner.springs.name
        key = (plan.valve.cam.side, plan.outer.springs.name, inner, plan.choice)
        pairs.setdefault(key, []).append(plan)
    return tuple(_used_pair(build, of_pair) for of_pair in pairs.values())


def _by_card(pairs: Sequence[UsedPair]) -> Iterator[UsedPair]:
    for pair in pairs:
        yield from (pair._replace(build=card) for card in pair.build.cards)


def _chosen_by_pair(build: BuildFile, valves: Sequence[Valve], pair: UsedPair) -> _Chosen:
    """Build with any springs of two sets, the same shims under every valve.

    Each valve's loads are those of the sets' means at the valve's own height.
    """
    loads: SetLoads = {}
    return _Chosen(tuple(_pair_row(build, valve, pair, loads) for valve in valves), (pair,), {})


def _used_pair(build: BuildFile, plans: Sequence[ValvePlan]) -> UsedPair:
    first, inners = plans[0], [plan.inner for plan in plans if plan.inner is not None]
    card = next(each for each in build.cards if each.cam == first.valve.cam)
    return UsedPair(
        card.of_valves({plan.valve.name: plan.valve.height_mm for plan in plans}),
        _used_set([plan.outer for plan in plans]),
        _used_set(inners) if inners else None,
        first.choice,
        {
            (spring.springs.name, spring.label): plan.valve.height_mm
            for plan in plans
            for spring in (plan.outer, plan.inner)
            if spring is not None
        },
    )


def _used_set(springs: Sequence[Candidate]) -> SetCurves:
    return springs[0].springs.of_springs([spring.label for spring in springs])


def _assigned_row(build: BuildFile, plan: ValvePlan) -> ValveRow:
    springs = [each for each in (plan.outer, plan.inner) if each is not None]
    named = [(each.springs.name, each.name, each.solid) for each in springs]
    places = _places(build, plan.valve, plan.choice, named)
    row = _row(plan.valve, plan.choice, places, (plan.seat, plan.open))
    return replace(row, verdict=plan.verdict)


def _pair_row(build: BuildFile, valve: Valve, pair: UsedPair, loads: SetLoads) -> ValveRow:
    named = [(s.name, None, s.solid) for s in pair.sets]
    places = _places(build, valve, pair.choice, named)
    errors = [height_errors(build, pair.choice, role) for role in ROLES]
    standing = list(zip(pair.sets, places, errors, strict=False))
    seat = parallel_load(s.load_at(at.height_mm, loads, u) for s, at, u in standing)
    full = parallel_load(s.load_at(at.open_height_mm, loads, u) for s, at, u in standing)
    return _row(valve, pair.choice, places, (seat, full))


def _places(
    build: BuildFile,
    valve: Valve,
    choice: SeatChoice,
    springs: Sequence[tuple[str, str | None, SolidHeight | None]],
) -> list[Place]:
    """Put an outer, and an inner where there is one, at its height: set, name, solid height."""
    offsets_mm, lift_mm = (0.0, build.head.inner_offset_mm), build.cam_of(valve.name).valve_lift_mm
    places = []
    for (set_name, name, solid), role, offset_mm in zip(springs, ROLES, offsets_mm, strict=False):
        at_mm = round(valve.height_mm + choice.change_mm(role) - offset_mm, 6)
        open_mm = round(at_mm - lift_mm, 6)
        margin_mm = None if solid is None else round(open_mm - solid.height_mm, 6)
        places.append(Place(set_name, name, at_mm, open_mm, margin_mm, solid))
    return places


def _row(
    valve: Valve,
    choice: SeatChoice,
    places: Sequence[Place],
    loads: tuple[Load | None, Load | None],
) -> ValveRow:
    seat, full = loads
    verdict = None if seat is None or full is None else inside_card(valve.cam, seat, full)
    inner, bare_mm = places[1] if len(places) > 1 else None, valve.height_mm
    return ValveRow(valve.name, bare_mm, choice, places[0], inner, seat, full, verdict)


def _lines_of(build: BuildFile, chosen: _Chosen) -> tuple[Line, ...]:
    """Sample the springs that are used over the outer's height.

    Together are the springs of each valve where they are named, else the means of the sets.
    """
    offset_mm = build.head.inner_offset_mm
    curves = {
        (springs.name, curve.label): (curve, offset_mm if springs.role == "inner" else 0.0)
        for springs in chosen.sets
        for curve in springs.curves
    }
    grid_mm = _grid(curves.values(), chosen.rows)
    loads = {key: curve.loads_n_at(grid_mm - offset) for key, (curve, offset) in curves.items()}
    roles = {springs.name: springs.role for springs in chosen.sets}
    lines = [
        _line("inner" if roles[name] == "inner" else "outer", label, grid_mm, load_n)
        for (name, label), load_n in loads.items()
    ]
    if chosen.rows and chosen.rows[0].inner is not None:
        lines += _lines_together(chosen, grid_mm, loads)
    return tuple(line for line in lines if len(line.heights_mm) >= LEAST_POINTS)


def _grid(curves: Iterable[tuple[SpringCurve, float]], rows: Sequence[ValveRow]) -> Array:
    """Heights of the outer to sample at: evenly over what was measured, and where valves stand."""
    ends_mm = [(c.lowest_mm + offset_mm, c.highest_mm + offset_mm) for c, offset_mm in curves]
    grid_mm = np.linspace(np.min(ends_mm), np.max(ends_mm), CURVE_POINTS)
    stand_mm = [mm for row in rows for mm in (row.outer.height_mm, row.outer.open_height_mm)]
    return distinct(np.round(np.concatenate([grid_mm, stand_mm]), 6))


def _lines_together(
    chosen: _Chosen, grid_mm: Array, loads: Mapping[tuple[str, str], Array]
) -> Iterable[Line]:
    if chosen.rows[0].outer.spring is None:  # any of the sets
        of_sets = [
            [n for (name, _), n in loads.items() if name == springs.name] for springs in chosen.sets
        ]
        if all(of_sets):
            means_n = [np.mean(each, axis=0) for each in of_sets]
            yield _line("together", "mean", grid_mm, np.sum(means_n, axis=0))
        return
    by_name: dict[str | None, Array] = {chosen.names[key]: n for key, n in loads.items()}
    for row in chosen.rows:
        total_n = np.sum([by_name[each.spring] for each in row.places], axis=0)
        yield _line("together", row.valve, grid_mm, total_n)


def _line(role: LineRole, name: str, heights_mm: Array, loads_n: Array) -> Line:
    known = np.isfinite(loads_n)
    return Line(role, name, tuple(heights_mm[known].tolist()), tuple(loads_n[known].tolist()))


def _margin(
    springs: SetCurves, rows: Sequence[ValveRow], limit_mm: float, unsure_mm: float
) -> MarginRow:
    """A used set's least margin over the valves; kept only by more than it is unsure."""
    known = [
        (place.margin_mm, row.valve, place.solid)
        for row in rows
        for place in row.places
        if place.set_name == springs.name and place.margin_mm is not None
    ]
    least_mm, valve, solid = min(known, key=lambda one: one[0], default=(None, None, None))
    kept = None if least_mm is None else not exceeds(limit_mm, least_mm)
    if kept and any(
        solid is not None and exceeds(limit_mm, mm - math.hypot(unsure_mm, solid.height_u_mm))
        for mm, _, solid in known
    ):
        kept = None
    gap_mm = springs.smallest_gap_mm
    return MarginRow(springs.name, springs.role, least_mm, valve, solid, limit_mm, gap_mm, kept)


def _budget(build: BuildFile, chosen: _Chosen) -> BudgetPart | None:
    """Return the budget of the outer that is least sure at full lift."""
    rows = {row.outer.spring: row for row in chosen.rows}
    found: list[BudgetPart] = []
    for springs in chosen.sets:
        for curve in springs.curves if springs.role != "inner" else ():
            name = chosen.names.get((springs.name, curve.label))
            if name not in rows:
                continue
            with suppress(HeightNotMeasured):
                read = curve.load_at(rows[name].outer.open_height_mm)
                read = read.at_unsure_height(height_errors(build, rows[name].choice, "outer"))
                called = curve.label if name is None else name
                found.append(BudgetPart(called, read.height_mm, read.load_n, read.budget))
    return max(found, key=lambda part: part.budget.expanded_u_n, default=None)
