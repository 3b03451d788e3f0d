"""`coilbench set check`: judge a set; the budgets of its loads; other calibrations beside."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from coilbench.analysis.cli.check_table import show_budget, show_check, stroke_line
from coilbench.analysis.cli.common import TypedNominal, print_document, say, show_warnings, units
from coilbench.analysis.cli.set_readings import suspect_lines
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.cli.tables import console, load_cell, plain_table
from coilbench.analysis.curves.curve import BranchChoice, SpringCurve
from coilbench.analysis.curves.readings import Reading
from coilbench.analysis.inputs.measured import JudgedSet, build_heights, judge_set, measured_set
from coilbench.analysis.inputs.other_sets import fits_other
from coilbench.analysis.inputs.rig_record import rig_warnings, set_warnings
from coilbench.analysis.report.budget_text import budget_text
from coilbench.analysis.report.curve_text import give_left_out, readings_at, set_notes
from coilbench.analysis.report.document import describe, document, filled, picked
from coilbench.analysis.report.rests_text import mixed_text
from coilbench.analysis.report.set_text import RULES, STROKE_RULE, TOO_FEW
from coilbench.analysis.report.units import SI, Units
from coilbench.analysis.sets.judge import SetCheck
from coilbench.analysis.sets.rulings import Nominal, NominalAt
from coilbench.capture.book.connection import Database
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.provenance import Used
from coilbench.capture.book.rests import kept_rests
from coilbench.capture.book.sets import SetRecord, find_set
from coilbench.capture.book.sweeps import chosen
from coilbench.capture.calibration.keyed_setup import KeptRests
from coilbench.capture.choices import OWN
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.plain import as_typed
from coilbench.capture.strokes.stroke_choice import JudgedStroke
from coilbench.capture.units import counted

if TYPE_CHECKING:
    from coilbench.analysis.engine.build_file import BuildFile


def _build(path: Path) -> BuildFile:
    from coilbench.analysis.inputs.build_input import read_build  # imported late: slow to load

    return read_build(path)


def _readings(
    curves: Sequence[SpringCurve], heights_mm: Sequence[float], label: str | None
) -> list[tuple[str, Reading]]:
    return [
        (curve.label, reading)
        for curve in curves
        if label in (None, curve.label)
        for reading in readings_at(curve, heights_mm)
    ]


def _asked_heights(
    record: SetRecord,
    heights_mm: Sequence[float],
    nominals: Sequence[TypedNominal],
    build: BuildFile | None,
) -> list[NominalAt]:
    """Return where to judge a set, each height with the load asked for; those typed come first."""
    asked = _typed(heights_mm, nominals)
    asked += [] if build is None else build_heights(build, record)
    if not asked and (record.nominal is None or not record.nominal.loads):
        raise CoilbenchError(
            "no height to check at",
            hint="Give one, like --at 38.5mm, or keep one: "
            f"coilbench set nominal {as_typed(record.name)} 24kg@38.5mm",
        )
    return asked


def _typed(heights_mm: Sequence[float], nominals: Sequence[TypedNominal]) -> list[NominalAt]:
    placed = [(one.height_mm, Nominal(one.load_n)) for one in nominals if one.height_mm is not None]
    bare = [Nominal(one.load_n) for one in nominals if one.height_mm is None]
    if not bare:
        given = dict(placed)
        return [*((mm, given.pop(mm, None)) for mm in heights_mm), *given.items()]
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
    """Judge a set: which springs are weak, stiff, short or odd, and which can't be told."""
    build = None if build_path is None else _build(build_path)
    with open_book(book_path()) as db:
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
        if label is not None:
            judged.measured.refuse_waiting(record.name, record.spring(label).label)
        at_mm = judged.heights_mm
        reread = _read_again(db, record, (calibration, against), branch, at_mm)
        kept = kept_rests(db, record.name)
        warned = (*rig_warnings(db), *set_warnings(db, [name]))
        apart = [one.label for one in judged.checked.springs if one.set_apart]
        suspects = _suspects(db, record, apart if label is None else [label], at_mm)
    readings = _readings(judged.measured.curves, at_mm, label) if budget else None
    notes = _notes(judged, kept, SI if as_json else units())
    if as_json:
        parts = _document(judged, label) | _budgets(readings) | reread
        print_document(parts | {"notes": notes, "warnings": warned})
    else:
        _say_check(record.name, judged, label, readings)
        _show_reread(reread, units())
        for note in (*notes, *suspects):
            click.echo(f"Note: {note}.")
        show_warnings(warned)
    if any(spring.set_apart for spring in judged.checked.springs if label in (None, spring.label)):
        raise click.exceptions.Exit(1)


