"""The lists of what was pushed: each push lists its rows, with the digest of what each holds.

Rows are looked for by their ids, whoever pushed them: what one bench pushed and the store lost is
there again once another gives it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Annotated, NamedTuple

import msgspec

from coilbench.capture.book.ids import ID, is_id
from coilbench.capture.shop.left_out import LeftOut
from coilbench.capture.shop.rows import Listed
from coilbench.capture.shop.shape import MOST_LIST_BYTES, SCHEMA, Kind, words_of
from coilbench.capture.shop.store import Store
from coilbench.capture.strokes.stored import inflated

_PAGE = 100
_NAMED = 3
_Id = Annotated[str, msgspec.Meta(pattern=rf"\A{ID}\Z")]
_Figures = Annotated[str, msgspec.Meta(pattern=r"\A[0-9a-f]{64}\Z")]
_HEAL = "its administrator puts a backup of the store back, or the benches' books heal it"


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
                listed = listed_there(store, bench, push)
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


def listed_there(store: Store, bench: str, push: int) -> Listed:
    """Return a list of what the store has of a push."""
    found: Listed = {}
    for table, digest in _tables(store.kinds).items():
        sql = f"SELECT id, {digest} FROM {SCHEMA}.{table} WHERE bench = %s AND push = %s"  # noqa: S608
        rows = store.query(sql, [bench, push], (str, bytes))
        if rows:
            found[table] = {row_id: cell.hex() for row_id, cell in rows if is_id(row_id)}
    return found


def missing_pushes(store: Store, known: Sequence[tuple[str, int]]) -> list[tuple[str, int]]:
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
