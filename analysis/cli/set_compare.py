"""`coilbench set compare`: the same springs measured again."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

import click
from rich.table import Table

from coilbench.analysis.cli.common import print_document, say, show_warnings, units
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.cli.tables import columns_table, print_fullest
from coilbench.analysis.curves.curve import BranchChoice
from coilbench.analysis.inputs.build_input import read_build
from coilbench.analysis.inputs.measured import build_heights, measured_set
from coilbench.analysis.inputs.rig_record import rig_warnings, waiting_warnings
from coilbench.analysis.report.set_text import compare_document
from coilbench.analysis.report.units import Units, fixed
from coilbench.analysis.sets.compare import Change, Comparison, compare_sets
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import find_set
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.plain import as_typed
from coilbench.capture.units import counted


def set_compare(
    before: str,
    after: str,
    heights_mm: tuple[float, ...],
    build_path: Path | None,
    branch: BranchChoice,
    as_json: bool,
) -> None:
    """Compare a set with the same springs measured again, say before and after running in."""
    if before == after:
        raise CoilbenchError(
            f"set {before!r} compared with itself tells nothing",
            hint="Measure it again as: coilbench set new "
            f"{as_typed(f'{before}-after')} --again {as_typed(before)}",
        )
    build = None if build_path is None else read_build(build_path)
    with open_book(book_path()) as db:
        records = find_set(db, before), find_set(db, after)
        at_mm = list(heights_mm)
        if build is not None:
            at_mm += [height_mm for height_mm, _ in build_heights(build, records[0])]
        then, now = (measured_set(db, record, branch).curves for record in records)
        names = [record.name for record in records]
        warned = (*rig_warnings(db), *waiting_warnings(db, names))
    comparison = compare_sets((records[0].name, records[1].name), then, now, at_mm)
    if as_json:
        print_document(compare_document(comparison) | {"warnings": list(warned)})
        return
    _show(comparison, units())
    show_warnings(warned)


def _show(comparison: Comparison, shown: Units) -> None:
    click.echo(f"Change from {comparison.before} to {comparison.after}:")
    # all heights as full as the screen is wide, else one a height
    layouts = [partial(_table, comparison, shown, rate_u) for rate_u in (True, False, True)]
    print_fullest(layouts, len(comparison.heights_mm))
    loads = zip(comparison.heights_mm, comparison.means, strict=True)
    rate_unit = f"{shown.load}/{shown.length}"
    means = [(f"At {shown.length_text(mm)}", mean, shown.load, 3) for mm, mean in loads]
    for what, mean, unit, most in [*means, ("Rate", comparison.rate_mean, rate_unit, 4)]:
        if mean is not None:
            value = shown.load_value if unit == shown.load else shown.rate_value
            measured = mean.measured
            change = _change_text(value(measured.value), value(measured.u), " ± ", most)
            say(f"{what}: mean change {change} {unit} (k = 2), {_words(mean)}.")
    for note in _notes(comparison):
        say(note)


def _table(comparison: Comparison, shown: Units, rate_u: bool, heights: Sequence[int]) -> Table:
    springs = comparison.springs
    columns = [("spring", [spring.label for spring in springs])]
    for at in heights:
        loads = [spring.loads[at] for spring in springs]
        title = f">{shown.length_text(comparison.heights_mm[at])}\n{shown.load}"
        columns.append((title, [_cell(each, shown.load_value, 3) for each in loads]))
        columns.append((">\n%", [_percent(each) for each in loads]))
    rates = [_cell(spring.rate, shown.rate_value, 4, with_u=rate_u) for spring in springs]
    columns.append((f">rate\n{shown.load}/{shown.length}", rates))
    really = ["yes" if spring.changed else "can't tell" for spring in springs]
    return columns_table([*columns, ("really\nchanged", really)])


def _cell(
    change: Change | None, value: Callable[[float], float], most: int, *, with_u: bool = True
) -> str:
    """Write a change, with a star where it is larger than its uncertainty."""
    if change is None:
        return "-"
    told = _change_text(value(change.measured.value), value(change.measured.u), " ±", most)
    mark = " " if change.verdict == "cannot_tell" else "*"
    return f"{told if with_u else told.split()[0]}{mark}"


def _percent(change: Change | None) -> str:
    if change is None or change.before == 0.0:
        return ""
    return f"{100 * change.measured.value / change.before:+.1f}"


def _change_text(value: float, u: float, between: str, most: int) -> str:
    """A change and its uncertainty, to two digits of the latter, decimals limited."""
    places = 2 if u <= 0.0 else min(most, max(0, 1 - math.floor(math.log10(u))))
    return f"{fixed(value, places, '+')}{between}{u:.{places}f}"


def _words(mean: Change) -> str:
    percent = 0.0 if mean.before == 0.0 else 100 * mean.measured.value / mean.before
    share = "" if mean.before == 0.0 else f"{percent:+.1f} %, "
    of = f"{share}{counted(mean.springs, 'spring')}"
    return f"{of}: can't tell" if mean.verdict == "cannot_tell" else f"{of}: really {mean.verdict}"


def _notes(comparison: Comparison) -> list[str]:
    notes = [
        "* larger than its uncertainty (k = 2); of twenty unchanged loads, one looks so by chance."
    ]
    shared = {change.shared for spring in comparison.springs for change in spring.loads if change}
    if shared == {"all"}:
        notes.append(
            "Both were read with the same calibration: its errors cancel. A rig that drifted "
            "between shows as a change of all: coilbench rig check --mass tells."
        )
    elif shared == {"scale"}:
        notes.append(
            "Both are taken to be read off one scale, whose own error cancels. Weigh a known mass "
            "both times to be sure: coilbench rig weigh --scale."
        )
    elif shared and "none" not in shared:
        notes.append(
            "The load was read with the same calibration, whose errors cancel; the travel's was "
            "set again since: its errors are counted in."
        )
    elif shared:
        notes.append("Not all were read with one calibration: its errors are counted in.")
    if shared:
        notes.append("How a spring seats another time is not in these uncertainties.")
    if comparison.unmatched:
        notes.append(f"Measured once only: {', '.join(comparison.unmatched)}.")
    return notes
