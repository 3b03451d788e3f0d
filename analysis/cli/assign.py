"""`coilbench assign`: which spring and which shims on which valve.

`coilbench depths`: how far to press each set, for a person who reads by hand.
"""

from __future__ import annotations

from pathlib import Path

import click

from coilbench.analysis.cli.common import (
    json_option,
    plain_table,
    print_document,
    print_uncut,
    read_build,
    say,
    show_warnings,
    units,
)
from coilbench.analysis.cli.pairing import CAUTION, say_card
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.engine.assignment import EFFORTS, Effort, Level, ValvePlan
from coilbench.analysis.engine.assignment_levels import Assignment, assign, to_document
from coilbench.analysis.engine.depths import DepthRow, depths
from coilbench.analysis.engine.depths import to_document as depths_document
from coilbench.analysis.inputs.measured import candidate_sets, free_length_mm
from coilbench.analysis.inputs.rig_record import rig_warnings
from coilbench.analysis.report.units import Units
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import find_set

WITH = {"none": "no shims", "shims": "shims", "cuts": "shims and seat cuts"}


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
    with open_book(book_path()) as db:
        found = candidate_sets(db, parsed, use_flagged, units())
        warned = rig_warnings(db)
    assignment = assign(parsed, found.sets, found.sizes, effort, units())
    if as_json:
        document = {**to_document(assignment), "left_out": found.left_out}
        document["unsure"] = found.unsure
        print_document(document | {"warnings": list(warned)})
    else:
        say_card(parsed, found)
        for note in assignment.notes:
            say(f"Note: {note}.")
        _show(assignment)
        show_warnings(warned)
        say(CAUTION)
    if not assignment.chosen.valves:
        raise click.exceptions.Exit(1)


def _show(assignment: Assignment) -> None:
    chosen = assignment.chosen
    if chosen.valves:
        _show_valves(chosen)
        say(_verdict(chosen))
    elif chosen.status == "infeasible":
        click.echo("There is no way to fill every valve:")
        for reason in assignment.reasons:
            say(f"  {reason}")
    else:
        click.echo("The time ran out before any way to fill every valve was found.")
    _show_levels(assignment)
    if chosen.spares:
        say(f"Spares: {', '.join(spring.name for spring in chosen.spares)}.")


def _show_valves(level: Level) -> None:
    """Print a row for each valve; a column in which nothing stands is left out."""
    shown, plans = units(), level.valves
    length, load = shown.length, shown.load
    columns = {
        "valve": [plan.valve.name for plan in plans],
        f">height\n{length}": [_bare(plan.valve.height_mm, shown) for plan in plans],
        "outer": [plan.outer.name for plan in plans],
        "inner": ["-" if plan.inner is None else plan.inner.name for plan in plans],
        f"shims\n{length}": [_shims(plan, shown) for plan in plans],
        f">cut\n{length}": [_cut(plan, shown) for plan in plans],
        f">shut\n{load}": [_load(plan.seat_n, shown) for plan in plans],
        f">full lift\n{load}": [_load(plan.open_n, shown) for plan in plans],
        f">bind\n{length}": [_bare(plan.coil_bind_margin_mm, shown) for plan in plans],
        "": ["" if plan.fits else "outside" for plan in plans],
    }
    columns = {title: cells for title, cells in columns.items() if set(cells) - {"-", ""}}
    table = plain_table(*columns)
    for cells in zip(*columns.values(), strict=True):
        table.add_row(*cells)
    print_uncut(table)
    worst = max(max(plan.seat_u_n, plan.open_u_n) for plan in plans)
    click.echo(f"Loads are uncertain by up to {shown.load_text(worst)} (k = 2).")


def _bare(length_mm: float | None, shown: Units) -> str:
    return shown.length_text(length_mm).split()[0]


def _load(load_n: float, shown: Units) -> str:
    return shown.load_text(load_n).split()[0]


def _cut(plan: ValvePlan, shown: Units) -> str:
    return _bare(plan.choice.seat_cut_mm, shown) if plan.choice.seat_cut_mm else "-"


def _shims(plan: ValvePlan, shown: Units) -> str:
    return "+".join(_bare(shim, shown) for shim in plan.choice.shims_mm) or "-"


def _verdict(level: Level) -> str:
    """Say what was proven, and how many valves it brings inside the card."""
    fitting = sum(plan.fits for plan in level.valves)
    proven = (
        "Proven: no other choice comes nearer to the card"
        if level.status == "optimal"
        else "The time ran out before this was proven the best"
    )
    return (
        f"{proven} (sum {_number(level.objective)}, no choice is below {_number(level.bound)}). "
        f"{fitting} of {len(level.valves)} valves are inside its tolerances."
    )


def _show_levels(assignment: Assignment) -> None:
    table = plain_table("with", ">sum", ">inside", ">shims", ">cuts", "")
    for level in assignment.levels:
        found = bool(level.valves)
        fitting = sum(plan.fits for plan in level.valves)
        table.add_row(
            WITH[level.effort],
            _number(level.objective),
            f"{fitting} of {len(level.valves)}" if found else "-",
            str(level.shims) if found else "-",
            str(level.cuts) if found else "-",
            level.status,
        )
    click.echo("What each effort gives; the sum is 1 where one load misses by its tolerance:")
    print_uncut(table)


def _number(value: float | None) -> str:
    return "-" if value is None else f"{value:.4g}"


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
    rows = depths(parsed, lengths)
    if as_json:
        print_document(depths_document(rows))
        return
    _show_depths(rows)


def _show_depths(rows: tuple[DepthRow, ...]) -> None:
    shown = units()
    titles = ("shim", "cut", "shut\nheight", "shut\ndepth", "full lift\nheight", "full lift\ndepth")
    table = plain_table("set", *(f">{title}" for title in titles))
    for row in rows:
        table.add_row(
            row.set_name,
            shown.length_text(row.shim_mm) if row.shim_mm else "-",
            shown.length_text(row.seat_cut_mm) if row.seat_cut_mm else "-",
            shown.length_text(row.seat_height_mm),
            shown.length_text(row.seat_depth_mm),
            shown.length_text(row.open_height_mm),
            shown.length_text(row.open_depth_mm),
        )
    print_uncut(table)
    if any(row.seat_depth_mm is None for row in rows):
        click.echo("A depth needs the free length: measure the set, or give --free-length.")
    click.echo("Press slowly, the spring captive at both ends; stop before the coils bind.")
