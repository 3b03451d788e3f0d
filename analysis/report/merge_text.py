"""What a merge, or sharing with a store, brought into the book and what differed, as text."""

from __future__ import annotations

from collections.abc import Mapping

from coilbench.analysis.report.document import filled
from coilbench.analysis.report.units import Units
from coilbench.capture.book.merging import Note
from coilbench.capture.book.row_names import counted_rows
from coilbench.capture.plain import as_typed


def brought_text(rows: Mapping[str, int], *, changed: bool) -> str:
    """Write how many rows of each table came in.

    Args:
        changed: whether differences were settled, though no row is new.
    """
    if counts := counted_rows(rows):
        return f"{', '.join(counts)} added"
    return "no new rows, but differences were settled" if changed else "nothing new"


def note_text(note: Note, shown: Units) -> str:
    """Write what differed, without a full stop."""
    if isinstance(note, str):
        return note
    loads = [filled("{load_n} at {height_mm}", load, shown) for load in note.kept.loads]
    rate = note.kept.rate_n_per_mm
    nominal = ", ".join([*loads, *([] if rate is None else [shown.rate_text(rate)])])
    return (
        f"the set {note.set_name} had two nominals; kept: {nominal}; to change it: "
        f"coilbench set nominal {as_typed(note.set_name)}"
    )
