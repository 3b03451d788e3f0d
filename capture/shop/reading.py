"""What a store holds, read and checked: rows as they were pushed, and the lists of what was.

Each push lists its rows, each with the digest of what it holds. Rows are looked for by their ids,
whoever pushed them: what one bench pushed and the store lost is there again once another gives it.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

import msgspec

from coilbench.capture.book.digests import digest_of_content
from coilbench.capture.book.merge_rows import RULES
from coilbench.capture.book.values import impossible
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.shop.rows import Item, Listed
from coilbench.capture.shop.shape import PACKED, SCHEMA, Kind, words_of
from coilbench.capture.shop.store import Store, unescaped

_CHUNK = 1000
_MOST_BYTES = 1 << 28  # of a list as it is unpacked; a push of 1,000 strokes has 0.2 MB
_NAMED = 3


def read_manifests(
    store: Store, bench: str, after: int, until: int
) -> Iterable[tuple[int, str, Listed]]:
    """Yield number, uuid and list of a bench's pushes after one, up to another, in order.

    Raises:
        CoilbenchError: one of them is not there, or its list can't be read.
    """
    sql = (
        f"SELECT push, uuid, manifest FROM {SCHEMA}.pushes WHERE bench = %s"  # noqa: S608
        " AND push > %s AND push <= %s ORDER BY push"
    )
    expected = after + 1
    for first in range(after, until, 100):
        for push, uuid, manifest in store.query(sql, [bench, first, min(first + 100, until)]):
            if push != expected:
                break
            expected += 1
            yield push, uuid, _unpacked(store, bench, push, manifest)
    if expected <= until:
        raise CoilbenchError(
            f"the store lacks push {expected} of the bench {bench}, though it has later ones; "
            "nothing of that bench was brought in",
            where=store.address,
            hint="Its administrator puts a backup of the store back; the benches' books heal it",
        )


def _unpacked(store: Store, bench: str, push: int, manifest: bytes) -> Listed:
    unpacker = zlib.decompressobj()
    try:
        plain = unpacker.decompress(manifest, _MOST_BYTES)
        listed: Listed = msgspec.json.decode(plain, type=Listed)
        if not set(listed) <= _tables(store.kinds):
            raise ValueError
    except (zlib.error, msgspec.DecodeError, ValueError) as error:
        raise CoilbenchError(
            f"push {push} of the bench {bench} in the store is not what was pushed",
            where=store.address,
            hint="Its administrator puts a backup of the store back; the benches' books heal it",
        ) from error
    return listed


def _tables(kinds: Mapping[str, Kind]) -> set[str]:
    return {*kinds, *(words_of(one.table) for one in kinds.values() if one.words)}


def missing_pushes(store: Store, known: Sequence[tuple[str, int]]) -> list[tuple[str, int]]:
    """Return the pushes that the store lacks, though it has later ones, by bench and number.

    Args:
        known: by bench, the number of the last push that is known to have been there.
    """
    sql = (
        "SELECT k.bench, n FROM unnest(%s::text[], %s::bigint[]) AS k (bench, last),"  # noqa: S608
        f" generate_series(1, k.last) AS n WHERE NOT EXISTS (SELECT 1 FROM {SCHEMA}.pushes p"
        " WHERE p.bench = k.bench AND p.push = n) AND EXISTS (SELECT 1 FROM"
        f" {SCHEMA}.pushes p WHERE p.bench = k.bench AND p.push > n) ORDER BY 1, 2"
    )
    return store.query(sql, [[bench for bench, _ in known], [last for _, last in known]])


def lacking(store: Store, listed: Listed) -> tuple[list[str], list[str]]:
    """Return the rows that are listed and not in the store, and those of which words are gone.

    A row of which nothing is said any more, though there were words, counts as gone itself. Each
    is the table and the id, in order.
    """
    gone: set[str] = set()
    unsaid: set[str] = set()
    for table, rows in listed.items():
        words = table not in store.kinds
        base = table.removesuffix("_words") if words else table
        there = store.digests(table, "words" if words else "digest", list(rows))
        kept = {(one, digest.hex()) for one, digest in there}
        known = {one for one, _ in there} if words else set()
        for one in (one for one, digest in rows.items() if (one, digest) not in kept):
            (unsaid if one in known else gone).add(f"{base} {one}")
    return sorted(gone), sorted(unsaid - gone)


def names_of(rows: Sequence[str]) -> str:
    """Name rows, the first few of many."""
    more = len(rows) - _NAMED
    return ", ".join(rows[:_NAMED]) + (f" and {more} more" if more > 0 else "")


def items_of(store: Store, kind: Kind, ids: Sequence[str]) -> list[Item]:
    """Return rows of the store by id, one for each state of it, and see that each is as pushed."""
    found = []
    words = words_said(store, kind, ids)
    points = _points(store, kind, ids)
    for row in _rows(store, kind.table, [*kind.fixed, "digest"], ids):
        fixed = {name: row[name] for name in kind.fixed}
        for cells, labels in words.get(fixed["id"], [({}, {})]):
            item = Item(kind, fixed, cells, points.get(fixed["id"], []), labels)
            _check(item, row["digest"])
            found.append(item)
    return found


def _rows(
    store: Store, table: str, columns: Sequence[str], ids: Sequence[str], key: str = "id"
) -> Iterator[dict[str, Any]]:
    order = ", ".join(columns[:2])
    for first in range(0, len(ids), _CHUNK):
        rows = store.query(
            f"SELECT {', '.join(columns)} FROM {SCHEMA}.{table}"  # noqa: S608  our own names
            f" WHERE {key} = ANY(%s) ORDER BY {order}",
            [list(ids[first : first + _CHUNK])],
        )
        for row in rows:
            yield dict(zip(columns, map(unescaped, row), strict=True))


def words_said(
    store: Store, kind: Kind, ids: Sequence[str]
) -> dict[str, list[tuple[dict[str, Any], dict[str, str]]]]:
    """Return all that was said of rows, by id: what may change, and a set's labels."""
    if not kind.words:
        return {}
    labels: dict[tuple[str, bytes], dict[str, str]] = {}
    if kind.table == "sets":
        for row in _rows(store, "set_labels", ["id", "words", "spring_id", "label"], ids):
            labels.setdefault((row["id"], row["words"]), {})[row["spring_id"]] = row["label"]
    found: dict[str, list[tuple[dict[str, Any], dict[str, str]]]] = {}
    for row in _rows(store, words_of(kind.table), ["id", "words", *kind.words], ids):
        cells = {name: row[name] for name in kind.words}
        of_set = labels.get((row["id"], row["words"]), {})
        if Item(kind, {}, cells, labels=of_set).words_digest() != row["words"]:
            raise _not_as_pushed(kind.table, row["id"])
        found.setdefault(row["id"], []).append((cells, of_set))
    rule = RULES[kind.table]
    if kind.table != "sets":  # a set's columns are settled each by a rule of its own
        found = {
            row_id: [next(one for one in said if one[0] == rule.winner(*(w for w, _ in said)))]
            for row_id, said in found.items()
        }
    return found


