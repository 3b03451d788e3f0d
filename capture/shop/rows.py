"""Rows on their way between a book and the store: read, packed, and told apart by their digests."""

from __future__ import annotations

import hashlib
import struct
import zlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

import msgspec
import numpy as np

from coilbench.capture.book.connection import Database
from coilbench.capture.book.digests import BRANCHES, digest_of_content, stored_rows
from coilbench.capture.book.merge_names import base_name
from coilbench.capture.book.row_names import counted_rows, other_rows
from coilbench.capture.book.vouching import refuse_damaged_points
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.shop.shape import CURVE, PACKED, Kind, words_of
from coilbench.capture.strokes.stored import inflated
from coilbench.capture.tables.csv_table import MOST_ROWS
from coilbench.capture.units import counted

CHUNK = 1000  # rows at a time
CHUNK_BYTES = 1 << 25  # of strokes at a time: 1,000 usual ones have 6 MB
_HEAD = "<II"
Listed = dict[str, dict[str, str]]  # by table: the digest of each row (of its words) by its id
_MOST_CURVE_BYTES = 48 * MOST_ROWS  # both branches: three numbers for each row of a file
# Every text that a book can hold, by one that PostgreSQL can: it has no NUL.
_ESCAPE = "\x1a"
_LEVEL = 1  # zlib's fastest: packing is not to take longer than sending


class Item(msgspec.Struct):
    """A row with all that goes with it.

    Attributes:
        fixed: what never changes of it, by column, the id with it.
        words: what may change; empty where nothing does.
        points: of a calibration or a scale, a row each.
        labels: of a set: its springs' labels by their ids.
        by: of a row of the store: the role that added it, or said it.

    It is whole before a digest of it is asked for: that is kept.
    """

    kind: Kind
    fixed: dict[str, Any]
    words: dict[str, Any] = msgspec.field(default_factory=dict)
    points: list[dict[str, Any]] = msgspec.field(default_factory=list)
    labels: dict[str, str] = msgspec.field(default_factory=dict)
    by: str = ""
    _digests: dict[str, bytes] = msgspec.field(default_factory=dict)

    @property
    def row_id(self) -> str:
        """The id of the row, in both."""
        return str(self.fixed["id"])

    def digest(self) -> bytes:
        """Return SHA-256 over what never changes; a column that is empty doesn't count."""
        if "fixed" not in self._digests:
            cells = {**self.fixed, **dict.fromkeys(PACKED)}
            self._digests["fixed"] = _digest(cells, self.points)
        return self._digests["fixed"]

    def words_digest(self) -> bytes:
        """Return SHA-256 over what may change."""
        if "words" not in self._digests:
            self._digests["words"] = _digest(self.words, sorted(self.labels.items()))
        return self._digests["words"]

    def curve(self) -> list[bytes] | None:
        """Return a stroke's branches, as its curve was packed; None where it has none.

        Raises:
            ValueError: it was not packed so.
        """
        packed = self.fixed.get(CURVE)
        return None if packed is None else _unpack_curve(packed)

    def curve_bytes(self) -> int:
        """Return how many bytes its curve is said to have as it is unpacked."""
        packed = self.fixed.get(CURVE) or b""
        return (
            sum(struct.unpack_from(_HEAD, packed)) if len(packed) >= struct.calcsize(_HEAD) else 0
        )

    def curve_rows(self) -> Iterator[tuple[Any, ...]]:
        """Yield the book's rows of its curve."""
        for branch, numbers in zip(BRANCHES, self.curve() or (b"", b""), strict=True):
            for point, height_mm, load_n in np.frombuffer(numbers, "<f8").reshape(-1, 3).tolist():
                yield self.row_id, branch, int(point), height_mm, load_n


class Push(msgspec.Struct):
    """A push on its way: which it is, and the rows that it lists, so that a lost one is noticed.

    Attributes:
        listed: by the store's table and the row's id, the digest as hexadecimal figures.
    """

    bench: str
    push: int
    uuid: str
    listed: Listed = msgspec.field(default_factory=dict)

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
        return zlib.compress(msgspec.json.encode(self.listed), _LEVEL)


def told_with(error: CoilbenchError, words: str, rows: Mapping[str, int]) -> CoilbenchError:
    """Return an error that also says what was shared before it, by how many rows of each table."""
    other = other_rows(rows)
    shared = ", ".join([*counted_rows(rows), *([counted(other, "other row")] if other else [])])
    what = f"{error.what}; {shared or 'nothing'} {words}"
    return CoilbenchError(what, where=error.where, hint=error.hint)


def parted(sizes: Iterable[tuple[str, int]], rows: int, most_bytes: int) -> Iterator[list[str]]:
    """Yield ids in their order, so many together as the bounds allow, and at least one.

    Args:
        sizes: each id with its bytes.
    """
    part: list[str] = []
    total = 0
    for row_id, size in sizes:
        if part and (len(part) == rows or total + size > most_bytes):
            yield part
            part, total = [], 0
        part.append(row_id)
        total += size
    if part:
        yield part


