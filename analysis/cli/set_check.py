"""`coilbench set check`: judge a set."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

import click

from coilbench.analysis.cli.common import (
    FRACTION,
    LENGTH,
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
from coilbench.analysis.cli.set_heights import NOMINAL, TypedNominal, asked_heights, places
from coilbench.analysis.cli.set_recalibrated import calibration_readings, show_readings
from coilbench.analysis.cli.set_strokes import show_strokes, strokes_document
from coilbench.analysis.curves.curve import BranchChoice
from coilbench.analysis.curves.set_notes import set_notes
from coilbench.analysis.measured import measured_set
from coilbench.analysis.rig_record import rig_warnings
from coilbench.analysis.sets.check import DEFAULT_ALPHA, DEFAULT_TOLERANCE, check_set
from coilbench.analysis.sets.grades import set_grades
from coilbench.analysis.sets.nominals import rate_aim
from coilbench.analysis.sets.result import rulings_document, to_document
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.rereading import OWN
from coilbench.capture.book.sets import find_set


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
    "nominals",
    type=NOMINAL,
    multiple=True,
    help="The load asked for, e.g. 24kg@38.5mm; or 24kg, one for each --at in the same order.",
)
@click.option(
    "--tolerance",
    type=FRACTION,
    default=f"{DEFAULT_TOLERANCE:.0%}",
    show_default=True,
    help="Allowed deviation from the set's middle, and from a nominal without its own.",
)
@click.option(
    "--false-alarms",
    "alpha",
    type=FRACTION,
    default=f"{DEFAULT_ALPHA:.0%}",
    show_default=True,
    help="How often a sound set may raise a false alarm of a spring standing apart.",
)
@click.option(
    "--why", "label", metavar="LABEL", help="Show what every rule says about this spring."
)
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
    nominals: tuple[TypedNominal, ...],
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

    A nominal kept with the set (set nominal) is held against too, at its own heights beside those
    asked for. With single springs --build also holds them against the cam card's loads. Exits with
    1 when a spring was found weak, stiff, short or odd.
    """
    build = None if build_path is None else read_build(build_path)
    with open_book(book_path()) as db:
        record = find_set(db, name)
        if label is not None:
            record.spring(label)
        asked = asked_heights(record, heights_mm, nominals, build)
        reach_mm = min((height_mm for height_mm, _ in asked), default=None)
        measured = measured_set(db, record, branch, calibration, reach_mm=reach_mm, units=units())
        judged = places(record, asked, measured.curves, units())
        at_mm = judged.heights_mm
        readings = calibration_readings(db, record, branch, (calibration, against), at_mm)
        warned = rig_warnings(db)
    curves, strokes = measured.curves, measured.strokes
    notes = (*judged.notes, *set_notes(curves, at_mm, units()))
    check = check_set(
        record.name,
        curves,
        at_mm,
        tolerance=tolerance,
        alpha=alpha,
        nominals=[nominal for _, nominal in judged.asked],
        nominal_rate=rate_aim(record.nominal, tolerance),
        free_length_nominal_mm=record.free_length_mm,
        doubts=measured.doubts,
        units=units(),
    )
    grades = set_grades(check, record.wire_mm, record.coil_diameter_mm, record.active_coils)
    if as_json:
        document = to_document(check) if label is None else rulings_document(check, label)
        if label is None:
            document["grades"] = [asdict(one) for one in grades]
            for spring in document["springs"]:
                spring["strokes"] = strokes_document(strokes, spring["label"])
        else:
            document["strokes"] = strokes_document(strokes, label)
        if budget:
            document["budgets"] = budgets_document(budgeted(curves, at_mm, label))
        document |= readings.to_document() | {"notes": list(notes), "warnings": list(warned)}
        print_document(document)
    elif label is None:
        show_check(check, measured.missing, units())
        show_strokes(record.name, strokes, console())
        show_grades(grades, units())
    else:
        show_why(check, label, strokes[label], console().width)
    if not as_json:
        if budget:
            show_budgets(budgeted(curves, at_mm, label), units())
        show_readings(readings, units())
        show_notes(notes)
        show_warnings(warned)
    if any(spring.set_apart for spring in check.springs if label in (None, spring.label)):
        raise click.exceptions.Exit(1)
