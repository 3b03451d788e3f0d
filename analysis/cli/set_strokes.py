"""`coilbench set strokes`: every stroke of a set, what was seen in it, the user's ruling on it."""

from __future__ import annotations

import textwrap
from contextlib import nullcontext

import click

from coilbench.analysis.cli.check_table import stroke_line
from coilbench.analysis.cli.common import NamedStroke, print_document, say, units
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.cli.tables import console
from coilbench.analysis.inputs.measured import strokes_of
from coilbench.analysis.inputs.rig_record import waiting_warnings
from coilbench.analysis.report.document import describe, document
from coilbench.analysis.report.rests_text import mixed_text
from coilbench.analysis.report.set_text import STROKE_RULE
from coilbench.analysis.report.units import SI
from coilbench.capture.book.by_hand import swap_pressed
from coilbench.capture.book.keyed_readings import spring_named
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.rests import kept_rests
from coilbench.capture.book.rows import writing
from coilbench.capture.book.sets import find_set
from coilbench.capture.book.sweeps import Ruling, StrokeRow
from coilbench.capture.units import counted

_SWAPPED = (
    "Exchanged: what was pressed as {0} is now {1}'s, and the reverse. Free lengths, solid "
    "heights, marks and notes that were taken by hand stay with their labels."
)


def set_strokes(
    name: str,
    only: str | None,
    used: tuple[NamedStroke, ...],
    left: tuple[NamedStroke, ...],
    ruled: tuple[NamedStroke, ...],
    swapped: tuple[str, str] | None,
    as_json: bool,
) -> None:
    """Show every stroke of a set: what was seen in it, whether it is kept, and why."""
    rulings: list[tuple[str, int, Ruling | None]] = [(*one, "use") for one in used]
    rulings += [(*one, "leave") for one in left]
    rulings += [(*one, None) for one in ruled]
    with open_book(book_path()) as db:
        record = find_set(db, name, strokes=not left)
        only = None if only is None else spring_named(record, only)
        changing = swapped is not None or rulings
        # what the set then looks like is part of it; only to show them, a book need not be writable
        with writing(db) if changing else nullcontext():
            if swapped is not None:
                first, second = (spring_named(record, one) for one in swapped)
                record = swap_pressed(db, record, first, second).record
            if rulings:
                named = [(spring_named(record, one), at, ruling) for one, at, ruling in rulings]
                StrokeRow.keep_rulings(db, record, named)
                record = find_set(db, record.name)
            asked_mm = () if record.nominal is None else [n.height_mm for n in record.nominal.loads]
            reach_mm = min(asked_mm, default=None)
            strokes = strokes_of(db, record, reach_mm=reach_mm)
        shown_as = SI if as_json else units()
        mixed = mixed_text(kept_rests(db, record.name), shown_as)
        waiting = [describe(one, shown_as) for one in waiting_warnings(db, [record.name])]
    if swapped is not None:
        click.echo(_SWAPPED.format(first, second), err=as_json)
    shown = {label: own for label, own in strokes.items() if only in (None, label)}
    if as_json:
        springs = [{"label": label, "strokes": document(own)} for label, own in shown.items()]
        print_document(
            {"set": record.name, "springs": springs, "notes": [*waiting, *filter(None, (mixed,))]}
        )
        return
    for label, own in shown.items():
        if not own:
            click.echo(f"{label}: not measured yet.")
            continue
        plain = all(
            one.kept and not one.findings and one.ruling is None and one.note is None for one in own
        )
        if only is None and plain:
            them = "it" if len(own) == 1 else "them"
            click.echo(f"{label}: {counted(len(own), 'stroke')} kept, nothing against {them}.")
            continue
        click.echo(f"{label}:")
        for one in own:
            click.echo(stroke_line(one, console().width, units()))
    click.echo(textwrap.fill(f"{STROKE_RULE}.", console().width))
    if mixed is not None:
        say(f"Note: {mixed}.")
