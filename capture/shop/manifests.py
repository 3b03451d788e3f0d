"""What was pushed, by the list of each push; what of it the store lost, and giving it again.

Each push lists its rows, with the digest of what each holds. Rows are looked for by their ids,
whoever pushed them: what one bench pushed and the store lost is there again once another gives it.
"""

from __future__ import annotations

import random
from collections.abc import Iterable, Mapping, Sequence
from typing import Annotated, NamedTuple
from uuid import uuid4

import msgspec

from coilbench.capture.book.connection import Database
from coilbench.capture.book.ids import ID, is_id
from coilbench.capture.book.news import KINDS
from coilbench.capture.book.rows import utc_now
from coilbench.capture.shop.left_out import LeftOut
from coilbench.capture.shop.reading import items_of, parts_of, unsaid
from coilbench.capture.shop.rows import Item, Listed, Push, read_items
from coilbench.capture.shop.shape import MOST_LIST_BYTES, SCHEMA, Kind, words_of
from coilbench.capture.shop.store import Store
from coilbench.capture.strokes.stored import inflated

_PAGE = 100
_NAMED = 3
_Id = Annotated[str, msgspec.Meta(pattern=rf"\A{ID}\Z")]
_Figures = Annotated[str, msgspec.Meta(pattern=r"\A[0-9a-f]{64}\Z")]
_HEAL = "its administrator puts a backup of the store back, or the benches' books heal it"
_LOOKED_AT, _LOOK_BYTES = 16, 1 << 16
_READ_WHOLE = 128  # rows of a push whose cells, labels and points are looked at


def read_manifests(
    store: Store, bench: str, after: int, until: int, left: LeftOut
) -> Iterable[tuple[int, str, Listed]]:
    """Yield number, uuid and list of a bench's pushes after one, up to another, in order.

    It ends before a push that is not there. A list that is damaged is made of what is there.
    """
    sql = (
        f"SELECT push, uuid, added_by, manifest FROM {SCHEMA}.pushes WHERE bench = %s"  # noqa: S608
        f" AND push > %s AND push <= %s ORDER BY push LIMIT {_PAGE}"
    )
    while after < until:
        values = [bench, after, until]
        rows = store.query(sql, values, (int, str, str, bytes))
        for push, uuid, added_by, manifest in rows:
            if push != after + 1:
                left.say(
                    f"the bench {bench} has no push {after + 1}, though {added_by} added its push "
                    f"{push}: what came after is not read; {_HEAL}"
                )
                return
            after = push
            listed = _unpacked(store, manifest)
            if listed is None:
                left.say(f"the list of push {push} of {bench}, which {added_by} added, is damaged")
                listed = _listed_there(store, bench, push)
            yield push, uuid, listed
        if not rows:
            left.say(f"the bench {bench} has no push {after + 1} any more; {_HEAL}")
            return


def _unpacked(store: Store, manifest: bytes) -> Listed | None:
    try:
        plain = inflated(manifest, MOST_LIST_BYTES)  # a push of 1,000 strokes has 0.2 MB
        listed: Listed = msgspec.json.decode(plain, type=dict[str, dict[_Id, _Figures]])
    except (msgspec.DecodeError, ValueError):
        return None
    return listed if set(listed) <= set(_tables(store.kinds)) else None


def _tables(kinds: Mapping[str, Kind]) -> dict[str, str]:
    """Return the tables whose rows are listed, each with its column of digests."""
    words = {words_of(one.table): "words" for one in kinds.values() if one.words}
    return dict.fromkeys(kinds, "digest") | words


def _listed_there(store: Store, bench: str, push: int) -> Listed:
    """Return a list of what the store has of a push."""
    found: Listed = {}
    for table, digest in _tables(store.kinds).items():
        sql = f"SELECT id, {digest} FROM {SCHEMA}.{table} WHERE bench = %s AND push = %s"  # noqa: S608
        rows = store.query(sql, [bench, push], (str, bytes))
        if rows:
            found[table] = {row_id: cell.hex() for row_id, cell in rows if is_id(row_id)}
    return found


def _missing_pushes(store: Store, known: Sequence[tuple[str, int]]) -> list[tuple[str, int]]:
    """Return the pushes that the store lacks, by bench and number.

    They are those that have later ones, and those of which rows are there.

    Args:
        known: by bench, the number of the last push that is known to have been there.
    """
    sql = (
        "SELECT k.bench, n FROM unnest(%s::text[], %s::bigint[]) AS k (bench, last),"  # noqa: S608
        f" generate_series(1, k.last) AS n WHERE NOT EXISTS (SELECT 1 FROM {SCHEMA}.pushes p"
        " WHERE p.bench = k.bench AND p.push = n) AND EXISTS (SELECT 1 FROM"
        f" {SCHEMA}.pushes p WHERE p.bench = k.bench AND p.push > n)"
    )
    values = [[bench for bench, _ in known], [last for _, last in known]]
    found = set(store.query(sql, values, (str, int)))
    for table in _tables(store.kinds):
        sql = (
            f"SELECT DISTINCT bench, push FROM {SCHEMA}.{table} t WHERE NOT EXISTS (SELECT 1 FROM"  # noqa: S608
            f" {SCHEMA}.pushes p WHERE p.bench = t.bench AND p.push = t.push)"
        )
        found.update(store.query(sql, (), (str, int)))
    return sorted(found)


class Lacking(NamedTuple):
    """What a list has and the store has not, each as the table and the id, in order.

    Attributes:
        gone: rows of which nothing is there, or of which nothing is said any more.
        unsaid: rows of which not all is there that was said.
        otherwise: rows that are there with another digest.
    """

    gone: list[str]
    unsaid: list[str]
    otherwise: list[str]


def lacking(store: Store, listed: Listed) -> Lacking:
    """Return what is listed and not in the store as it is listed."""
    gone: set[str] = set()
    unsaid: set[str] = set()
    otherwise: set[str] = set()
    for table, rows in listed.items():
        words = table not in store.kinds
        base = table.removesuffix("_words") if words else table
        there = store.digests(table, "words" if words else "digest", list(rows))
        kept = {(one, digest.hex()) for one, digest in there}
        known = {one for one, _ in there}
        for one in (one for one, digest in rows.items() if (one, digest) not in kept):
            of = gone if one not in known else unsaid if words else otherwise
            of.add(f"{base} {one}")
    return Lacking(sorted(gone), sorted(unsaid - gone), sorted(otherwise - gone))


def names_of(rows: Sequence[str]) -> str:
    """Name rows, the first few of many."""
    more = len(rows) - _NAMED
    return ", ".join(rows[:_NAMED]) + (f" and {more} more" if more > 0 else "")


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
        for bench, push in _missing_pushes(store, known):
            again = Push(bench, push, str(uuid4()), _listed_there(store, bench, push))
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
