"""`coilbench set check`: judge a set; the budgets of its loads; other calibrations beside.

`--budget` shows what each reading's uncertainty is made of, `--calibration` and `--against` read
the same strokes by old and new calibrations.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from coilbench.analysis.cli.check_table import (
    heights_in_units,
    read_again,
    reread_document,
    show_budget,
    show_check,
    show_reread,
    show_strokes,
    show_why,
)
from coilbench.analysis.cli.common import (
    FRACTION,
    LENGTH,
    NOMINAL,
    TypedNominal,
    console,
    json_option,
    print_document,
    show_warnings,
    units,
)
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.curves.curve import BranchChoice, HeightNotMeasured, Reading, SpringCurve
from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.inputs.build_input import read_build
from coilbench.analysis.inputs.measured import JudgedSet, build_heights, judge_set, measured_set
from coilbench.analysis.inputs.rig_record import rig_warnings
from coilbench.analysis.report.card_text import budget_text
from coilbench.analysis.report.document import document
from coilbench.analysis.report.set_text import (
    check_document,
    set_notes,
)
from coilbench.analysis.report.units import SI, Units
from coilbench.analysis.sets.judge import (
    DEFAULT_ALPHA,
    DEFAULT_TOLERANCE,
)
from coilbench.analysis.sets.rulings import Asked, Nominal
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import SetRecord, find_set
from coilbench.capture.book.sweeps import OWN
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.units import counted


@dataclass(frozen=True)
class _Budgeted:
    """One spring's reading, with the budget in it."""

    label: str
    reading: Reading


def _budgeted(
    curves: Sequence[SpringCurve], heights_mm: Sequence[float], label: str | None
) -> list[_Budgeted]:
    """Return the readings at the heights, of one spring or of all; unmeasured ones left out."""
    found = []
    for curve in curves:
        for height_mm in heights_mm if label in (None, curve.label) else ():
            try:
                found.append(_Budgeted(curve.label, curve.load_at(height_mm)))
            except HeightNotMeasured:
                continue
    return found


def _budgets_document(found: Sequence[_Budgeted]) -> list[dict[str, Any]]:
    """Return them for JSON."""
    return [
        {
            "label": one.label,
            "height_mm": one.reading.height_mm,
            "load_n": one.reading.load_n,
            **document(one.reading.budget),
        }
        for one in found
    ]


def _show_budgets(found: Sequence[_Budgeted], shown: Units) -> None:
    """Print a table a reading: source, type A or B, value, sensitivity, contribution."""
    for one in found:
        reading = one.reading
        click.echo(
            f"\n{one.label} at {shown.length_text(reading.height_mm)}: "
            f"{shown.load_text(reading.load_n)}"
        )
        show_budget(budget_text(reading.budget, shown))


def _asked_heights(
    record: SetRecord,
    heights_mm: Sequence[float],
    nominals: Sequence[TypedNominal],
    build: BuildFile | None,
) -> list[Asked]:
    """Return where to judge a set, each height with the load asked for there.

    Heights typed come first, then the build file's.

    Raises:
        CoilbenchError: no height, or loads without heights that are not as many as the heights.
    """
    asked = _typed(heights_mm, nominals)
    asked += [] if build is None else build_heights(build, record)
    if not asked and (record.nominal is None or not record.nominal.loads):
        raise CoilbenchError(
            "no height to check at",
            hint="Give one, like --at 38.5mm, or keep one: "
            f"coilbench set nominal {record.name} 24kg@38.5mm",
        )
    return asked


def _typed(heights_mm: Sequence[float], nominals: Sequence[TypedNominal]) -> list[Asked]:
    """Pair each --at with its --nominal; loads with heights of their own stand for themselves."""
    placed = [(one.height_mm, Nominal(one.load_n)) for one in nominals if one.height_mm is not None]
    bare = [Nominal(one.load_n) for one in nominals if one.height_mm is None]
    if not bare:
        asked: list[Asked] = [(height_mm, None) for height_mm in heights_mm]
        return _merged(asked, placed)
    if placed:
        raise CoilbenchError(
            "some loads name their heights and some don't",
            where="--nominal",
            hint="Write all of them like 24kg@38.5mm",
        )
    if len(bare) != len(heights_mm):
        raise CoilbenchError(
            f"{counted(len(bare), 'load')} for {counted(len(heights_mm), 'height')}",
            where="--nominal",
            hint="Give one --nominal for each --at, in the same order, or write 24kg@38.5mm",
        )
    return list(zip(heights_mm, bare, strict=True))


def _merged(asked: list[Asked], placed: Sequence[tuple[float, Nominal]]) -> list[Asked]:
    given = dict(placed)
    merged = [(mm, given.pop(mm, nominal)) for mm, nominal in asked]
    return [*merged, *given.items()]


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
    with heights_in_units(), open_book(book_path()) as db:
        record = find_set(db, name)
        if label is not None:
            record.spring(label)
        asked = _asked_heights(record, heights_mm, nominals, build)
        judged = judge_set(
            db,
            record,
            asked,
            tolerance=tolerance,
            alpha=alpha,
            branch=branch,
            calibration=calibration,
        )
        at_mm = judged.heights_mm
        reread = read_again(
            db,
            record,
            (calibration, against),
            lambda choice: measured_set(db, record, branch, choice).curves,
            at_mm,
        )
        warned = rig_warnings(db)
    measured, check = judged.measured, judged.checked
    curves, strokes = measured.curves, measured.strokes
    notes = _notes(judged, SI if as_json else units())
    if as_json:
        print_document(
            _document(judged, label)
            | ({"budgets": _budgets_document(_budgeted(curves, at_mm, label))} if budget else {})
            | reread_document(reread)
            | {"notes": list(notes), "warnings": list(warned)}
        )
    elif label is None:
        show_check(check, measured.missing, units())
        show_strokes(record.name, strokes, console(), units())
    else:
        show_why(check, label, strokes[label], console().width, units())
    if not as_json:
        if budget:
            _show_budgets(_budgeted(curves, at_mm, label), units())
        show_reread(reread, units())
        for note in notes:
            click.echo(f"Note: {note}.")
        show_warnings(warned)
    if any(spring.set_apart for spring in check.springs if label in (None, spring.label)):
        raise click.exceptions.Exit(1)


def _notes(judged: JudgedSet, shown: Units) -> tuple[str, ...]:
    unheld = (
        f"no spring was measured at {shown.length_text(mm)}: the nominal there is not used"
        for mm in judged.unheld_mm
    )
    return (*unheld, *set_notes(judged.measured.curves, judged.heights_mm, shown))


def _document(judged: JudgedSet, label: str | None) -> dict[str, Any]:
    check, strokes = judged.checked, judged.measured.strokes
    if label is not None:
        rulings = document(check.spring(label).rulings)
        return {
            "set": check.name,
            "label": label,
            "rulings": rulings,
            "strokes": document(strokes[label]),
        }
    found = check_document(check)
    for spring in found["springs"]:
        spring["strokes"] = document(strokes[spring["label"]])
    return found
