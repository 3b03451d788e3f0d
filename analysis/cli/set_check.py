"""`coilbench set check`: judge a set."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

import click

from coilbench.analysis.cli.common import (
    FRACTION,
    LENGTH,
    LOAD,
    book_path,
    console,
    json_option,
    print_document,
    read_build,
    show_warnings,
    units,
)
from coilbench.analysis.cli.set_budget import budgeted, budgets_document, show_budgets
from coilbench.analysis.cli.set_check_show import show_check, show_grades, show_notes, show_why
from coilbench.analysis.cli.set_recalibrated import calibration_readings, show_readings
from coilbench.analysis.curves.curve import BranchChoice
from coilbench.analysis.curves.set_notes import set_notes
from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.measured import measured_curves
from coilbench.analysis.rig_record import rig_warnings
from coilbench.analysis.sets.check import DEFAULT_ALPHA, DEFAULT_TOLERANCE, Nominal, check_set
from coilbench.analysis.sets.grades import set_grades
from coilbench.analysis.sets.result import rulings_document, to_document
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.rereading import OWN
from coilbench.capture.book.sets import SetRecord, find_set
from coilbench.capture.errors import CoilbenchError


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
    "--nominal",
    "nominals_n",
    type=LOAD,
    multiple=True,
    help="The load asked for at a height, e.g. 24kg; one for each --at, in the same order.",
)
@click.option(
    "--tolerance",
    type=FRACTION,
    default=f"{DEFAULT_TOLERANCE:.0%}",
    show_default=True,
    help="Allowed deviation from the set's middle, and from --nominal.",
)
@click.option(
    "--false-alarms",
    "alpha",
    type=FRACTION,
    default=f"{DEFAULT_ALPHA:.0%}",
    show_default=True,
    help="How often a sound set may raise a false alarm of a spring standing apart.",
)
@click.option("--why", "label", help="Show what every rule says about this spring.")
@click.option(
    "--branch",
    type=click.Choice(["mean", "loading", "unloading"]),
    default="mean",
    show_default=True,
    help="Which branch loads are read from.",
)
@click.option(
    "--budget",
    is_flag=True,
    help="Show what each reading's uncertainty is made of; with --why, of that spring.",
)
@click.option(
    "--calibration",
    default=OWN,
    show_default=True,
    help="Read raw strokes with: own (what each was captured with), newest, or a calibration's id. "
    "Every derived number follows; the raw counts stay as they are.",
)
@click.option(
    "--against",
    help="Show the loads beside those by this other calibration: own, newest or an id.",
)
@json_option
def set_check(
    name: str,
    heights_mm: tuple[float, ...],
    build_path: Path | None,
    nominals_n: tuple[float, ...],
    tolerance: float,
    alpha: float,
    label: str | None,
    branch: BranchChoice,
    budget: bool,
    calibration: str,
    against: str | None,
    as_json: bool,
) -> None:
    """Judge a set: which springs are weak, stiff, short or odd, and which can't be told.

    With single springs --build also holds them against the cam card's loads. Exits with 1 when a
    spring was found weak, stiff, short or odd.
    """
    build = None if build_path is None else read_build(build_path)
    asked = _asked(heights_mm, nominals_n)
    with open_book(book_path()) as db:
        record = find_set(db, name)
        if label is not None:
            record.spring(label)
        if build is not None:
            asked += build_heights(build, record)
        at_mm = [height_mm for height_mm, _ in asked]
        curves, missing = measured_curves(db, record, branch, calibration)
        readings = calibration_readings(db, record, branch, (calibration, against), at_mm)
        warned = rig_warnings(db)
    notes = set_notes(curves, at_mm, units())
    check = check_set(
        record.name,
        curves,
        at_mm,
        tolerance=tolerance,
        alpha=alpha,
        nominals=[nominal for _, nominal in asked],
        free_length_nominal_mm=record.free_length_mm,
        units=units(),
    )
    grades = set_grades(check, record.wire_mm, record.coil_diameter_mm, record.active_coils)
    if as_json:
        document = to_document(check) if label is None else rulings_document(check, label)
        if label is None:
            document["grades"] = [asdict(one) for one in grades]
        if budget:
            document["budgets"] = budgets_document(budgeted(curves, at_mm, label))
        document |= readings.to_document() | {"notes": list(notes), "warnings": list(warned)}
        print_document(document)
    elif label is None:
        show_check(check, missing, units())
        show_grades(grades, units())
    else:
        show_why(check, label, console().width)
    if not as_json:
        if budget:
            show_budgets(budgeted(curves, at_mm, label), units())
        show_readings(readings, units())
        show_notes(notes)
        show_warnings(warned)
    if any(spring.set_apart for spring in check.springs if label in (None, spring.label)):
        raise click.exceptions.Exit(1)


def _asked(
    heights_mm: tuple[float, ...], nominals_n: tuple[float, ...]
) -> list[tuple[float, Nominal | None]]:
    """Pair each --at with its --nominal."""
    if not nominals_n:
        return [(height_mm, None) for height_mm in heights_mm]
    if len(nominals_n) != len(heights_mm):
        raise CoilbenchError(
            f"{len(nominals_n)} loads for {len(heights_mm)} heights",
            where="--nominal",
            mend="Give one --nominal for each --at, in the same order",
        )
    return [(mm, Nominal(n)) for mm, n in zip(heights_mm, nominals_n, strict=True)]


def build_heights(build: BuildFile, record: SetRecord) -> list[tuple[float, Nominal | None]]:
    """Return the heights a build file puts a set at, valve shut and at full lift.

    With the cam card's loads as nominal where the springs work alone; an outer and an inner share
    them, so that neither has one of its own.
    """
    cam, alone = build.cam, not build.springs.inner
    offset_mm = build.head.inner_offset_mm if record.role == "inner" else 0.0
    seat_mm = build.head.installed_height_mm - offset_mm
    seat = Nominal(cam.seat_load_n, cam.seat_tolerance_n) if alone else None
    opened = Nominal(cam.open_load_n, cam.open_tolerance_n) if alone else None
    return [(seat_mm, seat), (seat_mm - cam.valve_lift_mm, opened)]
