"""What a row of the store may be, before it is brought in: its types, its values, its counts.

The values are judged as the book judges its own rows; what only the whole of a set shows is found
as the set is looked at after it was brought in, before that is kept.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import cache
from typing import Any

import msgspec
import numpy as np

from coilbench.capture.book.digests import digest_of_content
from coilbench.capture.book.ids import is_ours
from coilbench.capture.book.values import impossible, latest_utc
from coilbench.capture.shop.rows import Item
from coilbench.capture.shop.shape import PACKED
from coilbench.capture.tables.csv_table import MOST_ROWS

_PLAIN = {"TEXT": str, "INTEGER": int, "REAL": float, "BLOB": bytes}
_MOST_MM_N = 1e12  # far above what any press can give
_MOST_POINT = 2**31
# How many times nobody changes one thing between two sharings. So no member's word can bring a
# count near to where it ends, and what others count from there is taken.
_MOST_CHANGES = 1_000_000


@cache
def row_type(cells: tuple[tuple[str, bool], ...]) -> Any:
    """Return the type of a row.

    Args:
        cells: of each its type in the book, and whether it can't be empty.
    """
    types = (_PLAIN[kind] if needed else _PLAIN[kind] | None for kind, needed in cells)
    return tuple.__class_getitem__(tuple(types))


def typed(row: tuple[Any, ...], cells: tuple[tuple[str, bool], ...]) -> tuple[Any, ...] | None:
    """Return a row of the server with cells of these types; None where it has others."""
    try:
        found: tuple[Any, ...] = msgspec.convert(row, row_type(cells))
    except msgspec.ValidationError:
        return None
    return found


def wrong_in_row(item: Item, digest: bytes, *, content: bool = True) -> str | None:
    """Return why what never changes of a row can't be taken; None where it can.

    Args:
        digest: the store's own of it.
        content: False where a stroke's samples and curve were not read.
    """
    if not is_ours(item.row_id):  # its first figures tell namesakes apart
        return "no bench makes such ids"
    if item.digest() != digest:
        return "it is not what was pushed"
    for row in (item.fixed, *item.points):
        if any(row[name] is None for name in item.kind.needed.intersection(row)):
            return "a part of it is empty"
    wrong = _wrong_content(item) if content else None
    return wrong or next(filter(None, map(_wrong_values, (item.fixed, *item.points))), None)


def wrong_in_words(item: Item) -> str | None:
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


def furthest(counts: Iterable[int]) -> int:
    """Return how far changes of one thing were counted, by all that was said of it.

    A count further than what nobody can have done since the one before it is none.
    """
    reached = 0
    for count in sorted(counts):
        if count > reached + _MOST_CHANGES:
            break
        reached = max(reached, count)
    return reached


def counted_too_far(words: Sequence[Mapping[str, Any]], counters: Iterable[str]) -> list[bool]:
    """Tell of each of all words of one row whether one of its counts is further than can be."""
    reached = {name: furthest(row[name] for row in words) for name in counters}
    return [any(row[name] > most for name, most in reached.items()) for row in words]
