"""`coilbench set spring`: all that one spring's curve shows."""

from __future__ import annotations

import textwrap

import click
import numpy as np

from coilbench.analysis.cli.common import print_document, show_warnings, units
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.cli.tables import columns_table, console, load_cell
from coilbench.analysis.curves.curve import BranchChoice
from coilbench.analysis.curves.curve_fit import GIVEN_LENGTH_U_MM
from coilbench.analysis.curves.lengths import FoundHeight
from coilbench.analysis.inputs.by_hand import free_by_hand, set_solid_u_mm, solid_by_hand
from coilbench.analysis.inputs.measured import measured_set
from coilbench.analysis.inputs.rig_record import waiting_warnings
from coilbench.analysis.inputs.unasked import default_heights_mm
from coilbench.analysis.report.spring import Given, SpringFindings
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import SetRecord, find_set
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.plain import as_typed
from coilbench.capture.units import counted

WIDEST = 100
NARROW = 60  # characters: below it the branches are left to wider screens


def set_spring(
    name: str,
    label: str,
    heights_mm: tuple[float, ...],
    shares: tuple[float, float],
    free_length_mm: float | None,
    branch: BranchChoice,
    as_json: bool,
) -> None:
    """Show all that one spring's curve tells."""
    if free_length_mm is not None and free_length_mm <= 0.0:
        raise CoilbenchError(
            "a free length must be above 0",
            where="--free-length",
            hint="Give what the caliper reads, like 52.9mm",
        )
    with open_book(book_path()) as db:
        record = find_set(db, name)
        own = record.spring(label)
        measured = measured_set(db, record, branch)
        warned = waiting_warnings(db, [record.name])
    measured.refuse_waiting(record.name, own.label)
    curves = measured.curves
    curve = next((each for each in curves if each.label == label), None)
    if curve is None:
        raise CoilbenchError(
            f"spring {label!r} of set {name!r} is not measured yet",
            hint=f"Measure it with: coilbench daemon --port PORT --set {as_typed(name)}",
        )
    typed = None if free_length_mm is None else FoundHeight(free_length_mm, GIVEN_LENGTH_U_MM)
    solid = solid_by_hand(own)
    solid_u_mm = None if solid is None else solid.height_u_mm
    if own.solid_height_mm is None:
        solid_u_mm = set_solid_u_mm(record)
    given = Given(
        record.free_length_mm,
        typed or free_by_hand(own),
        record.solid_height_mm if own.solid_height_mm is None else own.solid_height_mm,
        solid_u_mm,
        record.wire_mm,
        record.coil_diameter_mm,
        record.active_coils,
    )
    at_mm = heights_mm or _running_mm(record) or default_heights_mm(curves)
    others = [each for each in curves if each.label != label]
    found = SpringFindings.of(curve, given, others, shares=shares, heights_mm=at_mm)
    if as_json:
        words = {"set": record.name, "mark": own.mark, "note": own.note}
        print_document(words | found.document() | {"warnings": warned})
    else:
        for what, text in (("Mark", own.mark), ("Note", own.note)):
            if text is not None:
                _echo(f"{what}: {text}")
        _show(record.name, found)
        show_warnings(warned)


def _running_mm(record: SetRecord) -> tuple[float, ...]:
    loads = () if record.nominal is None else record.nominal.loads
    heights = tuple(each.height_mm for each in loads)
    return heights if len(heights) >= 2 else ()


def _show(set_name: str, found: SpringFindings) -> None:
    curve = found.curve
    branch = "mean of both branches" if curve.branch == "mean" else f"{curve.branch} branch"
    strokes = counted(len(curve.sweeps), "stroke")
    _echo(f"{curve.label} of set {set_name}: {strokes}, {branch}\n")
    _show_loads(found)
    click.echo("")
    for line in found.rate_lines(units()):
        _echo(f"Rate {line}")
    if found.rates:
        _echo(f"The window: {found.window_text()}.\n")
    for title, words in found.sentences(units()):
        _echo(f"{title}: {words}.")


def _echo(text: str) -> None:
    """Print a line, wrapped where the screen is narrow; its ends stay."""
    wide = min(console().width, WIDEST)
    ends = "\n" if text.endswith("\n") else ""
    click.echo(textwrap.fill(text, wide, subsequent_indent="  ") + ends)


def _show_loads(found: SpringFindings) -> None:
    curve, shown = found.curve, units()
    read, grid = found.table(shown)
    if not read:
        return
    stiffness = f">stiffness\n{shown.load}/{shown.length}"
    columns = {
        f">height\n{shown.length}": [shown.length_number(one.height_mm) for one in read],
        f">down\n{shown.load}": [_cell(shown.load_value(n), 2) for n in grid.loading_n],
        f">up\n{shown.load}": [_cell(shown.load_value(n), 2) for n in grid.unloading_n],
        f">{curve.branch}\n{shown.load}": [
            load_cell(one.load_n, one.load_u_n, shown) for one in read
        ],
        ">loop\n%": [_cell(100.0 * share, 1) for share in grid.loop_share],
        stiffness: list(map(shown.rate_number, grid.stiffness_n_per_mm)),
    }
    if console().width < NARROW:
        for branch in ("down", "up"):
            del columns[f">{branch}\n{shown.load}"]
    console().print(columns_table(columns.items()))


def _cell(value: float, places: int) -> str:
    return f"{value:.{places}f}" if np.isfinite(value) else "-"
