"""What sharing did, for whoever tells it."""

from __future__ import annotations

import msgspec

from coilbench.capture.book.merging import Note
from coilbench.capture.shop.answers import Answered
from coilbench.capture.shop.pushing import Pushed


class Pulled(msgspec.Struct):
    """What a pull did.

    Attributes:
        rows: how many rows of each table came in.
        notes: what differed, as a merge says it.
        unsaid: rows of which the store no longer has all that was said, though it has them.
        waits: a capture began on this book, so that not all was taken.
    """

    rows: dict[str, int] = msgspec.field(default_factory=dict)
    notes: list[Note] = msgspec.field(default_factory=list)
    unsaid: list[str] = msgspec.field(default_factory=list)
    waits: bool = False

    def after(self, other: Pulled) -> Pulled:
        """Return what this and one before it did together."""
        rows = {
            table: self.rows.get(table, 0) + other.rows.get(table, 0)
            for table in {**other.rows, **self.rows}
        }
        return Pulled(rows, other.notes + self.notes, other.unsaid + self.unsaid, self.waits)


class Shared(msgspec.Struct, frozen=True):
    """What sharing did.

    Attributes:
        address: the store's.
        pulled, pushed: None where it was not asked for, or had to wait.
        answers: what came of working sets out for those who read the store by SQL; None where it
            was not asked for.
        waits: a capture is running on this book, so that nothing was pulled.
        news: findings about the store and this bench: `new_store`, `copied_book`, `older_store`.
        lost: rows that the store had and no longer has, or of which words are gone, named.
        left: what the store has and was not taken, a sentence each without a full stop.
        clock_off_s: how far this bench's clock is ahead of the server's.
        strong: roles of benches that may change or delete what others added, each with why.
        taken_over: what is in force of this bench's rig now and came from another, likewise.
    """

    address: str
    pulled: Pulled | None
    pushed: Pushed | None
    waits: bool
    answers: Answered | None
    news: tuple[str, ...]
    lost: str = ""
    left: tuple[str, ...] = ()
    clock_off_s: float = 0.0
    strong: tuple[str, ...] = ()
    taken_over: tuple[str, ...] = ()
