"""Rows of the store, read and checked: what is not as it was pushed, or can't be, is left out.

Checked are types, values and counts. The values are judged as the book judges its own rows; what
only the whole of a set shows is found as the set is looked at after it was brought in, before that
is kept.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import cache
from typing import Any, NamedTuple

import msgspec
import numpy as np

from coilbench.capture.book.digests import digest_of_content
from coilbench.capture.book.edits import COUNTERS
from coilbench.capture.book.merge_rows import RULES
from coilbench.capture.book.values import impossible, latest_utc
from coilbench.capture.shop.left_out import LeftOut
from coilbench.capture.shop.rows import CHUNK, CHUNK_BYTES, Item, parted, unescaped
from coilbench.capture.shop.shape import PACKED, SCHEMA, Kind, words_of
from coilbench.capture.shop.store import Store
from coilbench.capture.tables.csv_table import MOST_ROWS

_PLAIN = {"TEXT": str, "INTEGER": int, "REAL": float, "BLOB": bytes}
_MOST_MM_N = 1e12  # far above what any press can give
_MOST_POINT = 2**31
# How many times nobody changes one thing between two sharings. So no member's word can bring a
# count near to where it ends, and what others count from there is taken.
_MOST_CHANGES = 1_000_000
_MOST_TRIED = 20
_OWN = {"bench": "TEXT", "push": "INTEGER", "added_by": "TEXT"}
_NOT_AS_PUSHED = "it is not what was pushed"
_TOO_FAR = "it counts more changes than anybody can have made"


@cache
def _row_type(cells: tuple[tuple[str, bool], ...]) -> Any:
    """Return the type of a row.

    Args:
        cells: of each its type in the book, and whether it can't be empty.
    """
    types = (_PLAIN[kind] if needed else _PLAIN[kind] | None for kind, needed in cells)
    return tuple.__class_getitem__(tuple(types))


def _typed(row: tuple[Any, ...], cells: tuple[tuple[str, bool], ...]) -> tuple[Any, ...] | None:
    """Return a row of the server with cells of these types; None where it has others."""
    try:
        found: tuple[Any, ...] = msgspec.convert(row, _row_type(cells))
    except msgspec.ValidationError:
        return None
    return found


def _wrong_in_row(item: Item, digest: bytes, *, content: bool = True) -> str | None:
    """Return why what never changes of a row can't be taken; None where it can.

    Args:
        digest: the store's own of it.
        content: False where a stroke's samples and curve were not read.
    """
    if not _is_ours(item.row_id):  # its first figures tell namesakes apart
        return "no bench makes such ids"
    if item.digest() != digest:
        return "it is not what was pushed"
    for row in (item.fixed, *item.points):
        if any(row[name] is None for name in item.kind.needed.intersection(row)):
            return "a part of it is empty"
    wrong = _wrong_content(item) if content else None
    return wrong or next(filter(None, map(_wrong_values, (item.fixed, *item.points))), None)


def _wrong_in_words(item: Item) -> str | None:
    """Return why what was said of a row can't be taken; None where it can."""
    if any(item.words[name] is None for name in item.kind.needed.intersection(item.words)):
        return "a part of it is empty"
    rows = [item.words, *({"label": label} for label in item.labels.values())]
    return next(filter(None, map(_wrong_values, rows)), None)


def _wrong_values(row: Mapping[str, Any]) -> str | None:
    until = latest_utc()
    for name, cell in row.items():
        if name.endswith("_utc") and isinstance(cell, str) and cell > until:
            return f"its {name} is a time to come ({cell[:16].replace('T', ' ')} UTC)"
    return impossible(
        {
            name: cell.encode() if isinstance(cell, str) else cell
            for name, cell in row.items()
            if name not in PACKED and name != "content_digest"
        }
    )


def _wrong_content(item: Item) -> str | None:
    if (item.fixed.get("samples") or 0) > MOST_ROWS:  # each look at its set would take seconds
        return f"it has more than {MOST_ROWS} samples"
    try:
        branches = item.curve()
    except ValueError:
        return "it is not what was pushed"
    if branches is None:
        return None
    found = digest_of_content(item.row_id, item.fixed["samples_blob"], branches)
    if found != item.fixed["content_digest"]:
        return "it is not what was pushed"
    return None if all(map(_is_curve, branches)) else "its curve cannot be"


