"""Names of sets and labels of springs in a merged book: the same in whatever order it was merged.

Two sets of one name that are not one set are kept apart: the one made first keeps the name, each
later one gets its id's first figures after it. A set whose springs were named in two ways keeps
the naming that sorts last.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping

from sqlite_utils import Database

_TAIL = re.compile(r"~([0-9a-f]{4,})$")
_FEWEST_FIGURES = 4


def base_name(name: str, set_id: str) -> str:
    """Return a set's name without the figures of its id that a merge gave it."""
    tail = _TAIL.search(name)
    return name[: tail.start()] if tail and set_id.startswith(tail[1]) else name


def told_apart(sets: Mapping[str, tuple[str, str]]) -> dict[str, str]:
    """Return each set's name, no two alike.

    Args:
        sets: by id, when it was made and its name, with figures or without.
    """
    groups: dict[str, list[tuple[str, str]]] = {}
    for set_id, (made_utc, name) in sets.items():
        groups.setdefault(base_name(name, set_id), []).append((made_utc, set_id))
    names = {}
    for base, members in groups.items():
        (_, first), *later = sorted(members)
        names[first] = base
        ids = [set_id for _, set_id in later]
        figures = _figures([first, *ids])
        names |= {set_id: f"{base}~{set_id[:figures]}" for set_id in ids}
    return names


def _figures(ids: list[str]) -> int:
    """Return how many figures of the ids it takes to tell them apart."""
    figures = _FEWEST_FIGURES
    while len({set_id[:figures] for set_id in ids}) < len(ids):
        figures += 1
    return figures


def settle_names(db: Database, others: list[str]) -> Iterator[str]:
    """Name the sets of a merged book; yields a sentence for each one that changed its name.

    Args:
        db: the book, the others' sets in it under a stand-in for a name.
        others: what the other books are attached as.
    """
    names = _union(db, others, "sets", "name")
    made = dict(db.execute("SELECT id, made_utc FROM main.sets").fetchall())
    old = dict(db.execute("SELECT id, name FROM main.sets").fetchall())
    new = told_apart(
        {
            set_id: (made[set_id], max(base_name(name, set_id) for name in given))
            for set_id, given in names.items()
        }
    )
    changed = {set_id: name for set_id, name in new.items() if old[set_id] != name}
    for stand_in in (True, False):
        for set_id, name in changed.items():
            db.execute(
                "UPDATE main.sets SET name = ? WHERE id = ?",
                [set_id if stand_in else name, set_id],
            )
    for set_id, name in sorted(changed.items(), key=lambda item: item[1]):
        was = {base_name(one, set_id) for one in names[set_id]}
        if len(was) > 1:
            yield f"a set is called {' and '.join(sorted(was))} in the two books; now {name}"
        elif name not in names[set_id] or old[set_id] != set_id:  # new to all, or to this book
            yield f"there are two sets {was.pop()}: the one made later is now called {name}"


def settle_labels(db: Database, others: list[str]) -> Iterator[str]:
    """Label the springs of a merged book; yields a sentence for each set named in two ways."""
    labels = _union(db, others, "springs", "label")
    sets: dict[str, list[str]] = {}
    for set_id, spring_id in db.execute("SELECT set_id, id FROM main.springs ORDER BY turn"):
        sets.setdefault(set_id, []).append(spring_id)
    old = dict(db.execute("SELECT id, label FROM main.springs").fetchall())
    for set_id, springs in sets.items():
        namings = _namings(db, others, set_id)
        taken = dict(zip(springs, max(namings), strict=True))
        changed = {one: label for one, label in taken.items() if old[one] != label}
        for stand_in in (True, False):
            for spring_id, label in changed.items():
                db.execute(
                    "UPDATE main.springs SET label = ? WHERE id = ?",
                    [spring_id if stand_in else label, spring_id],
                )
        if len(namings) > 1:
            differ = [one for one in springs if len(labels[one]) > 1]
            words = ", ".join(
                f"{' and '.join(sorted(labels[one]))} (now {taken[one]})" for one in differ
            )
            yield f"springs are labelled in two ways: {words}"


def _namings(db: Database, others: list[str], set_id: str) -> set[tuple[str, ...]]:
    """Return the labels that a set has in each book, in turn order; stand-ins are none."""
    found = set()
    for book in ("main", *others):
        rows = db.execute(
            f"SELECT id, label FROM {book}.springs WHERE set_id = ? ORDER BY turn",  # noqa: S608
            [set_id],
        ).fetchall()
        if rows and not any(spring_id == label for spring_id, label in rows):
            found.add(tuple(label for _, label in rows))
    return found


def _union(db: Database, others: list[str], table: str, column: str) -> dict[str, set[str]]:
    """Return by id what a column holds in each book, without stand-ins."""
    found: dict[str, set[str]] = {}
    for book in ("main", *others):
        for row_id, value in db.execute(f"SELECT id, {column} FROM {book}.{table}"):  # noqa: S608
            if value != row_id:
                found.setdefault(row_id, set()).add(value)
    return found
