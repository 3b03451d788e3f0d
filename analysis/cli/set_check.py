"""`set check --budget`: what each reading's uncertainty is made of.

`set check --calibration` and `--against`: the same strokes by old and new calibrations.

`coilbench set check`: judge a set.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import click
from sqlite_utils import Database

from coilbench.analysis.cli.common import (
    FRACTION,
    LENGTH,
    console,
    json_option,
    load_cell,
    plain_table,
    print_document,
    show_warnings,
    units,
)
from coilbench.analysis.cli.set_nominal import NOMINAL, TypedNominal, asked_heights
from coilbench.analysis.cli.set_strokes import show_strokes, strokes_document
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.curves.curve import BranchChoice, HeightNotMeasured, Reading, SpringCurve
from coilbench.analysis.curves.uncertainty import Budget
from coilbench.analysis.inputs.build_input import read_build
from coilbench.analysis.inputs.measured import judge_set, measured_curves
from coilbench.analysis.inputs.rig_record import rig_warnings
from coilbench.analysis.report.card_text import budget_document, budget_rows, budget_words, headings
from coilbench.analysis.report.set_text import (
    set_notes,
    show_check,
    show_grades,
    show_notes,
    show_why,
)
from coilbench.analysis.report.units import Units
from coilbench.analysis.sets.grades import set_grades
from coilbench.analysis.sets.judge import (
    DEFAULT_ALPHA,
    DEFAULT_TOLERANCE,
    rulings_document,
    to_document,
)
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import SetRecord, find_set
from coilbench.capture.book.sweeps import OWN, Used, chosen, used_calibrations
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.units import counted


@dataclass(frozen=True)
class Budgeted:
    """One spring's reading, with the budget in it."""

    label: str
    reading: Reading


def budgeted(
    curves: Sequence[SpringCurve], heights_mm: Sequence[float], label: str | None
) -> list[Budgeted]:
    """Return the readings at the heights, of one spring or of all; unmeasured ones left out."""
    found = []
    for curve in curves:
        for height_mm in heights_mm if label in (None, curve.label) else ():
            try:
                found.append(Budgeted(curve.label, curve.load_at(height_mm)))
            except HeightNotMeasured:
                continue
    return found


def budgets_document(found: Sequence[Budgeted]) -> list[dict[str, Any]]:
    """Return them for JSON."""
    return [
        {
            "label": one.label,
            "height_mm": one.reading.height_mm,
            "load_n": one.reading.load_n,
            **budget_document(one.reading.budget),
        }
        for one in found
    ]


def show_budgets(found: Sequence[Budgeted], shown: Units) -> None:
    """Print a table a reading: source, type A or B, value, sensitivity, contribution."""
    for one in found:
        reading = one.reading
        click.echo(
            f"\n{one.label} at {shown.length_text(reading.height_mm)}: "
            f"{shown.load_text(reading.load_n)}"
        )
        show_budget(reading.budget, shown)


def show_budget(budget: Budget, shown: Units) -> None:
    """Print one budget as a table with its sum below."""
    source, kind, *numbers = (heading.replace(" ", "\n") for heading in headings(shown))
    table = plain_table(f"  {source}", kind, *(f">{heading}" for heading in numbers))
    table.columns[0].no_wrap = False
    for what, *others in budget_rows(budget, shown):
        table.add_row(f"  {what}", *others)
    console().print(table)
    click.echo(f"  {budget_words(budget, shown)}.")


@dataclass(frozen=True)
class Pair:
    """One spring's load at one height by two calibrations; None where it was not measured."""

    label: str
    height_mm: float
    by_this: Reading | None
    by_other: Reading | None


