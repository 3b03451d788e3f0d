"""`coilbench assign` and `coilbench depths`: springs to valves, and how deep to press by hand."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import click

from coilbench.analysis.cli.common import (
    heights_in_units,
    json_option,
    plain_table,
    print_document,
    print_uncut,
    say,
    show_warnings,
    units,
)
from coilbench.analysis.cli.pairing import CAUTION, say_card
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.engine.assignment import Assignment, Level, ValvePlan
from coilbench.analysis.engine.assignment_levels import assign
from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.shims import EFFORTS, Effort, depths
from coilbench.analysis.inputs.build_input import read_build
from coilbench.analysis.inputs.measured import candidate_sets, free_length_mm
from coilbench.analysis.inputs.rig_record import rig_warnings
from coilbench.analysis.report.assignment_text import (
    LEVEL_TITLES,
    assignment_notes,
    assignment_verdict,
    level_rows,
    number_text,
)
from coilbench.analysis.report.document import describe, document
from coilbench.analysis.report.units import SI, Units
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import find_set


@click.command(name="assign", epilog="Example: coilbench assign road.toml --effort cuts")
@click.argument("build", type=click.Path(path_type=Path))
@click.option(
    "--effort",
    type=click.Choice(EFFORTS),
    default="shims",
    show_default=True,
    help="What may be done under the springs; every level's best is shown.",
)
@click.option("--use-flagged", is_flag=True, help="Count weak, stiff, short and odd springs in.")
@json_option
def assign_command(build: Path, effort: Effort, use_flagged: bool, as_json: bool) -> None:
    """Give every valve an outer, an inner and its shims, as near the card as can be.

    Springs come from all candidate sets of the build file together. The sum over the valves of
    both loads' misses, each in its tolerance and squared, is the least there is, and proven so.
    Valves and heights are those of [head.valves], else `valves` in [head] says how many.
    Exits with 1 when the limits leave no way to fill every valve.
    """
    parsed = read_build(build)
    with heights_in_units(), open_book(book_path()) as db:
        found = candidate_sets(db, parsed, use_flagged)
        warned = rig_warnings(db)
    assignment = assign(parsed, found.sets, found.sizes, effort)
    if as_json:
        print_document(
            document(assignment)
            | {"notes": assignment_notes(assignment, SI), "left_out": found.left_out}
            | {"unsure": found.unsure, "warnings": document(warned)}
        )
    else:
        say_card(parsed, found)
        _show(assignment)
        show_warnings(warned)
        say(CAUTION)
    if not assignment.chosen.valves:
        raise click.exceptions.Exit(1)


def _show(assignment: Assignment) -> None:
    chosen, shown = assignment.chosen, units()
    for assumed in assignment.assumptions:
        say(f"Note: {describe(assumed, shown)}.")
    if chosen.valves:
        _show_valves(chosen)
        say(f"{assignment_verdict(chosen)}.")
        sums = number_text(chosen.objective), number_text(chosen.bound)
        say(f"The sum is {sums[0]}, that of no other choice is below {sums[1]}.")
    else:
        say(f"{assignment_verdict(chosen)}{':' if assignment.reasons else '.'}")
        for reason in assignment.reasons:
            say(f"  {describe(reason, shown)}")
    _show_levels(assignment)
    if chosen.spares:
        say(f"Spares: {', '.join(spring.name for spring in chosen.spares)}.")


def _show_valves(level: Level) -> None:
    """Print a row for each valve; an empty column is left out."""
    shown, plans = units(), level.valves
    length, load = shown.length, shown.load
    columns = {
        "valve": [plan.valve.name for plan in plans],
        f">height\n{length}": [shown.length_number(plan.valve.height_mm) for plan in plans],
        "outer": [plan.outer.name for plan in plans],
        "inner": ["-" if plan.inner is None else plan.inner.name for plan in plans],
        f"shims\n{length}": [_shims(plan, shown) for plan in plans],
        f">cut\n{length}": [shown.length_number(plan.choice.seat_cut_mm or None) for plan in plans],
        f">shut\n{load}": [shown.load_number(plan.seat.load_n) for plan in plans],
        f">full lift\n{load}": [shown.load_number(plan.open.load_n) for plan in plans],
        f">bind\n{length}": [shown.length_number(plan.coil_bind_margin_mm) for plan in plans],
        "": ["" if plan.fits else "outside" for plan in plans],
    }
    columns = {title: cells for title, cells in columns.items() if set(cells) - {"-", ""}}
    table = plain_table(*columns)
    for cells in zip(*columns.values(), strict=True):
        table.add_row(*cells)
    print_uncut(table)
    worst = max(max(plan.seat.load_u_n, plan.open.load_u_n) for plan in plans)
    click.echo(f"Loads are uncertain by up to {shown.load_text(worst)} (k = 2).")


def _shims(plan: ValvePlan, shown: Units) -> str:
    return "+".join(shown.length_number(shim) for shim in plan.choice.shims_mm) or "-"


def _show_levels(assignment: Assignment) -> None:
    table = plain_table(LEVEL_TITLES[0], *(f">{title}" for title in LEVEL_TITLES[1:-1]), "")
    for row in level_rows(assignment.levels):
        table.add_row(*row)
    say("What each effort gives; the sum is 1 where one load misses by its tolerance:")
    print_uncut(table)


@click.command(name="depths", epilog="Example: coilbench depths road.toml")
@click.argument("build", type=click.Path(path_type=Path))
@json_option
def depths_command(build: Path, as_json: bool) -> None:
    """Print how far to press each set for valve shut and full lift, with each shim.

    For a person who reads by hand: depth is free length less height.
    """
    parsed = read_build(build)
    names = (*parsed.springs.outer, *parsed.springs.inner)
    with open_book(book_path()) as db:
        lengths = {name: free_length_mm(db, find_set(db, name)) for name in names}
    if as_json:
        print_document(document({"depths": depths(parsed, lengths)}))
        return
    _show_depths(parsed, lengths)


def _show_depths(build: BuildFile, free_lengths_mm: Mapping[str, float | None]) -> None:
    shown, rows = units(), depths(build, free_lengths_mm)
    titles = ("shim", "cut", "shut\nheight", "shut\ndepth", "full lift\nheight", "full lift\ndepth")
    table = plain_table("set", *(f">{title}" for title in titles))
    for row in rows:
        table.add_row(
            row.set_name,
            shown.length_text(row.shim_mm or None),
            shown.length_text(row.seat_cut_mm or None),
            shown.length_text(row.seat_height_mm),
            shown.length_text(row.seat_depth_mm),
            shown.length_text(row.open_height_mm),
            shown.length_text(row.open_depth_mm),
        )
    print_uncut(table)
    if any(row.seat_depth_mm is None for row in rows):
        say(
            "A depth needs a sure free length: measure the set, or where first contact is unsure "
            "(first turns that close softly), take a caliper and give --free-length."
        )
    click.echo("Press slowly, the spring captive at both ends; stop before the coils bind.")
