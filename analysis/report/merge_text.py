"""What a merge, or sharing with a store, brought into the book and what differed, as text."""

from __future__ import annotations

from collections.abc import Mapping

from coilbench.analysis.report.document import filled
from coilbench.analysis.report.units import Units
from coilbench.capture.book.merging import Note
from coilbench.capture.book.row_names import counted_rows
from coilbench.capture.book.told import RESTS, Told
from coilbench.capture.plain import as_typed


def brought_text(rows: Mapping[str, int], *, changed: bool) -> str:
    """Write how many rows of each table came in.

    Args:
        changed: whether differences were settled, though no row is new.
    """
    if counts := counted_rows(rows):
        return f"{', '.join(counts)} added"
    return "no new rows, but differences were settled" if changed else "nothing new"


_REST = "weight that rests on the springs"


def _told_text(told: Told, shown: Units) -> str:
    what = _REST if told.what == RESTS else told.what.removesuffix("_mm").replace("_", " ")
    by = "at two benches, neither knowing of the other" if told.at_once else "at another bench"
    if told.springs > 1:
        return f"{told.of}: the {what} of {told.springs} springs was changed {by}"
    holds, other = (_value_text(told.what, one, shown) for one in told.values)
    if told.at_once:
        return f"{told.of}: the {what} was entered {by}: {holds} holds, not {other}"
    return f"{told.of}: the {what} was changed {by}: now {holds}, before {other}"


def _value_text(what: str, value: float | str | None, shown: Units) -> str:
    if value is None:
        return "as told of the rig" if what == RESTS else "not told"
    if isinstance(value, str):
        return repr(value)
    if what == RESTS:
        return shown.load_text(value)
    return shown.length_text(value) if what.endswith("_mm") else f"{value:g}"


def note_text(note: Note, shown: Units) -> str:
    """Write what differed, without a full stop."""
    if isinstance(note, str):
        return note
    if isinstance(note, Told):
        return _told_text(note, shown)
    loads = [filled("{load_n} at {height_mm}", load, shown) for load in note.kept.loads]
    rate = note.kept.rate_n_per_mm
    nominal = ", ".join([*loads, *([] if rate is None else [shown.rate_text(rate)])])
    return (
        f"the set {note.set_name} had two nominals; kept: {nominal}; to change it: "
        f"coilbench set nominal {as_typed(note.set_name)}"
    )