@dataclass(frozen=True)
class Readings:
    """What a set was captured with, and how its loads are by one calibration against another.

    Attributes:
        used: calibrations the raw strokes were captured with; none of a set without raw strokes.
        names: the calibrations compared, as `own` or an id; one alone where nothing is compared.
        pairs: one a spring and height.
    """

    used: tuple[Used, ...]
    names: tuple[str, ...]
    pairs: tuple[Pair, ...]

    def to_document(self) -> dict[str, Any]:
        """Return it for JSON: `calibration`, `captured_with`, and `against` where compared."""
        document: dict[str, Any] = {
            "calibration": self.names[0],
            "captured_with": [asdict(one) for one in self.used],
        }
        if len(self.names) > 1:
            document["against"] = {
                "calibration": self.names[1],
                "readings": [
                    {
                        "label": pair.label,
                        "height_mm": pair.height_mm,
                        **_numbers("load", pair.by_this),
                        **_numbers("against", pair.by_other),
                    }
                    for pair in self.pairs
                ],
            }
        return document


def calibration_readings(
    db: Database,
    record: SetRecord,
    branch: BranchChoice,
    choices: tuple[str, str | None],
    heights_mm: Sequence[float],
) -> Readings:
    """Read a set by the chosen calibration, and by another where one is named.

    Raises:
        CoilbenchError: no such calibration, or the set has no raw strokes to read anew.
    """
    used = used_calibrations(db, record)
    this, other = choices
    if not used and (this != OWN or other is not None):
        raise CoilbenchError(
            f"set {record.name!r} has no raw strokes: converted and keyed readings know no other "
            "calibration",
            hint="Leave --calibration and --against away",
        )
    if other is None:
        return Readings(used, (_name(db, this),), ())
    curves = {
        choice: {curve.label: curve for curve in measured_curves(db, record, branch, choice)[0]}
        for choice in (this, other)
    }
    pairs = [
        Pair(label, height_mm, _read(curve, height_mm), _read(curves[other].get(label), height_mm))
        for label, curve in curves[this].items()
        for height_mm in heights_mm
    ]
    return Readings(used, (_name(db, this), _name(db, other)), tuple(pairs))


def show_readings(readings: Readings, shown: Units) -> None:
    """Print what the strokes were read with, and old against new where they are compared."""
    if readings.names[0] != OWN:
        captured = ", ".join(
            f"{one.calibration_id[:8]} of {one.made_utc[:10]} ({counted(one.sweeps, 'stroke')})"
            for one in readings.used
        )
        click.echo(f"Read with calibration {readings.names[0]}; captured with {captured}.")
    if not readings.pairs:
        return
    this, other = (name[:8] for name in readings.names)
    table = plain_table(
        "spring", ">height", f">by {this}\n{shown.load}", f">by {other}\n{shown.load}", ">change"
    )
    for pair in readings.pairs:
        table.add_row(
            pair.label,
            shown.length_text(pair.height_mm),
            _cell(pair.by_this, shown),
            _cell(pair.by_other, shown),
            _change(pair, shown),
        )
    console().print(table)


def _name(db: Database, choice: str) -> str:
    record = chosen(db, choice)
    return OWN if record is None else record.calibration_id


def _read(curve: SpringCurve | None, height_mm: float) -> Reading | None:
    if curve is None:
        return None
    try:
        return curve.load_at(height_mm)
    except HeightNotMeasured:
        return None


def _numbers(name: str, reading: Reading | None) -> dict[str, float | None]:
    return {
        f"{name}_n": None if reading is None else reading.load_n,
        f"{name}_u_n": None if reading is None else reading.load_u_n,
    }


def _cell(reading: Reading | None, shown: Units) -> str:
    return "-" if reading is None else load_cell(reading.load_n, reading.load_u_n, shown)


def _change(pair: Pair, shown: Units) -> str:
    if pair.by_this is None or pair.by_other is None:
        return "-"
    return f"{shown.load_value(pair.by_this.load_n - pair.by_other.load_n):+.3f}"


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
        judged = judge_set(
            db,
            record,
            asked,
            tolerance=tolerance,
            alpha=alpha,
            branch=branch,
            calibration=calibration,
            units=units(),
        )
        at_mm = judged.heights_mm
        readings = calibration_readings(db, record, branch, (calibration, against), at_mm)
        warned = rig_warnings(db)
    measured, check = judged.measured, judged.checked
    curves, strokes = measured.curves, measured.strokes
    notes = (
        *(
            f"no spring was measured at {units().length_text(mm)}: the nominal there is not "
            "held against"
            for mm in judged.unheld_mm
        ),
        *set_notes(curves, at_mm, units()),
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
