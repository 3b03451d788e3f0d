"""`coilbench set check`: judge a set."""

from __future__ import annotations

from pathlib import Path

import click
from rich.text import Text

from coilbench.analysis.cli.common import (
    FRACTION,
    LENGTH,
    book_path,
    console,
    json_option,
    load_cell,
    plain_table,
    print_document,
    read_build,
    units,
)
from coilbench.analysis.curves.curve import BranchChoice
from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.measured import measured_curves
from coilbench.analysis.sets.check import (
    DEFAULT_TOLERANCE,
    SetCheck,
    SpringCheck,
    check_set,
    to_document,
)
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import SetRecord, find_set
from coilbench.capture.units import Units


@click.command(name="check", epilog="Example: coilbench set check larch --at 38.5mm --at 27.6mm")
@click.argument("name")
@click.option(
    "--at", "heights_mm", type=LENGTH, multiple=True, help="A height to judge at; repeat it."
)
@click.option(
    "--build",
    "build_path",
    type=click.Path(path_type=Path),
    help="Judge at this build file's heights, valve shut and full lift.",
)
@click.option(
    "--tolerance",
    type=FRACTION,
    default=f"{DEFAULT_TOLERANCE:.0%}",
    show_default=True,
    help="Allowed deviation from the set's middle.",
)
@click.option(
    "--branch",
    type=click.Choice(["mean", "loading", "unloading"]),
    default="mean",
    show_default=True,
    help="Which branch loads are read from.",
)
@json_option
def set_check(
    name: str,
    heights_mm: tuple[float, ...],
    build_path: Path | None,
    tolerance: float,
    branch: BranchChoice,
    as_json: bool,
) -> None:
    """Judge a set: which springs are weak, stiff, short or odd, and which can't be told.

    Exits with 1 when a spring was found weak, stiff, short or odd.
    """
    build = None if build_path is None else read_build(build_path)
    with open_book(book_path()) as db:
        record = find_set(db, name)
        heights = heights_mm if build is None else (*heights_mm, *build_heights_mm(build, record))
        curves, missing = measured_curves(db, record, branch)
    check = check_set(
        record.name,
        curves,
        heights,
        tolerance=tolerance,
        free_length_nominal_mm=record.free_length_mm,
        units=units(),
    )
    if as_json:
        print_document(to_document(check))
    else:
        show_check(check, missing, units())
    if any(spring.set_apart for spring in check.springs):
        raise click.exceptions.Exit(1)


def build_heights_mm(build: BuildFile, record: SetRecord) -> tuple[float, float]:
    """Return the heights a build file puts a set at, valve shut and at full lift."""
    offset_mm = build.head.inner_offset_mm if record.role == "inner" else 0.0
    seat_mm = build.head.installed_height_mm - offset_mm
    return seat_mm, seat_mm - build.cam.valve_lift_mm


def show_check(check: SetCheck, missing: tuple[str, ...], shown: Units) -> None:
    """Print a set check as a table, then each flag with its reason."""
    columns = ["spring"]
    for height in check.summary:
        columns += [f">{shown.length_text(height.height_mm)}\n{shown.load}", ">off\n%"]
    columns += [f">rate\n{shown.load}/{shown.length}", f">free\n{shown.length}", "flags"]
    table = plain_table(*columns)
    for spring in check.springs:
        table.add_row(*_check_row(spring, shown))
    console().print(table)
    for height in check.summary:
        spread = "" if height.spread_n is None else f", spread {shown.load_text(height.spread_n)}"
        click.echo(
            f"At {shown.length_text(height.height_mm)}: mean {shown.load_text(height.mean_n)} "
            f"± {shown.load_text(height.mean_u_n)} (k = 2){spread}, "
            f"middle {shown.load_text(height.median_n)}"
        )
    for spring in check.springs:
        for flag in spring.flags:
            click.echo(f"{spring.label} {flag.kind}: {flag.reason}.")
    if missing:
        click.echo(f"Not measured yet: {', '.join(missing)}.")
    if not check.flagged:
        click.echo("No spring stands out.")


def _check_row(spring: SpringCheck, shown: Units) -> tuple[str | Text, ...]:
    cells: list[str | Text] = [spring.label]
    for reading in spring.readings:
        cells.append(load_cell(reading.load_n, reading.load_u_n, shown))
        cells.append("" if reading.deviation is None else f"{reading.deviation * 100:+.1f}")
    rate, free_mm = spring.rate_n_per_mm, spring.free_length_mm
    cells.append("-" if rate is None else shown.rate_text(rate).split()[0])
    cells.append("-" if free_mm is None else shown.length_text(free_mm).split()[0])
    cells.append(Text(" ".join(flag.kind for flag in spring.flags), "bold red"))
    return tuple(cells)
