"""What sharing a book with the shop's store did, as lines."""

from __future__ import annotations

from collections.abc import Iterator

from coilbench.analysis.report.merge_text import brought_text, note_text
from coilbench.analysis.report.units import Units
from coilbench.capture.book.row_names import counted_rows
from coilbench.capture.shop.answers import Answered
from coilbench.capture.shop.manifests import names_of
from coilbench.capture.shop.outcome import Shared
from coilbench.capture.units import counted

_NEWS = {
    "new_store": "This book is shared with this store for the first time",
    "copied_book": "Another copy of this book has shared as this bench, or an older copy was put "
    "back: from here on this book is a bench of its own",
    "older_store": "The store lacks what it had before, as one that was put back from a backup "
    "does",
}
_GIVEN = "it is given all that this book has"
_NOT_GIVEN = "what this book has of it is given by coilbench share without --pull"
_CLOCK_OFF_S = 90.0  # ours: what a clock wanders by that is set by hand


def share_lines(done: Shared, shown: Units) -> Iterator[str]:
    """Yield what was found, pulled and pushed, a sentence each."""
    yield from _found(done)
    if done.pulled is not None:
        changed = bool(done.pulled.notes)
        yield f"From the store: {brought_text(done.pulled.rows, changed=changed)}."
        for note in done.pulled.notes:
            yield f"Note: {note_text(note, shown)}."
    for what in done.taken_over:
        yield (
            f"! Before you press: {what}. Is it this shop's? See: coilbench rig card; else weigh "
            "or gauge anew, and what you make is in force."
        )
    if done.pushed is not None:
        other = "other entries" if done.pushed.rows else "nothing new"
        yield f"To the store: {', '.join(counted_rows(done.pushed.rows)) or other}."
        if done.pushed.damaged:
            rows = names_of(done.pushed.damaged)
            yield f"! Damaged, so that it stayed here: {rows}; see: coilbench book check."
        if done.pushed.unlike:
            unlike = [f"{row} (which {by} added)" for row, by in done.pushed.unlike.items()]
            yield (
                f"! Otherwise in the store than in this book, though it never changes: "
                f"{names_of(unlike)}; it stayed here. One of the two was changed, or is damaged: "
                "coilbench book check tells of the book; the store's administrator takes out what "
                "stands there (capture/SHOP.md, Taking out what somebody added)."
            )
    if done.answers is not None:
        yield from _answers(done.answers)


def _answers(done: Answered) -> Iterator[str]:
    if done.added:
        yield f"Worked out for the store: {counted(len(done.added), 'set')}."
    for name, why in done.left.items():
        yield f"Not worked out: {name} ({why})."


def _found(done: Shared) -> Iterator[str]:
    gives = done.pushed is not None
    for kind in done.news:
        then = f": {_GIVEN if gives else _NOT_GIVEN}" if kind == "older_store" else ""
        yield f"{_NEWS[kind]}{then}."
    if abs(done.clock_off_s) > _CLOCK_OFF_S:
        ahead = "ahead of" if done.clock_off_s > 0 else "behind"
        yield (
            f"! This machine's clock is {counted(round(abs(done.clock_off_s) / 60.0), 'minute')} "
            f"{ahead} the server's: what is newest is told by it; set the one that is wrong."
        )
    if done.lost:
        then = "what this book has of it is given again" if gives else _NOT_GIVEN
        yield f"! The store had and now lacks {done.lost}: {then}."
    for role in done.strong:
        yield (
            f"! The role {role} can change and delete what is in the store: give benches roles "
            "that can't, as in capture/SHOP.md."
        )
    for what in done.left:
        yield f"! Left out: {what}."
    if done.waits:
        yield "A capture is running on this book: what the store has comes in after it."
