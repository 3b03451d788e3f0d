"""What the store had and no longer has: looked for at each sharing, and given again."""

from __future__ import annotations

import random
import uuid
from collections.abc import Sequence

from sqlite_utils import Database

from coilbench.capture.book.rows import utc_now
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.shop.reading import items_of, lacking, missing_pushes, read_manifests
from coilbench.capture.shop.rows import Listed, Push, read_items
from coilbench.capture.shop.shape import SCHEMA, words_of
from coilbench.capture.shop.store import Store

_LOOKED_AT, _LOOK_BYTES = 16, 1 << 16


def look_back(db: Database, store: Store, known: Sequence[tuple[str, int]]) -> list[str]:
    """Return what the store no longer has of some pushes, drawn of all that a bench knows.

    The whole of a small record is looked at each time, of a large one a part, as long as it takes
    to share a set. Call it in a reading transaction.

    Args:
        known: by bench, the number of its last push that this book has had to do with.
    """
    total = sum(pushes for _, pushes in known)
    drawn = random.sample(range(total), min(total, _LOOKED_AT))
    wanted = [_nth(known, number) for number in drawn]
    sql = (
        f"SELECT bench, push, octet_length(manifest) FROM {SCHEMA}.pushes JOIN"  # noqa: S608
        " unnest(%s::text[], %s::bigint[]) AS p (bench, push) USING (bench, push)"
    )
    values = [[bench for bench, _ in wanted], [push for _, push in wanted]]
    sizes = {(bench, push): size for bench, push, size in store.query(sql, values)}
    found = [f"push {push} of {bench}" for bench, push in wanted if (bench, push) not in sizes]
    room = _LOOK_BYTES
    for bench, push in (one for one in wanted if one in sizes):
        if room > 0:
            for _, _, listed in read_manifests(store, bench, push - 1, push):
                gone, unsaid = lacking(store, listed)
                found += gone or _without_parts(store, listed)
                found += [one for one in unsaid if not _is_said(db, store, *one.split())]
        room -= sizes[bench, push]
    return sorted(set(found))


def give_pushes_again(store: Store, known: Sequence[tuple[str, int]]) -> None:
    """Put pushes that are gone back, empty: what they brought is given in another one."""
    with store.transaction():
        for bench, push in missing_pushes(store, known):
            store.add_push(Push(bench, push, str(uuid.uuid4())), utc_now())


def _without_parts(store: Store, listed: Listed) -> list[str]:
    """Return rows of which labels or points are gone."""
    found = []
    for table, rows in listed.items():
        kind = store.kinds.get(table.removesuffix("_words"))
        if kind is not None and (kind.table == "sets" or kind.points is not None):
            for row_id in rows:
                try:
                    items_of(store, kind, [row_id])
                except CoilbenchError:
                    found.append(f"{kind.table} {row_id}")
    return found


def _is_said(db: Database, store: Store, table: str, row_id: str) -> bool:
    """Tell whether the store has what a book says of a row now: what it said before may be gone."""
    said = store.digests(words_of(table), "words", [row_id])
    items = read_items(db, store.kinds[table], [row_id])
    return all((row_id, item.words_digest()) in said for item in items)


def _nth(known: Sequence[tuple[str, int]], number: int) -> tuple[str, int]:
    for bench, pushes in known:
        if number < pushes:
            return bench, number + 1
        number -= pushes
    raise IndexError(number)
