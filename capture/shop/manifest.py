"""What a push brought, listed in its own row: so that a store that lacks some of it is noticed.

The list names each row with the digest of what it holds. Rows are looked for by their ids, whoever
pushed them: what one bench pushed and the store lost is there again once another has given it.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import msgspec

from coilbench.capture.errors import CoilbenchError
from coilbench.capture.shop.shape import SCHEMA, Kind, words_of

if TYPE_CHECKING:
    from coilbench.capture.shop.rows import Item
    from coilbench.capture.shop.store import Store

_MOST_BYTES = 1 << 28  # of a list as it is unpacked; a push of 1,000 strokes has 0.2 MB
_NAMED = 3

Listed = dict[str, dict[str, str]]  # by table: the digest of each row (of its words) by its id


@dataclass
class Push:
    """A push on its way: which it is, and what it lists.

    Attributes:
        listed: by the store's table and the row's id, the digest as hexadecimal figures.
    """

    bench: str
    push: int
    uuid: str
    listed: Listed = field(default_factory=dict)

    def list_rows(self, items: Sequence[Item]) -> None:
        """List rows that it adds."""
        for item in items:
            self.listed.setdefault(item.kind.table, {})[item.row_id] = item.digest().hex()

    def list_words(self, items: Sequence[Item]) -> None:
        """List what may change of rows, as it adds it."""
        for item in items:
            table = words_of(item.kind.table)
            self.listed.setdefault(table, {})[item.row_id] = item.words_digest().hex()

    def packed(self) -> bytes:
        """Return the list as one value: JSON, compressed (RFC 1950)."""
        return zlib.compress(msgspec.json.encode(self.listed), 1)


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