def _points(store: Store, kind: Kind, ids: Sequence[str]) -> dict[str, list[dict[str, Any]]]:
    if kind.points is None:
        return {}
    table, key, columns = kind.points
    found: dict[str, list[dict[str, Any]]] = {}
    for row in _rows(store, table, list(columns), ids, key):
        found.setdefault(row[key], []).append(row)
    return {row_id: sorted(rows, key=lambda row: row["point"]) for row_id, rows in found.items()}


def _check(item: Item, digest: bytes) -> None:
    """Refuse a row that is not what was pushed, or holds what can't be."""
    whole = item.digest() == digest
    try:
        branches = item.curve() if whole else None
    except ValueError:
        raise _not_as_pushed(item.kind.table, item.row_id) from None
    if branches is not None:
        blob = item.fixed["samples_blob"]
        found = digest_of_content(item.row_id, blob, branches)
        whole = found == item.fixed["content_digest"]
    if not whole:
        raise _not_as_pushed(item.kind.table, item.row_id)
    wrong = impossible(
        {
            name: cell.encode() if isinstance(cell, str) else cell
            for name, cell in {**item.fixed, **item.words}.items()
            if name not in PACKED and name != "content_digest"
        }
    )
    if wrong is not None:
        raise CoilbenchError(f"{item.kind.table} {item.row_id} in the store cannot be: {wrong}")


def _not_as_pushed(table: str, row_id: str) -> CoilbenchError:
    return CoilbenchError(
        f"{table} {row_id} in the store is not what was pushed",
        hint="Its administrator puts a backup of the store back; the benches' books heal it",
    )
