"""A datum that contradicts the one that stands: asked about, and what it puts in doubt named."""

from __future__ import annotations

import sys
from collections.abc import Iterator

import click

from coilbench.analysis.cli.common import units
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.report.document import describe, first_few
from coilbench.capture.blocks import Finding, Hello
from coilbench.capture.book.calibrations import PartRecord
from coilbench.capture.book.counting import read_by_travel
from coilbench.capture.book.opening import open_book
from coilbench.capture.calibration.model import NewPart, datum_moved
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.plain import as_typed


def settle_datum(
    standing: PartRecord, new: NewPart, hello: Hello, *, accepted: bool
) -> Iterator[str]:
    """Ask whether a datum that contradicts the one that stands is right; yield what to say then.

    An incremental scale that started again counts from another zero: then none stands.

    Raises:
        CoilbenchError: it is not, or nobody can answer.
    """
    if hello.travel == "quadrature" and standing.boot_id != hello.boot_id:
        return
    (point,) = new.points
    moved_mm, u_mm = datum_moved(standing.fit, new.fit, point.travel_counts or 0.0)
    facts = {"height_mm": point.length_mm, "moved_mm": moved_mm, "u_mm": u_mm}
    if abs(moved_mm) <= u_mm:
        return
    words = describe(Finding("datum_differs", facts), units())
    asked = sys.stdin.isatty() and click.confirm(f"{words} Store it?", default=False)
    if not (accepted or asked):
        raise CoilbenchError(
            f"not stored: {words}",
            hint="Set the datum again with the right length; if it is right: --accept-moved",
        )
    yield f"Heights are {units().length_text(moved_mm)} other than by the datum before."
    with open_book(book_path()) as db:
        read = read_by_travel(db, standing.part_id, standing.boot_id)
    for name in dict.fromkeys(one.set_name for one in read):
        labels = list(dict.fromkeys(one.label for one in read if one.set_name == name))
        yield (
            f"In doubt, since they were read by that one: {first_few(labels)} of {name}; they "
            f"count until you leave them out: coilbench set strokes {as_typed(name)} "
            "--leave LABEL:NUMBER"
        )
