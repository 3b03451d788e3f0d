"""A member of the shop who gives the store what no bench would, with digests that are right."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

from coilbench.capture.book.opening import open_book
from coilbench.capture.shop.rows import Item, Push, add_content, read_items
from coilbench.capture.shop.shape import kinds
from coilbench.capture.shop.store import Store

Spoil = Callable[[Item], object]


def items_in(path: Path, table: str, *, but: Spoil = lambda _: None) -> list[Item]:
    """Return all rows of a book's table as they are pushed, each spoilt, with an id of its own."""
    with open_book(path) as db:
        ids = [row_id for (row_id,) in db.execute(f"SELECT id FROM {table} ORDER BY id")]
        items = read_items(db, kinds()[table], ids)
        if table == "sweeps":
            assert list(add_content(db, items)) == []
    for item in items:
        but(item)
    return items


def renewed(item: Item) -> None:
    """Give a row an id that no other has, and its points with it."""
    row_id = str(uuid.uuid4())
    if item.kind.points is not None:
        for row in item.points:
            row[item.kind.points[1]] = row_id
    item.fixed["id"] = row_id


def give(
    address: str,
    items: Sequence[Item] = (),
    words: Sequence[Item] = (),
    *,
    bench: str = "eve",
    push: int = 1,
    **manifest: Any,
) -> None:
    """Add rows to the store in a push, and words on rows that it has."""
    with closing(Store(address)) as store, store.transaction():
        of = Push(bench, push, str(uuid.uuid4()), manifest)
        told = [*[one for one in items if one.words], *words]
        of.list_rows(items)
        of.list_words(told)
        store.add_push(of, "2026-05-02T10:00:00.000+00:00")
        for one in items:
            store.add_items([one], of)
        for one in told:
            store.add_words([one], of)
