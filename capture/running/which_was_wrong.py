"""Which press was another spring's: what redo and back answer to a question. Pure."""

from __future__ import annotations

from coilbench.capture.blocks import Finding
from coilbench.capture.running.kinds import OF_A_PRESS, OF_HEIGHTS


def which_was_wrong(question: Finding | None) -> bool:
    """Tell whether redo answers it: the press before the one that is asked about was another's."""
    return (
        question is not None
        and question.kind in OF_A_PRESS - OF_HEIGHTS
        and bool(question.facts.get("own"))
    )


def whose_before_was_wrong(question: Finding | None) -> str | None:
    """Return the spring whose presses before were another's, where back answers a question so."""
    if question is None or question.kind not in OF_HEIGHTS:
        return None
    facts = question.facts["why"] if question.kind == "datum_doubted" else question.facts
    return facts.get("before")
