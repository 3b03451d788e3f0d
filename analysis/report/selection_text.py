"""What was taken from the whole book, in sentences: counts and the sets that were judged."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from coilbench.analysis.inputs.selecting import Selection, Shelf
from coilbench.analysis.report.document import document, json_keys
from coilbench.capture.units import counted

json_keys(Shelf, "role springs sets unmeasured outside not_read judged only_looked_at")


MOST_NAMED = 40  # springs in a line; of more how many there are is enough


def names_or_count(names: Sequence[str], noun: str) -> str:
    """List names where a line holds them, else say how many there are."""
    return ", ".join(names) if len(names) <= MOST_NAMED else counted(len(names), noun)


def selection_document(selection: Selection) -> dict[str, Any]:
    """Return what JSON says of it; nothing where the build file names all its sets."""
    shelves = selection.shelves
    return {"from_book": document(list(shelves.values()))} if shelves else {}


def selection_lines(selection: Selection) -> Iterator[str]:
    """Yield for each role how many springs there are, which stay out and why, what was judged."""
    for shelf in selection.shelves.values():
        out = {
            "not measured": shelf.unmeasured,
            "not pressed as far as springs.where asks": shelf.outside,
            "not read at the heights they would have": shelf.not_read,
        }
        said = "".join(f"; {count} {why}" for why, count in out.items() if count)
        whole = f"{counted(shelf.springs, 'spring')} of {counted(shelf.sets, 'set')}"
        yield f"From the whole book, {shelf.role}: {whole}{said}."
        if shelf.only_looked_at:
            yield (
                f"  Judged: {', '.join(shelf.judged)}, the nearest to the card by a first look at "
                f"their stored curves; {shelf.only_looked_at} springs of other sets were only "
                "looked at."
            )