def _digest(cells: Mapping[str, Any], more: Sequence[object]) -> bytes:
    known = sorted((name, cell) for name, cell in cells.items() if cell is not None)
    plain = [
        sorted((n, c) for n, c in one.items() if c is not None) if isinstance(one, dict) else one
        for one in more
    ]
    return hashlib.sha256(repr((known, plain)).encode()).digest()


def read_items(db: Database, kind: Kind, ids: Sequence[str]) -> list[Item]:
    """Return rows of the book by id, without a stroke's content; damaged ones are left out."""
    found = []
    for row in stored_rows(db.conn, kind.table, f"WHERE id IN ({_marks(ids)})", ids):
        if row.whole:
            cells = _decoded(row.cells, {**kind.fixed, **kind.words})
            if cells is None:
                continue
            fixed = {name: cells.get(name) for name in kind.fixed}
            if fixed.get("added_utc") is not None:  # its turn is each book's own
                fixed["turn"] = None
            found.append(Item(kind, fixed, {name: cells[name] for name in kind.words}))
    _add_points(db, found)
    _add_labels(db, found)
    return sorted(found, key=lambda item: item.row_id)


def _decoded(cells: Mapping[str, Any], types: Mapping[str, str]) -> dict[str, Any] | None:
    """Return cells with text as text; None where some is none."""
    try:
        return {
            name: cell.decode() if type(cell) is bytes and types.get(name) == "TEXT" else cell
            for name, cell in cells.items()
        }
    except UnicodeDecodeError:
        return None


def _add_points(db: Database, items: Sequence[Item]) -> None:
    by_id = {item.row_id: item for item in items if item.kind.points is not None}
    for item in by_id.values():
        table, key, columns = item.kind.points or ("", "", {})
        sql = f"SELECT {', '.join(columns)} FROM {table} WHERE {key} = ? ORDER BY point"  # noqa: S608
        refuse_damaged_points(db.conn, table, item.row_id)
        item.points = list(db.query(sql, [item.row_id]))


def _add_labels(db: Database, items: Sequence[Item]) -> None:
    for item in items:
        if item.kind.table == "sets":
            sql = "SELECT id, label FROM springs WHERE set_id = ?"
            rows = db.execute(sql, [item.row_id])
            item.labels = {one: base_name(label, one) for one, label in rows}
            item.words["name"] = base_name(item.words["name"], item.row_id)


def add_content(db: Database, items: Sequence[Item]) -> Iterator[str]:
    """Give strokes their samples and packed curves; yields the ids of those that are damaged."""
    by_id = {item.row_id: item for item in items}
    ids = list(by_id)
    curves: dict[str, dict[str, list[tuple[float, ...]]]] = {one: {} for one in ids}
    for sweep_id, branch, *numbers in db.execute(
        "SELECT sweep_id, branch, point, height_mm, load_n FROM curve_rows"  # noqa: S608
        f" WHERE sweep_id IN ({_marks(ids)}) ORDER BY sweep_id, branch, point",
        ids,
    ):
        curves.setdefault(sweep_id, {}).setdefault(branch, []).append(tuple(numbers))
    sql = f"SELECT id, samples_blob FROM sweeps WHERE id IN ({_marks(ids)})"  # noqa: S608
    for sweep_id, blob in db.execute(sql, ids):
        fixed = by_id[sweep_id].fixed
        parts = [np.array(curves[sweep_id].get(branch, []), "<f8").tobytes() for branch in BRANCHES]
        if digest_of_content(sweep_id, blob, parts) != fixed["content_digest"]:
            yield sweep_id
        fixed["samples_blob"] = blob
        fixed[CURVE] = _pack_curve(parts)


def _pack_curve(branches: Sequence[bytes]) -> bytes:
    """Return a curve as one value: two lengths, then both branches' rows, compressed (RFC 1950).

    Args:
        branches: loading and unloading: point, height in mm, load in N of each row, as little
            endian float64.
    """
    head = struct.pack(_HEAD, *(len(one) for one in branches))
    return head + zlib.compress(b"".join(branches), _LEVEL)


def _unpack_curve(packed: bytes) -> list[bytes]:
    """Return what was packed.

    Raises:
        ValueError: this was not packed so.
    """
    try:
        first, second = struct.unpack_from(_HEAD, packed)
        rows = inflated(packed[struct.calcsize(_HEAD) :], min(first + second, _MOST_CURVE_BYTES))
    except struct.error as error:
        raise ValueError(str(error)) from error
    if len(rows) != first + second or first % 24 or second % 24:
        raise ValueError(f"{len(rows)} bytes where {first} and {second} were packed")
    return [rows[:first], rows[first:]]


def _marks(ids: Sequence[str]) -> str:
    return ", ".join("?" * len(ids))


def escaped(cell: object) -> object:
    """Return a cell as the store keeps it; `unescaped` gives it back."""
    if isinstance(cell, str) and ("\0" in cell or _ESCAPE in cell):
        return cell.replace(_ESCAPE, f"{_ESCAPE}1").replace("\0", f"{_ESCAPE}0")
    return cell


def unescaped(cell: Any) -> Any:
    """Return a cell of the store as the book had it."""
    if isinstance(cell, str) and _ESCAPE in cell:
        return cell.replace(f"{_ESCAPE}0", "\0").replace(f"{_ESCAPE}1", _ESCAPE)
    return cell
