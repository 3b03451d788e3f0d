"""`coilbench assign` and `coilbench depths`: springs to valves, and how deep to press by hand."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from contextlib import suppress
from pathlib import Path
from statistics import fmean
from typing import TYPE_CHECKING

import click

from coilbench.analysis.choices import Effort
from coilbench.analysis.cli.common import print_document, say, show_warnings, units
from coilbench.analysis.cli.pairing import (
    CAUTION,
    LIMITS_CAUTION,
    limits_document,
    say_card,
    say_limits,
)
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.cli.tables import columns_table, plain_table, print_uncut
from coilbench.analysis.cli.waiting import Waiting
from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.engine.assignment import Assignment, Level
from coilbench.analysis.engine.assignment_levels import assign
from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.coil import SpringSize
from coilbench.analysis.engine.depths import DepthRow, depth_rows
from coilbench.analysis.engine.reasons import SolidUnknown
from coilbench.analysis.inputs.build_input import in_book, lift_table_beside, read_build
from coilbench.analysis.inputs.by_hand import usable
from coilbench.analysis.inputs.candidates import SetJudge, candidate_sets
from coilbench.analysis.inputs.measured import NothingMeasured, measured_set
from coilbench.analysis.inputs.rig_record import rig_warnings, set_warnings
from coilbench.analysis.inputs.selecting import select
from coilbench.analysis.report.assignment_text import (
    LEVEL_TITLES,
    LIMITS_NOT_LOOKED_AT,
    assignment_notes,
    assignment_verdict,
    level_rows,
    looks_text,
    number_text,
)
from coilbench.analysis.report.build_text import card_facts, shims_text, verdict_text
from coilbench.analysis.report.document import describe, document
from coilbench.analysis.report.pairing_text import PRESS_SAFELY, needs_lines
from coilbench.analysis.report.selection_text import names_or_count, selection_document
from coilbench.analysis.report.units import SI, Units
from coilbench.capture.book.connection import Database
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import SetRecord, find_set

if TYPE_CHECKING:
    from coilbench.analysis.limits.limits import LimitsReport
    from coilbench.analysis.limits.valve_motion import LiftTable


MOST_SETS_NAMED = 4  # whose solid height is unknown, each in a note of its own


def assign_command(
    build: Path,
    effort: Effort,
    use_flagged: bool,
    seconds: float,
    with_limits: bool,
    as_json: bool,
) -> None:
    """Give every valve an outer, an inner and its shims, as near the card as can be."""
    parsed = read_build(build, from_book=True)
    table = lift_table_beside(parsed, build) if with_limits else None
    with Waiting(seconds) as waiting:
        waiting.say("Judging the sets")
        with open_book(book_path()) as db:
            parsed = in_book(db, parsed)
            judge = SetJudge(db, parsed, use_flagged)
            selection = select(db, parsed, effort, judge=judge, say=waiting.say, solving=waiting)
            parsed = selection.build
            found = candidate_sets(
                db, parsed, use_flagged, waiting.say, judge.known, from_book=selection.from_book
            )
            found = found.of_sets(selection.narrowed(found.sets))
            warned = (*rig_warnings(db), *set_warnings(db, found.sets))
        with found.before() as before:
            assignment = assign(parsed, found.sets, found.sizes, effort, waiting, before)
        assignment = selection.bounded(assignment, waiting)
    notes = () if with_limits else (LIMITS_NOT_LOOKED_AT,)
    limits = _limits(parsed, assignment, table) if with_limits else []
    if as_json:
        told = [limits_document(each) for each in limits]
        print_document(
            document(assignment)
            | document(card_facts(parsed))
            | {"notes": (*assignment_notes(assignment, SI), *notes), "left_out": found.left_out}
            | {"unsure": found.unsure, "warnings": document(warned)}
            | ({"limits": told} if with_limits else {})
            | selection_document(selection.shelves)
        )
    else:
        say_card(parsed, found, selection)
        _show(assignment)
        _show_needs(assignment.chosen, parsed)
        for each in limits:
            say_limits(each)
        for note in notes:
            say(f"Note: {note}.")
        show_warnings(warned)
        say(CAUTION)
        if with_limits:
            say(LIMITS_CAUTION)
    inside = assignment.chosen.valves_that_fit == len(assignment.valves)
    if not inside or any(each.fails for each in limits):
        raise click.exceptions.Exit(1)


def _limits(
    build: BuildFile, assignment: Assignment, table: LiftTable | None
) -> list[LimitsReport]:
    """Return the limits of each pair of sets that the assignment uses."""
    from coilbench.analysis.inputs.sheet_input import used_pairs  # imported late: slow to load

    return [pair.limits(table) for pair in used_pairs(build, assignment.chosen.valves)]


def _show(assignment: Assignment) -> None:
    chosen, shown = assignment.chosen, units()
    for told in _assumption_texts(assignment, shown):
        say(f"Note: {told}.")
    if chosen.valves:
        _show_valves(chosen)
        say(f"{assignment_verdict(chosen)}.")
        sums = number_text(chosen.objective), number_text(chosen.bound)
        is_open = bool(chosen.looked_at) or chosen.status == "feasible"
        bound = f"; no other choice is below {sums[1]}" if is_open or (chosen.bound or 0.0) else ""
        say(f"The sum is {sums[0]}{bound}.")
        if is_open and not chosen.proven:
            now_n, best_n = _missed_n(chosen, assignment.build)
            now, best = shown.load_text(now_n), shown.load_text(best_n)
            small = now_n - best_n < _most_u_n(chosen)
            less = ": less than the loads are uncertain by" if small else ""
            miss = "a load's miss, root mean square,"
            say(f"At best another brings {miss} from {now} to {best}{less}.")
        if (looks := looks_text(chosen, shown)) is not None:
            say(f"{looks}.")
        say(f"{_spread_text(chosen, shown)}.")
    else:
        say(f"{assignment_verdict(chosen)}{':' if assignment.reasons else '.'}")
        for reason in assignment.reasons:
            say(f"  {describe(reason, shown)}")
    _show_levels(assignment)
    if chosen.spares:
        spares = [spring.name for spring in chosen.spares]
        say(f"Spares: {names_or_count(spares, 'judged spring')}.")


def _show_needs(level: Level, build: BuildFile) -> None:
    """Say what to measure, and how much nearer to the card it could bring the loads at best."""
    if not level.needs:
        return
    shown = units()
    say(f"To settle it, measure ({PRESS_SAFELY}):")
    for line in needs_lines(level.needs, shown):
        say(f"  {line}")
    if level.objective is None or level.bound is None or not level.valves:
        return
    now_n, best_n = _missed_n(level, build)
    say(
        f"That could bring a load's miss, root mean square, from about {shown.load_text(now_n)} to "
        f"{shown.load_text(best_n)} at best, and may bring nothing; what is worth a press: "
        "coilbench plan."
    )


def _missed_n(level: Level, build: BuildFile) -> tuple[float, float]:
    """Return what a load misses the card by, root mean square, at most: now and at the bound."""
    cards = [card.cam for card in build.cards]
    tolerance_n = max(max(cam.seat_tolerance_n, cam.open_tolerance_n) for cam in cards)
    loads = 2 * max(len(level.valves), 1)
    now, best = (max(each or 0.0, 0.0) for each in (level.objective, level.bound))
    return tolerance_n * math.sqrt(now / loads), tolerance_n * math.sqrt(best / loads)


def _show_valves(level: Level) -> None:
    shown, plans = units(), level.valves
    length, load = shown.length, shown.load
    columns = {
        "valve": [plan.valve.name for plan in plans],
        f">height\n{length}": [shown.length_number(plan.valve.height_mm) for plan in plans],
        "outer": [plan.outer.name for plan in plans],
        "inner": ["-" if plan.inner is None else plan.inner.name for plan in plans],
        f"shims\n{length}": [shims_text(plan.choice, shown) or "-" for plan in plans],
        f">cut\n{length}": [shown.length_number(plan.choice.seat_cut_mm or None) for plan in plans],
        f">shut\n{load}": [shown.load_number(plan.seat.load_n) for plan in plans],
        f">full lift\n{load}": [shown.load_number(plan.open.load_n) for plan in plans],
        f">bind\n{length}": [shown.length_number(plan.coil_bind_margin_mm) for plan in plans],
        "": ["" if plan.verdict == "inside" else verdict_text(plan.verdict) for plan in plans],
    }
    columns = {title: cells for title, cells in columns.items() if set(cells) - {"-", ""}}
    print_uncut(columns_table(columns.items()))
    click.echo(f"Loads are uncertain by up to {shown.load_text(_most_u_n(level))} (k = 2).")


def _most_u_n(level: Level) -> float:
    return max(max(plan.seat.load_u_n, plan.open.load_u_n) for plan in level.valves)


def _show_levels(assignment: Assignment) -> None:
    titles = (LEVEL_TITLES[0], *(f">{title}" for title in LEVEL_TITLES[1:-1]), "")
    say("What each effort gives; the sum is 1 where one load misses by its tolerance:")
    print_uncut(plain_table(*titles, rows=level_rows(assignment.levels)))


def depths_command(build: Path, as_json: bool) -> None:
    """Print at which heights each set will be read, and how deep to press for them."""
    parsed = read_build(build)
    with open_book(book_path()) as db:
        parsed = in_book(db, parsed)
        names = (*parsed.springs.outer, *parsed.springs.inner)
        rows = depth_rows(parsed, {name: _spring_size(db, find_set(db, name)) for name in names})
    if as_json:
        print_document(document({"depths": rows}))
        return
    _show_depths(rows)


def _show_depths(rows: Sequence[DepthRow]) -> None:
    shown = units()
    cells = (
        (
            row.set_name,
            "shut" if row.at == "seat" else "full lift",
            _listed(row.heights_mm, row.span, shown),
            "-" if row.depths_mm is None else _listed(row.depths_mm, row.span, shown),
        )
        for row in rows
    )
    titles = ("set", "end", f">height, {shown.length}", f">depth, {shown.length}")
    print_uncut(plain_table(*titles, rows=cells))
    for row in rows:
        if row.too_low_mm is not None:
            say(
                f"{row.set_name} would have to stand at {shown.length_text(row.too_low_mm)}, too "
                f"near to {shown.length_text(row.solid_height_mm)}, where its coils are solid or "
                "begin to close: don't press it there."
            )
    for row in rows:
        if row.depths_mm and min(row.depths_mm) <= 0.0:
            say(f"{row.set_name} would stand loose where the depth is 0 or less.")
    if any(row.depths_mm is None for row in rows):
        say(
            "A depth needs a sure free length: measure the set, or where first contact is unsure "
            "(first turns that close softly), take a caliper: coilbench set measure SET"
        )
    say(f"Press {PRESS_SAFELY}.")


def _listed(lengths_mm: Sequence[float], span: bool, shown: Units) -> str:
    return (" to " if span else ", ").join(shown.length_number(mm) for mm in lengths_mm) or "-"


def _spring_size(db: Database, record: SetRecord) -> SpringSize:
    """Return a set's free length, as registered, else the mean of those surely measured; its solid.

    The solid height is the highest known: as registered, else of any spring.
    """
    curves: tuple[SpringCurve, ...] = ()
    with suppress(NothingMeasured):
        curves = measured_set(db, record).curves
    sure = [curve.free_length_mm for curve in curves if curve.length_sure]
    known = [free_mm for free_mm in sure if free_mm is not None]
    measured_mm = fmean(known) if known else None
    free_mm = measured_mm if record.free_length_mm is None else record.free_length_mm
    springs = usable(record, curves, ())
    return SpringSize(free_mm, springs.known_solid_mm, springs.closing_mm)


def _assumption_texts(assignment: Assignment, units: Units) -> Iterator[str]:
    """Yield what was assumed about valves and springs; many sets of one lack in one sentence."""
    alike = [
        each.set_name
        for each in assignment.assumptions
        if isinstance(each, SolidUnknown) and each.closing_mm is None
    ]
    for each in assignment.assumptions:
        if len(alike) <= MOST_SETS_NAMED or getattr(each, "set_name", None) not in alike:
            yield describe(each, units)
    if len(alike) > MOST_SETS_NAMED:
        yield (
            f"coil bind not checked, solid heights of {len(alike)} sets unknown: measure those of "
            "the springs chosen (coilbench set measure)"
        )


def _spread_text(level: Level, units: Units) -> str:
    """Say how far the valves are from each other."""
    seat_n, open_n = level.spread_n or (0.0, 0.0)
    return (
        f"From valve to valve the loads differ by {units.load_text(seat_n)} shut and "
        f"{units.load_text(open_n)} at full lift"
    )
