"""What the store has and can't be taken as it is: left out, and named with who added it."""

from __future__ import annotations

import msgspec

from coilbench.capture.plain import plain_line
from coilbench.capture.shop.rows import Item
from coilbench.capture.shop.shape import words_of

Key = tuple[str, str, str]  # the store's table, the row's id, its digest as hexadecimal figures
_MOST_NAMED = 20


class LeftOut(msgspec.Struct):
    """What was left out while the store was read.

    Attributes:
        keys: the rows, as a push lists them: a push that lists one is read again next time.
        lost: those of them that the store lacks, each by its table in the book and its id.
        said: a sentence each, without a full stop, with who added it.
    """

    keys: set[Key] = msgspec.field(default_factory=set)
    lost: set[tuple[str, str]] = msgspec.field(default_factory=set)
    said: dict[str, None] = msgspec.field(default_factory=dict)

    def say(self, what: str) -> None:
        """Name something that can't be taken, once: in one line, whatever it is called."""
        self.said[plain_line(what)] = None

    def row(
        self, table: str, row_id: str, digest: bytes, why: str, by: str, *, known: bool = False
    ) -> None:
        """Leave out a row of one of the store's tables.

        Args:
            known: what a push lists so is there as well.
        """
        if not known:
            self.keys.add((table, row_id, digest.hex()))
        self.say(f"{table.removesuffix('_words')} {row_id}, which {by} added: {why}")

    def item(self, item: Item, why: str, *, known: bool, say: bool = True) -> None:
        """Leave out a row with what was said of it.

        Args:
            known: the book has the row, so that only what is said of it is left out.
            say: False for a row that goes with another, which is named.
        """
        if item.words:
            words = words_of(item.kind.table)
            self.keys.add((words, item.row_id, item.words_digest().hex()))
        if not known:
            self.keys.add((item.kind.table, item.row_id, item.digest().hex()))
        if say:
            self.say(f"{item.kind.table} {item.row_id}, which {item.by} added: {why}")

    def sentences(self) -> tuple[str, ...]:
        """Return what was left out, the first ones of many."""
        said = list(self.said)
        more = len(said) - _MOST_NAMED
        return tuple(said[:_MOST_NAMED] + ([f"and {more} more"] if more > 0 else []))