def _is_curve(numbers: bytes) -> bool:
    """Tell whether a branch's rows are points that rise from 0, with loads and heights."""
    point, height_mm, load_n = np.frombuffer(numbers, "<f8").reshape(-1, 3).T
    whole = bool(np.isfinite(point).all()) and bool((point == np.floor(point)).all())
    risen = whole and bool((np.diff(point) > 0).all())
    within = bool(((point >= 0) & (point < _MOST_POINT)).all())
    small = all(bool((np.abs(cells) < _MOST_MM_N).all()) for cells in (height_mm, load_n))
    return risen and within and small


def _furthest(counts: Iterable[int]) -> int:
    """Return how far changes of one thing were counted, by all that was said of it.

    A count further than what nobody can have done since the one before it is none.
    """
    reached = 0
    for count in sorted(counts):
        if count > reached + _MOST_CHANGES:
            break
        reached = max(reached, count)
    return reached


def _counted_too_far(words: Sequence[Mapping[str, Any]], counters: Iterable[str]) -> list[bool]:
    """Tell of each of all words of one row whether one of its counts is further than can be."""
    reached = {name: _furthest(row[name] for row in words) for name in counters}
    return [any(row[name] > most for name, most in reached.items()) for row in words]


class Said(NamedTuple):
    """What was said of a row in one push: what may change, a set's labels, and who said it."""

    cells: dict[str, Any]
    labels: dict[str, str]
    by: str
    push: tuple[str, int]


def parts_of(store: Store, table: str, ids: Sequence[str]) -> Iterator[list[str]]:
    """Yield ids of rows that are read together: no more than there is room for."""
    sizes = dict.fromkeys(ids, 0)
    if table == "sweeps":
        large = (*PACKED, "keyed_json")
        lengths = " + ".join(f"coalesce(octet_length({name}), 0)" for name in large)
        sql = f"SELECT id, ({lengths})::bigint FROM {SCHEMA}.sweeps WHERE id = ANY(%s)"  # noqa: S608
        for first in range(0, len(ids), CHUNK):
            found = store.query(sql, [list(ids[first : first + CHUNK])], (str, int))
            sizes |= {row_id: size for row_id, size in found if row_id in sizes}
    yield from parted(sizes.items(), CHUNK, CHUNK_BYTES)


def items_of(
    store: Store, kind: Kind, ids: Sequence[str], left: LeftOut, *, content: bool = True
) -> list[Item]:
    """Return rows of the store by id, one for each state of it; what can't be taken is left out.

    Of a set, the state that it came with is first.

    Args:
        content: False to not read the samples and curves of strokes.
    """
    found = []
    words = words_said(store, kind, ids, left)
    points = _points(store, kind, ids)
    furthest_of = _entries_counted(store, kind, ids)
    packed = () if content else PACKED
    columns = {name: of for name, of in kind.fixed.items() if name not in packed}
    for row in _rows(store, kind.table, columns | {"digest": "BLOB"} | _OWN, ids, left, "digest"):
        fixed = {name: row[name] for name in columns}
        row_id, by, digest = fixed["id"], row["added_by"], row["digest"]
        item = Item(kind, fixed, points=_own_points(kind, points, row, fixed, left), by=by)
        wrong = _wrong_in_row(item, digest, content=content)
        said = words.get(row_id, [])
        if wrong is None and kind.words and not said:
            wrong = "nothing of what was said of it can be taken"
        of_what = tuple(fixed[name] for name in _counted_of(kind))
        if wrong is None and fixed.get("edits", 0) > furthest_of.get(of_what, 0):
            wrong = _TOO_FAR
        if wrong is not None:
            left.row(kind.table, row_id, digest, wrong, by)
            continue
        came_with = (row["bench"], row["push"])
        first = [one for one in said if one.push == came_with]
        first += [one for one in said if one.push != came_with]
        found += [Item(kind, fixed, one.cells, item.points, one.labels, one.by) for one in first]
        found += [] if kind.words else [item]
    return found


