"""What the store had and no longer has: looked for at each sharing, and given again."""

from __future__ import annotations

import random
import uuid
from collections.abc import Sequence

from coilbench.capture.book.connection import Database
from coilbench.capture.book.news import KINDS
from coilbench.capture.book.rows import utc_now
from coilbench.capture.shop.left_out import LeftOut
from coilbench.capture.shop.manifests import (
    lacking,
    listed_there,
    missing_pushes,
    read_manifests,
)
from coilbench.capture.shop.reading import items_of, parts_of, unsaid
from coilbench.capture.shop.rows import Item, Listed, Push, read_items
from coilbench.capture.shop.shape import SCHEMA
from coilbench.capture.shop.store import Store

_LOOKED_AT, _LOOK_BYTES = 16, 1 << 16
_READ_WHOLE = 128  # rows of a push whose cells, labels and points are looked at


def look_back(
    db: Database, store: Store, known: Sequence[tuple[str, int]], left: LeftOut
) -> list[str]:
    """Return what the store no longer has of some pushes, drawn of all that a bench knows.

    The whole of a small record is looked at each time, of a large one a part, as long as it takes
    to share a set. Call it in a reading transaction.

    Args:
        known: by bench, the number of its last push that this book has had to do with.
        left: gets what is there and is not what was pushed.
    """
    total = sum(pushes for _, pushes in known)
    drawn = random.sample(range(total), min(total, _LOOKED_AT))
    wanted = [_nth(known, number) for number in drawn]
    sql = (
        f"SELECT bench, push, octet_length(manifest) FROM {SCHEMA}.pushes JOIN"  # noqa: S608
        " unnest(%s::text[], %s::bigint[]) AS p (bench, push) USING (bench, push)"
    )
    values = [[bench for bench, _ in wanted], [push for _, push in wanted]]
    rows = store.query(sql, values, (str, int, int))
    sizes = {(bench, push): size for bench, push, size in rows}
    found = [f"push {push} of {bench}" for bench, push in wanted if (bench, push) not in sizes]
    room = _LOOK_BYTES
    for bench, push in (one for one in wanted if one in sizes):
        if room > 0:
            for _, _, listed in read_manifests(store, bench, push - 1, push, left):
                lost = lacking(store, listed)
                found += lost.gone or _without_parts(db, store, listed, left)
                found += [one for one in lost.unsaid if not _is_said(db, store, *one.split())]
        room -= sizes[bench, push]
    return sorted(set(found))


def compare_all(db: Database, store: Store, left: LeftOut) -> None:
    """Compare all that both have, to the last sample; `left` gets what is not what was pushed.

    Call it in a reading transaction. What the store lacks of a row is left to a push.
    """
    for kind in KINDS:
        ids = [row_id for (row_id,) in db.execute(f"SELECT id FROM {kind} ORDER BY id")]  # noqa: S608
        for part in parts_of(store, kind, ids):
            _unlike(db, store, kind, part, left, content=True)


def give_pushes_again(store: Store, known: Sequence[tuple[str, int]]) -> None:
    """Put pushes that are gone back, with a list of what the store has of them.

    What else they brought is given in another one.
    """
    with store.transaction():
        for bench, push in missing_pushes(store, known):
            again = Push(bench, push, str(uuid.uuid4()), listed_there(store, bench, push))
            store.add_push(again, utc_now())


def _without_parts(db: Database, store: Store, listed: Listed, left: LeftOut) -> list[str]:
    """Return rows of which labels or points are gone; `left` gets those that are otherwise.

    Of many rows some are drawn.
    """
    every = {(table.removesuffix("_words"), one) for table, rows in listed.items() for one in rows}
    ids: dict[str, set[str]] = {}
    for kind, one in random.sample(sorted(every), min(len(every), _READ_WHOLE)):
        ids.setdefault(kind, set()).add(one)
    return [
        f"{kind} {row_id}"
        for kind, own in ids.items()
        for row_id in _unlike(db, store, kind, sorted(own), left)
    ]


def _unlike(
    db: Database,
    store: Store,
    table: str,
    ids: Sequence[str],
    left: LeftOut,
    *,
    content: bool = False,
) -> list[str]:
    """Return the rows of which this book has parts that the store lacks; `left` gets others."""
    kind, seen = store.kinds[table], LeftOut()
    items_of(store, kind, ids, seen, content=content)
    lost = []
    for row_id in sorted({row_id for _, row_id, _ in seen.keys}):
        own = read_items(db, kind, [row_id])
        if own and _lacks_parts(store, own[0]):
            lost.append(row_id)
            seen.said = {one: None for one in seen.said if f" {row_id}," not in one}
    for what in seen.said:
        left.say(what)
    return lost


def _lacks_parts(store: Store, item: Item) -> bool:
    """Tell whether the store lacks what is said of a row, a set's label or a scale's point."""
    if unsaid(store, [item]):
        return True
    if item.kind.points is None:
        return False
    table, key, _ = item.kind.points
    sql = f"SELECT point FROM {SCHEMA}.{table} WHERE {key} = %s"  # noqa: S608
    points = {point for (point,) in store.query(sql, [item.row_id], (int,))}
    return not {row["point"] for row in item.points} <= points


def _is_said(db: Database, store: Store, table: str, row_id: str) -> bool:
    """Tell whether the store has what a book says of a row now: what it said before may be gone."""
    return not unsaid(store, read_items(db, store.kinds[table], [row_id]))


def _nth(known: Sequence[tuple[str, int]], number: int) -> tuple[str, int]:
    for bench, pushes in known:
        if number < pushes:
            return bench, number + 1
        number -= pushes
    raise IndexError(number)
