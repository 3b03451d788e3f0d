"""A stroke's note in the book: a JSON list of findings. Pure.

Imports and older books keep a plain text, which is read as it is.
"""

from __future__ import annotations

import json
from collections.abc import Iterable

from coilbench.capture.blocks import Finding

Remark = Finding | str
CLOSED = "set_closed"  # a closing press agreed
_IN_DOUBT = ("accepted", "gauge_said", "heights_said", "stop_was_lower")


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


def counts_in_doubt(note: str | None) -> bool:
    """Tell whether something stands against a stroke that counts all the same."""
    return any(not isinstance(one, str) and one.kind in _IN_DOUBT for one in remarks_of(note))


def with_finding(note: str | None, finding: Finding) -> str:
    """Return a note with one finding more."""
    return note_of([*remarks_of(note), finding]) or ""