def _rows(
    store: Store,
    table: str,
    columns: Mapping[str, str],
    ids: Sequence[str],
    left: LeftOut,
    *never: str,
    key: str = "id",
) -> Iterator[dict[str, Any]]:
    """Yield rows that were asked for, of the types that they have in the book.

    Args:
        columns: their types by name; `never` names those that are never empty.
    """
    order, asked = ", ".join(list(columns)[:2]), set(ids)
    cells = tuple((of, name in {key, *never, *_OWN}) for name, of in columns.items())
    for first in range(0, len(ids), CHUNK):
        rows = store.raw(
            f"SELECT {', '.join(columns)} FROM {SCHEMA}.{table}"  # noqa: S608  our own names
            f" WHERE {key} = ANY(%s) ORDER BY {order}",
            [list(ids[first : first + CHUNK])],
        )
        for row in rows:
            plain = _typed(tuple(map(unescaped, row)), cells)
            found = None if plain is None else dict(zip(columns, plain, strict=True))
            if found is not None and found[key] in asked:
                yield found
            else:
                left.say(f"a row of {table} that lacks something: {_first_text(row)}")


def _first_text(row: Sequence[object]) -> str:
    return next((cell[:40] for cell in row if isinstance(cell, str)), "without an id")


def words_said(
    store: Store, kind: Kind, ids: Sequence[str], left: LeftOut
) -> dict[str, list[Said]]:
    """Return all that was said of rows, by id: what may change, and a set's labels.

    Of all but sets, whose columns are settled each by a rule of its own, what stands.
    """
    by_row: dict[str, list[tuple[Said, bytes]]] = {}
    found = _words(store, kind, ids, left) if kind.words else []
    whole = {(row_id, digest) for row_id, _, digest, wrong in found if wrong is None}
    for row_id, said, digest, wrong in found:
        if wrong is None:
            by_row.setdefault(row_id, []).append((said, digest))
        else:  # another may have said the same as it is
            known = (row_id, digest) in whole
            left.row(words_of(kind.table), row_id, digest, wrong, said.by, known=known)
    counters = [name for name in COUNTERS if name in kind.words]
    return {
        row_id: _standing(kind, row_id, said, counters, left) for row_id, said in by_row.items()
    }


def unsaid(store: Store, items: Sequence[Item]) -> list[Item]:
    """Return those rows of one kind of which the store lacks what is said now.

    What somebody else put under its digest is not it. What this role put there is, whatever became
    of it: it can't be said again.
    """
    if not items or not items[0].kind.words:
        return []
    there: dict[tuple[str, bytes], set[str]] = {}
    kind, ids = items[0].kind, [item.row_id for item in items]
    for row_id, said, digest, wrong in _words(store, kind, ids, LeftOut()):
        if wrong is None or said.by == store.role:
            there.setdefault((row_id, digest), set()).update(said.labels)
    keys = [(item, there.get((item.row_id, item.words_digest()))) for item in items]
    return [item for item, labels in keys if labels is None or not set(item.labels) <= labels]


def _words(
    store: Store, kind: Kind, ids: Sequence[str], left: LeftOut
) -> list[tuple[str, Said, bytes, str | None]]:
    """Return what was said of rows: the row's id, its digest, and why it can't be taken."""
    labels = _labels(store, kind, ids, left)
    columns = {"id": "TEXT", "words": "BLOB", **kind.words, **_OWN}
    found = []
    for row in _rows(store, words_of(kind.table), columns, ids, left, "words"):
        cells = {name: row[name] for name in kind.words}
        row_id, digest, by = row["id"], row["words"], row["added_by"]
        own = labels.get((row_id, digest, by), {})
        item = Item(kind, {"id": row_id}, cells, labels=own)
        wrong = _wrong_in_words(item) if item.words_digest() == digest else _NOT_AS_PUSHED
        found.append((row_id, Said(cells, own, by, (row["bench"], row["push"])), digest, wrong))
    return found


def _standing(
    kind: Kind,
    row_id: str,
    said: Sequence[tuple[Said, bytes]],
    counters: Sequence[str],
    left: LeftOut,
) -> list[Said]:
    beyond = _counted_too_far([one.cells for one, _ in said], counters)
    for (one, digest), too_far in zip(said, beyond, strict=True):
        if too_far:
            left.row(words_of(kind.table), row_id, digest, _TOO_FAR, one.by)
    near = [one for (one, _), too_far in zip(said, beyond, strict=True) if not too_far]
    if kind.table == "sets" or not near:
        return near
    stands = RULES[kind.table].winner(*(one.cells for one in near))
    return [next(one for one in near if one.cells is stands)]


