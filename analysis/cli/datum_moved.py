"""A datum that contradicts the one that stood: the presses that it puts in doubt, named."""

from __future__ import annotations

from collections.abc import Iterator

from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.report.document import first_few
from coilbench.capture.book.calibrations import PartRecord
from coilbench.capture.book.counting import read_by_travel
from coilbench.capture.book.opening import open_book
from coilbench.capture.plain import as_typed


def presses_in_doubt(standing: PartRecord) -> Iterator[str]:
    """Yield what to say of the presses that were read by a datum that is contradicted now."""
    with open_book(book_path()) as db:
        read = read_by_travel(db, standing.part_id, standing.boot_id)
    for name in dict.fromkeys(one.set_name for one in read):
        labels = list(dict.fromkeys(one.label for one in read if one.set_name == name))
        yield (
            f"In doubt, since they were read by the datum before: {first_few(labels)} of {name}; "
            f"they count until you leave them out: coilbench set strokes {as_typed(name)} "
            "--leave LABEL:NUMBER"
        )