def _budgets(readings: Sequence[tuple[str, Reading]] | None) -> dict[str, Any]:
    if readings is None:
        return {}
    keys = "height_mm load_n"
    return {
        "budgets": [
            {"label": own, **picked(reading, keys), **document(reading.budget)}
            for own, reading in readings
        ]
    }


def _say_check(
    name: str, judged: JudgedSet, label: str | None, readings: Sequence[tuple[str, Reading]] | None
) -> None:
    measured, check = judged.measured, judged.checked
    if label is None:
        show_check(check, measured.missing, units())
        show_strokes(name, measured.strokes, units())
    else:
        show_why(check, label, measured.strokes[label], console().width, units())
    for one in readings or ():
        _show_budget(*one, units())
    for line in give_left_out(() if readings is None else measured.curves, units()):
        say(line)


def _suspects(
    db: Database, record: SetRecord, labels: Sequence[str], heights_mm: Sequence[float]
) -> list[str]:
    """Say which readings of these springs may be slips, and which springs another set's."""
    others = fits_other(db, record, labels, heights_mm)
    return [*suspect_lines(db, record, labels), *(describe(one, units()) for one in others)]


def _notes(judged: JudgedSet, kept: Sequence[KeptRests], shown: Units) -> tuple[str, ...]:
    unheld = (
        f"no spring was measured at {shown.length_text(mm)}: the nominal there is not used"
        for mm in judged.unheld_mm
    )
    wrong = judged.solid_contradicted
    solid = () if wrong is None else (describe(wrong, shown),)
    mixed = mixed_text(kept, shown)
    weights = () if mixed is None else (mixed,)
    return (*unheld, *solid, *weights, *set_notes(judged.measured.curves, judged.heights_mm, shown))


def _document(judged: JudgedSet, label: str | None) -> dict[str, Any]:
    check, strokes = judged.checked, judged.measured.strokes
    if label is not None:
        rulings = check.spring(label).rulings
        return {"set": check.name, "label": label, "rulings": rulings, "strokes": strokes[label]}
    found: dict[str, Any] = document(check)
    for spring in found["springs"]:
        spring["strokes"] = document(strokes[spring["label"]])
    return found


def _show_budget(label: str, reading: Reading, shown: Units) -> None:
    click.echo("\n" + filled("{label} at {height_mm}: {load_n}", reading, shown, label=label))
    show_budget(budget_text(reading.budget, shown))


def _read_again(
    db: Database,
    record: SetRecord,
    choices: tuple[str, str | None],
    branch: BranchChoice,
    heights_mm: Sequence[float],
) -> dict[str, Any]:
    """Read a set by the chosen calibration, and by another where one is named.

    Returns:
        For JSON: `calibration`, what the raw strokes were `captured_with`, and `against` where two
        are compared, with a reading a spring and height by both; None where it was not measured.
    """
    used = Used.of_set(db, record)
    this, other = choices
    if not used and (this != OWN or other is not None):
        raise CoilbenchError(
            f"set {record.name!r} has no raw strokes: converted and keyed readings have no other "
            "calibration",
            hint="Leave out --calibration and --against",
        )
    found = {"calibration": _calibration_name(db, this), "captured_with": used}
    if other is None:
        return found
    curves, others = (
        {curve.label: curve for curve in measured_set(db, record, branch, choice).curves}
        for choice in (this, other)
    )
    readings = [
        {"label": label, "height_mm": height_mm}
        | _load(curve, height_mm, "load")
        | _load(others.get(label), height_mm, "against")
        for label, curve in curves.items()
        for height_mm in heights_mm
    ]
    name = _calibration_name(db, other)
    return found | {"against": {"calibration": name, "readings": readings}}


def _calibration_name(db: Database, choice: str) -> str:
    record = chosen(db, choice)
    return OWN if record is None else record.calibration_id


