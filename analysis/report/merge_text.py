"""What a merge, or sharing with a store, brought into the book and what differed, as text."""

from __future__ import annotations

from collections.abc import Mapping

from coilbench.analysis.report.document import filled
from coilbench.analysis.report.units import Units
from coilbench.capture.book.merging import Note
from coilbench.capture.book.nominals import SetNominal
from coilbench.capture.book.row_names import counted_rows
from coilbench.capture.book.told import NAME, NOMINAL, RESTS, SPRINGS, Told


def brought_text(rows: Mapping[str, int], *, changed: bool) -> str:
    """Write how many rows of each table came in.

    Args:
        changed: whether differences were settled, though no row is new.
    """
    if counts := counted_rows(rows):
        return f"{', '.join(counts)} added"
    return "no new rows, but differences were settled" if changed else "nothing new"


_WORDS = {RESTS: "weight that rests on the springs", NOMINAL: "nominal"}


def _told_text(told: Told, shown: Units) -> str:
    if told.what == NAME:
        return (
            f"the set that this book called {told.of} was renamed in another: now "
            f"{told.values[0]}; change it in your build files, too"
        )
    if told.what == SPRINGS:
        count, labels = told.values
        return f"{told.of}: another bench added {labels}; the set has {count:g} springs now"
    what = _WORDS.get(told.what) or told.what.removesuffix("_mm").replace("_", " ")
    by = "at two benches, neither knowing of the other" if told.at_once else "at another bench"
    if told.springs > 1:
        return f"{told.of}: the {what} of {told.springs} springs was changed {by}"
    holds, other = (_value_text(told.what, one, shown) for one in told.values)
    apart = ";" if told.what == NOMINAL else ","  # a nominal has commas of its own
    if told.at_once:
        return f"{told.of}: the {what} was entered {by}: {holds} holds{apart} not {other}"
    return f"{told.of}: the {what} was changed {by}: now {holds}{apart} before {other}"


def _value_text(what: str, value: float | str | None, shown: Units) -> str:
    if value is None:
        return {RESTS: "as told of the rig", NOMINAL: "none"}.get(what, "not told")
    if isinstance(value, str):
        if what == NOMINAL and (nominal := SetNominal.from_json(value)) is not None:
            return _nominal_text(nominal, shown)
        return repr(value)
    if what == RESTS:
        return shown.load_text(value)
    return shown.length_text(value) if what.endswith("_mm") else f"{value:g}"


def note_text(note: Note, shown: Units) -> str:
    """Write what differed, without a full stop."""
    if isinstance(note, str):
        return note
    return _told_text(note, shown)


def _nominal_text(nominal: SetNominal, shown: Units) -> str:
    told = [filled("{load_n} at {height_mm}", load, shown) for load in nominal.loads]
    if nominal.rate_n_per_mm is not None:
        told.append(shown.rate_text(nominal.rate_n_per_mm))
    if nominal.tolerance_relative is None:
        return ", ".join([*told, "no tolerance"])
    return f"{', '.join(told)}, tolerance {100.0 * nominal.tolerance_relative:.4g}%"
