"""What was taken from the whole book, in sentences: counts and the sets that were judged."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from coilbench.analysis.engine.shims import Role
from coilbench.analysis.inputs.shelf import Shelf
from coilbench.analysis.report.document import document, json_keys
from coilbench.capture.units import counted

json_keys(Shelf, "role springs sets unmeasured outside not_read partly_read judged only_looked_at")


MOST_NAMED = 40  # springs in a line; of more how many there are is enough


def names_or_count(names: Sequence[str], noun: str) -> str:
    """List names where a line holds them, else say how many there are."""
    return ", ".join(names) if len(names) <= MOST_NAMED else counted(len(names), noun)


def selection_document(shelves: Mapping[Role, Shelf]) -> dict[str, Any]:
    """Return what JSON says of it; nothing where the build file names all its sets."""
    return {"from_book": document(list(shelves.values()))} if shelves else {}


def selection_lines(shelves: Mapping[Role, Shelf]) -> Iterator[str]:
    """Yield for each role how many springs there are, which stay out and why, what was judged."""
    for shelf in shelves.values():
        out = {
            "not measured": shelf.unmeasured,
            "not pressed as far as springs.where asks": shelf.outside,
            "not read at the heights they would have": shelf.not_read,
        }
        said = "".join(f"; {count} {why}" for why, count in out.items() if count)
        whole = f"{counted(shelf.springs, 'spring')} of {counted(shelf.sets, 'set')}"
        yield f"From the whole book, {shelf.role}: {whole}{said}."
        if any(out.values()):
            yield "These stay out, out of the bound too: what they push there is not known."
        if shelf.partly_read:
            over = counted(shelf.partly_read, "spring")
            yield f"{over} read over some of the shims alone: considered there, not over others."
        if shelf.only_looked_at:
            yield (
                f"Judged: {names_or_count(shelf.judged, 'set')}, the nearest to the card by a "
                f"first look at their stored curves; {shelf.only_looked_at} springs of other sets "
                "were only looked at."
            )