def _load(curve: SpringCurve | None, height_mm: float, name: str) -> dict[str, float | None]:
    found = () if curve is None else readings_at(curve, [height_mm])
    load_n, u_n = next(((one.load_n, one.load_u_n) for one in found), (None, None))
    return {f"{name}_n": load_n, f"{name}_u_n": u_n}


def _show_reread(reread: dict[str, Any], shown: Units) -> None:
    calibration, against = reread["calibration"], reread.get("against")
    if calibration != OWN:
        captured = ", ".join(
            f"{one.calibration_id[:8]} of {one.made_utc[:10]} ({counted(one.sweeps, 'stroke')})"
            for one in reread["captured_with"]
        )
        click.echo(f"Read with calibration {calibration}; captured with {captured}.")
    if against is None:
        return
    by = (f">by {name[:8]}\n{shown.load}" for name in (calibration, against["calibration"]))
    table = plain_table("spring", ">height", *by, ">change")
    for one in against["readings"]:
        known = one["load_n"] is not None and one["against_n"] is not None
        table.add_row(
            one["label"],
            shown.length_text(one["height_mm"]),
            load_cell(one["load_n"], one["load_u_n"], shown),
            load_cell(one["against_n"], one["against_u_n"], shown),
            f"{shown.load_value(one['load_n'] - one['against_n']):+.3f}" if known else "-",
        )
    console().print(table)


def show_why(
    check: SetCheck, label: str, strokes: Sequence[JudgedStroke], width: int, shown: Units
) -> None:
    """Print what every rule says about one spring and its strokes, wrapped to a width."""
    spring = check.spring(label)
    kinds = ", ".join(flag.kind for flag in spring.flags)
    within = "apart, within tolerance" if spring.apart_within else ""
    click.echo(f"{label}: {', '.join(filter(None, (kinds, within))) or 'no flag'}")
    if not spring.rulings:
        click.echo(textwrap.fill(TOO_FEW, width))
    for ruling in spring.rulings:
        verdict = "passes" if ruling.outcome == "pass" else ruling.outcome.upper()
        lines = textwrap.wrap(
            f"{RULES[ruling.rule]}: {describe(ruling, shown)}.",
            width,
            initial_indent=f"  {verdict:<7} ",
            subsequent_indent=" " * 12,
        )
        click.echo("\n".join(lines))
    if spring.free_length_mm is None:
        how = f"set measure {as_typed(check.name)} {as_typed(f'{label} free LENGTH')}"
        click.echo(f"  free length: not measured; with a caliper: coilbench {how}")
    click.echo(textwrap.fill(_tests_line(check, shown), width))
    click.echo("Strokes:")
    for stroke in strokes:
        click.echo(stroke_line(stroke, width, shown))
    rule = f"{STROKE_RULE}. Your rulings override this: coilbench set strokes --help."
    click.echo(textwrap.fill(rule, width))


def show_strokes(name: str, strokes: Mapping[str, Sequence[JudgedStroke]], shown: Units) -> None:
    """Print the strokes that are left out or doubtful, and how to overrule."""
    seen = [(label, one) for label, own in strokes.items() for one in own if _doubtful(one)]
    for label, one in seen:
        say(f"{label} stroke {one.number}: {describe(one, shown)}.")
    for words, option, kept in (
        ("To include one", "--use", False),
        ("To leave one out", "--leave", True),
    ):
        named = next((f"{label}:{one.number}" for label, one in seen if one.kept == kept), None)
        if named is not None:
            click.echo(
                f"{words}: coilbench set strokes {as_typed(name)} {option} {as_typed(named)}"
            )


def _doubtful(stroke: JudgedStroke) -> bool:
    """Whether it was counted and is left out, or differs from its mates, or is spoilt."""
    if not stroke.kept:
        return bool(stroke.findings) or stroke.ruling is not None
    return any(one.spoils or one.kind == "apart" for one in stroke.findings)


def _tests_line(check: SetCheck, units: Units) -> str:
    """Say how the outlier test's false-alarm rate is kept."""
    shared = ", ".join(
        f"the {test}" if isinstance(test, str) else f"the load at {units.length_text(test)}"
        for test in check.tests
    )
    return (
        f"Outlier test (generalised ESD): at most {check.alpha:.1%} of sound sets raise a false "
        f"alarm, shared equally by {shared}: {check.alpha_each:.2%} each."
    )