def _labels(
    store: Store, kind: Kind, ids: Sequence[str], left: LeftOut
) -> dict[tuple[str, bytes, str], dict[str, str]]:
    """Return sets' labels by springs: those that a role gave with what it said."""
    found: dict[tuple[str, bytes, str], dict[str, str]] = {}
    if kind.table == "sets":
        texts = dict.fromkeys(("spring_id", "label", "added_by"), "TEXT")
        columns = {"id": "TEXT", "words": "BLOB", **texts}
        for row in _rows(store, "set_labels", columns, ids, left, *columns):
            own = found.setdefault((row["id"], row["words"], row["added_by"]), {})
            own[row["spring_id"]] = row["label"]
    return found


def _points(store: Store, kind: Kind, ids: Sequence[str]) -> dict[str, list[dict[str, Any]]]:
    if kind.points is None:
        return {}
    table, key, columns = kind.points
    found: dict[str, list[dict[str, Any]]] = {}
    columns = {**columns, "added_by": "TEXT"}
    for row in _rows(store, table, columns, ids, LeftOut(), "point", key=key):
        found.setdefault(row[key], []).append(row)
    return {row_id: sorted(rows, key=lambda row: row["point"]) for row_id, rows in found.items()}


def _own_points(
    kind: Kind,
    points: Mapping[str, list[dict[str, Any]]],
    row: Mapping[str, Any],
    fixed: dict[str, Any],
    left: LeftOut,
) -> list[dict[str, Any]]:
    """Return the points that a row was pushed with, as far as they are there."""
    if kind.points is None:
        return []
    rows, names = points.get(fixed["id"], []), list(kind.points[2])

    def plain(some: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
        return [{name: one[name] for name in names} for one in some]

    def fits(some: Sequence[Mapping[str, Any]]) -> bool:
        return bool(Item(kind, fixed, points=plain(some)).digest() == row["digest"])

    own = _as_pushed(rows, row["added_by"], fits)
    if own is not None:
        _say_added(rows, own, left)
    return plain(rows if own is None else own)


def _as_pushed(
    rows: Sequence[Mapping[str, Any]],
    by: str,
    fits: Callable[[Sequence[Mapping[str, Any]]], bool],
) -> Sequence[Mapping[str, Any]] | None:
    """Return those parts that something was pushed with; None where some are gone.

    Others can add more to it. What was lost may have been given again by another.
    """
    others = sorted({row["added_by"] for row in rows} - {by})[:_MOST_TRIED]
    for names in (None, {by}, *({by, one} for one in others), *({one} for one in others)):
        some = [row for row in rows if names is None or row["added_by"] in names]
        if fits(some):
            return some
    return None


def _say_added(rows: Sequence[Mapping[str, Any]], own: Sequence[object], left: LeftOut) -> None:
    for row in rows if len(own) < len(rows) else ():
        if row not in own:
            row_id = next(iter(row.values()))
            left.say(f"points that {row['added_by']} added to {row_id}: they are not of it")


def _counted_of(kind: Kind) -> list[str]:
    """Return the columns that tell of what an entry is, where entries are counted."""
    return [name for name in ("set_id", "spring_id", "what") if name in kind.fixed]


def _entries_counted(store: Store, kind: Kind, ids: Sequence[str]) -> dict[tuple[Any, ...], int]:
    """Return how far entries were counted, by what they are of, among all that the store has."""
    if "edits" not in kind.fixed:
        return {}
    of_what = _counted_of(kind)
    sql = (
        f"SELECT {', '.join(of_what)}, edits FROM {SCHEMA}.{kind.table} WHERE set_id IN"  # noqa: S608
        f" (SELECT set_id FROM {SCHEMA}.{kind.table} WHERE id = ANY(%s))"
    )
    counts: dict[tuple[Any, ...], list[int]] = {}
    cells = (*[str | None] * len(of_what), int | None)
    for *of, edits in store.query(sql, [list(ids)], cells):
        counts.setdefault(tuple(of), []).append(edits or 0)
    return {of: _furthest(own) for of, own in counts.items()}


def _is_ours(text: str) -> bool:
    """Tell whether a bench makes such ids: a UUID as RFC 4122 writes it, in small letters."""
    return re.fullmatch(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", text) is not None
