"""A stroke's note in the book: a JSON list of findings. Pure.

Imports and older books keep a plain text, which is read as it is.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable
from itertools import pairwise

from coilbench.capture.blocks import Finding
from coilbench.capture.book.waits import COUNTS_ONCE

Remark = Finding | str
CLOSED, CLOSING_DIFFERS = "set_closed", "closing_differs"  # whether a closing press agreed
AS_CLOSED = "as_closed"  # a datum: it makes heights other by just what a closing press showed
BORNE_OUT = "borne_out"  # a later closing press agreed: what was seen before stands against no more
_BY_WORD = ("accepted", "gauge_said", "heights_said")
_IN_DOUBT = (*_BY_WORD, "stop_was_lower")


def note_of(remarks: Iterable[Remark]) -> str | None:
    """Return findings as the book keeps them; None for none."""
    documents = [one if isinstance(one, str) else one.to_document() for one in remarks]
    return json.dumps(documents, allow_nan=False) if documents else None


def remarks_of(note: str | None) -> list[Remark]:
    """Return what a note holds."""
    if not note:
        return []
    try:
        documents, end = json.JSONDecoder().raw_decode(note)
        remarks: list[Remark] = [
            one if isinstance(one, str) else Finding.from_document(one) for one in documents
        ]
    except (ValueError, TypeError, KeyError):
        return [note]
    if not isinstance(documents, list):
        return [note]
    later = note[end:].removeprefix("; ")  # older versions appended a text to the list
    return [*remarks, later] if later else remarks


def standing(note: str | None) -> list[Finding]:
    """Return the findings since a closing press last bore a stroke out."""
    found = [one for one in remarks_of(note) if not isinstance(one, str)]
    ends = [at for at, one in enumerate(found, start=1) if one.kind == BORNE_OUT]
    return found[max(ends, default=0) :]


def says(note: str | None, kinds: Collection[str]) -> bool:
    """Tell whether a note holds a finding of one of these kinds."""
    return any(one.kind in kinds for one in standing(note))


def borne_out(note: str | None) -> bool:
    """Tell whether what stood against a stroke was shown to be none."""
    found = remarks_of(note)
    return not counts_in_doubt(note) and any(
        not isinstance(one, str) and one.kind == BORNE_OUT for one in found
    )


def closing_bears_out(note: str | None, at_first: Collection[Finding]) -> bool:
    """Tell whether a closing press that agrees shows that a stroke in doubt was read rightly.

    It shows that heights are as they were at the first strokes: a scale that was said not to have
    slipped since, and a closing press that differed, are answered by it. Of another spring, a
    gauge's length, or what stood against the first strokes already it shows nothing.

    Args:
        note: the stroke's.
        at_first: what stands against the first strokes.
    """
    before: Finding | None = None
    against = 0
    for one in standing(note):
        if one.kind in _IN_DOUBT:
            against += 1
            told = before is not None and before.kind == CLOSING_DIFFERS
            since = one.kind in ("heights_said", "stop_was_lower") and one not in at_first
            if not (since or (one.kind == "accepted" and told)):
                return False
        before = one
    return against > 0


def said_to_count(note: str | None) -> Finding | None:
    """Return the closing press that left out a stroke which a person let count; None for none."""
    pairs = pairwise(standing(note))
    found = [one for one, then in pairs if (one.kind, then.kind) == (CLOSING_DIFFERS, "accepted")]
    return found[-1] if found else None


def counts_in_doubt(note: str | None) -> bool:
    """Tell whether something stands against a stroke that counts all the same."""
    return says(note, _IN_DOUBT)


def counts_by_word(note: str | None) -> bool:
    """Tell whether it counts by what a person said, against what was seen."""
    return says(note, _BY_WORD)


def closing_press(note: str | None) -> bool:
    """Tell whether a press was one that was to close its set."""
    found = (one for one in remarks_of(note) if isinstance(one, Finding))
    return any(one.facts.get("closes") or one.kind == CLOSED for one in found)


def closing_told(note: str | None) -> bool:
    """Tell whether it showed how its set is at the end."""
    return closing_press(note) and says(note, (CLOSED, CLOSING_DIFFERS))


def with_finding(note: str | None, finding: Finding) -> str:
    """Return a note with one finding more."""
    return note_of([*remarks_of(note), finding]) or ""


def waits_for(note: str | None) -> Finding | None:
    """Return why nobody knows yet whether a press counts; None where it does not wait."""
    found = (one for one in remarks_of(note) if isinstance(one, Finding))
    why = next((one.facts.get("why") for one in found if one.kind == COUNTS_ONCE), None)
    return Finding.from_document(why) if isinstance(why, dict) else None


def waits(note: str | None, why: Finding) -> str:
    """Return the note of a press that waits for this."""
    return with_finding(without_wait(note), Finding(COUNTS_ONCE, {"why": why.to_document()}))


def without_wait(note: str | None) -> str | None:
    """Return the note of a press that waits no more, whether it counts or not."""
    every = remarks_of(note)
    return note_of(one for one in every if isinstance(one, str) or one.kind != COUNTS_ONCE)
