"""Names of sets and labels of springs in a merged book: one for each, whatever the books call it.

What was changed more often wins; of equals the name that sorts last, and the labels of the book in
which springs were swapped more often, else those that sort last.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from typing import Any

from coilbench.capture.book.connection import Database
from coilbench.capture.book.rows import first_row
from coilbench.capture.book.told import NAME, Told
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.plain import as_typed

_TAIL = re.compile(r"~([0-9a-f]{4,})$")
FEWEST_FIGURES = 4
_Place = tuple[bool, str]  # whether it doesn't have the name in this book yet, when it was made


def base_name(name: str, set_id: str) -> str:
    """Return a set's name without the characters of its id that a merge added."""
    tail = _TAIL.search(name)
    return name[: tail.start()] if tail and set_id.startswith(tail[1]) else name


def has_figures(name: str) -> bool:
    """Tell whether a name ends like larch~380d, so that it may mean a set by its id."""
    return _TAIL.search(name) is not None


def refuse_anothers_name(db: Database, other: str, shown: str) -> None:
    """Refuse a set of another book that is called as if it were one by its id: no program does.

    Raises:
        CoilbenchError: it names the set.
    """
    rows = db.execute(
        f"SELECT id, name FROM {other}.sets AS o WHERE instr(name, '~') AND NOT EXISTS"  # noqa: S608
        " (SELECT 1 FROM main.sets AS m WHERE m.id = o.id AND m.name = o.name)"
    )
    for set_id, name in rows.fetchall():
        if has_figures(base_name(name, set_id)):
            raise CoilbenchError(
                f"the set {set_id} is called {name!r}, which names a set by the first characters "
                "of its id, at every bench",
                where=shown,
                hint=f"Rename it there: coilbench set edit {as_typed(name)} --rename NAME",
            )


def row_in_full(db: Database, table: str, name: str) -> dict[str, Any] | None:
    """Return the row that a full name means at every bench, like larch~380d; None where none is.

    Args:
        table: one with names and ids.
    """
    base, _, figures = name.rpartition("~")
    sql = f"SELECT * FROM {table} WHERE name = ? AND substr(id, 1, ?) = ?"  # noqa: S608  our own
    return first_row(db, sql, [base, max(len(figures), FEWEST_FIGURES), figures])


def full_name(name: str, row_id: str) -> str:
    """Return what means the same row at every bench, whatever it is called there."""
    return f"{base_name(name, row_id)}~{row_id[:FEWEST_FIGURES]}"


def _told_apart(sets: Mapping[str, tuple[_Place, str]]) -> dict[str, str]:
    """Return a different name for each set.

    Args:
        sets: by id, its place among those of one name, and its name.
    """
    groups: dict[str, list[tuple[_Place, str]]] = {}
    for set_id, (place, name) in sets.items():
        groups.setdefault(base_name(name, set_id), []).append((place, set_id))
    names = {}
    for base, members in groups.items():
        (_, first), *later = sorted(members)
        names[first] = base
        ids = [set_id for _, set_id in later]
        figures = _figures([first, *ids])
        names |= {set_id: f"{base}~{set_id[:figures]}" for set_id in ids}
    return names


def _figures(ids: list[str]) -> int:
    figures = FEWEST_FIGURES
    while len({set_id[:figures] for set_id in ids}) < len(ids):
        figures += 1
    return figures


def settle_called(
    db: Database, others: list[str], came: Sequence[str], swaps: Mapping[str, int]
) -> Iterator[str | Told]:
    """Name the sets of a merged book, and turn and label their springs; yields what it changed.

    Args:
        others: the names that the others are attached under.
        came: the ids of the sets that are in one of them.
        swaps: what `swaps_of` gave before the merge.
    """
    yield from _settle_names(db, others, came)
    _settle_turns(db, came)
    yield from _settle_labels(db, others, came, swaps)


def _settle_names(db: Database, others: list[str], came: Collection[str]) -> Iterator[str | Told]:
    """Name the sets of a merged book; yields a note for each changed name.

    Args:
        db: the book; sets from the others have their id as a stand-in for a name.
        others: the names that the other books are attached under.
        came: the ids of the sets that are in one of the others.
    """
    given = _given_names(db, others)
    best = {set_id: max(given[set_id]) for set_id in came}
    old = _sets_called(db, best)
    new = _told_apart(_touched(old, {set_id: name for set_id, (_, name) in best.items()}))
    changed = {
        set_id: name
        for set_id, name in new.items()
        # one that has characters of its id keeps them: its bare name meant another set here
        if name not in (old[set_id][1], base_name(old[set_id][1], set_id))
    }
    _rewrite(db, "sets", "name", changed)
    _keep_counts(db, "name_edits", {set_id: edits for set_id, (edits, _) in best.items()})
    for set_id, name in sorted(changed.items(), key=lambda item: item[1]):
        was, base = old[set_id][1], base_name(name, set_id)
        if was == set_id:  # it came in just now
            if base != name and name not in _shown_names(db, others, set_id):
                yield (
                    f"there are two sets {base}: another bench's, which came in, is called {name} "
                    f"here; {_rename(name)}"
                )
        elif base == base_name(was, set_id):
            yield f"the set that this book called {was} is now called {name}; {_rename(name)}"
        else:
            yield Told(was, NAME, (name, was), set_id=set_id)


def _rename(name: str) -> str:
    return f"to call it otherwise: coilbench set edit {as_typed(name)} --rename NAME"


def _sets_called(db: Database, best: Mapping[str, tuple[int, str]]) -> dict[str, tuple[str, str]]:
    """Return when each set was made and its name, by id: all whose names may have to do with these.

    They are looked up: a book has thousands of sets, and a few come.
    """
    found: dict[str, tuple[str, str]] = {}

    def add(where: str, values: Iterable[str]) -> None:
        sql = f"SELECT id, made_utc, name FROM main.sets WHERE {where}"  # noqa: S608  our own words
        for value in values:
            found.update((row[0], row[1:]) for row in db.execute(sql, [value]))

    add("id = ?", best)
    add("instr(name, ?)", ["~"])
    bases = {base_name(name, set_id) for set_id, (_, name) in found.items()}
    add("name = ?", sorted(bases.union(name for _, name in best.values())))
    return found


def _given_names(db: Database, others: list[str]) -> dict[str, set[tuple[int, str]]]:
    """Return how often each set of the others was named, and how, in each book that has it."""
    found: dict[str, set[tuple[int, str]]] = {}
    for other in others:
        for book in (other, "main"):
            rows = db.execute(
                f"SELECT s.id, s.name_edits, s.name FROM {other}.sets"  # noqa: S608
                f" CROSS JOIN {book}.sets AS s USING (id)"
            )
            for set_id, edits, name in rows:
                if name != set_id:
                    found.setdefault(set_id, set()).add((edits, base_name(name, set_id)))
    return found


def _touched(
    old: Mapping[str, tuple[str, str]], came: Mapping[str, str]
) -> dict[str, tuple[_Place, str]]:
    """Return the sets whose names may change, each with its place and its name.

    They are those that came, and those of one name with another, whether of old or now.
    """
    base = {set_id: base_name(name, set_id) for set_id, (_, name) in old.items()}
    parted = {base[set_id] for set_id, (_, name) in old.items() if base[set_id] != name}
    bases = parted | {base[set_id] for set_id in came} | set(came.values())
    base |= came
    return {
        set_id: ((name != base[set_id], made_utc), base[set_id])
        for set_id, (made_utc, name) in old.items()
        if base[set_id] in bases
    }


def _shown_names(db: Database, others: list[str], set_id: str) -> set[str]:
    """Return what the others call a set."""
    sql = " UNION ".join(f"SELECT name FROM {other}.sets WHERE id = :id" for other in others)  # noqa: S608
    return {name for (name,) in db.execute(sql, {"id": set_id})}


def _settle_labels(
    db: Database, others: list[str], came: Iterable[str], swaps: Mapping[str, int]
) -> Iterator[str]:
    """Label the springs of a merged book; yields a note for each set labelled in two ways.

    Args:
        came: the ids of the sets that are in one of the others.
        swaps: what `swaps_of` gave before the merge.
    """
    for set_id in came:
        sql = "SELECT id, label FROM main.springs WHERE set_id = ? ORDER BY turn"
        old = dict(db.execute(sql, [set_id]).fetchall())
        if not old:
            continue
        namings, labels = _namings(db, others, set_id, list(old), swaps)
        best = max(namings, key=lambda naming: (namings[naming], naming))
        taken = _labels_apart(dict(zip(old, best, strict=True)))
        changed = {one: label for one, label in taken.items() if old[one] != label}
        _rewrite(db, "springs", "label", changed)
        _keep_counts(db, "label_edits", {set_id: namings[best][0]})
        for one, label in changed.items():
            base = base_name(label, one)
            if base != label:
                own = "this book's" if old[one] == base else "the later"
                yield (
                    f"two springs {base} were added: {own} is now {label}; to call it otherwise, "
                    f"while its set is captured: coilbench tell rename {as_typed(label)} LABEL"
                )
        if len(namings) > 1:
            differing = ", ".join(
                f"{' and '.join(sorted(labels[one]))} (now {taken[one]})"
                for one in old
                if len(labels[one]) > 1
            )
            (name,) = db.execute("SELECT name FROM main.sets WHERE id = ?", [set_id]).fetchone()
            yield f"{name}: springs were labelled in two ways: {differing}"


def _namings(
    db: Database, others: list[str], set_id: str, springs: Sequence[str], swaps: Mapping[str, int]
) -> tuple[dict[tuple[str, ...], tuple[int, int]], dict[str, set[str]]]:
    """Return the labels that a set's springs have in each book that has any; and of each spring.

    Springs that a book lacks, since they were added in another, are called as there. With how
    often labels were changed and springs swapped in the book that has them, the most of equal ones.
    """
    own: dict[str, dict[str, str]] = {}
    edits: dict[str, int] = {}
    labels: dict[str, set[str]] = {}
    for book in ("main", *others):
        rows = db.execute(f"SELECT id, label FROM {book}.springs WHERE set_id = ?", [set_id])  # noqa: S608
        own[book] = {one: base_name(label, one) for one, label in rows if label != one}
        for one, label in own[book].items():
            labels.setdefault(one, set()).add(label)
        counted = db.execute(f"SELECT label_edits FROM {book}.sets WHERE id = ?", [set_id])  # noqa: S608
        edits[book] = next(counted, (0,))[0]
    found: dict[tuple[str, ...], tuple[int, int]] = {}
    for book, given in own.items():
        if given:
            naming = tuple(given.get(one) or max(labels[one]) for one in springs)
            counts = (edits[book], swaps.get(f"{book} {set_id}", 0))
            found[naming] = max(found.get(naming, counts), counts)
    return found, labels


def _labels_apart(labels: Mapping[str, str]) -> dict[str, str]:
    """Return a different label for each spring: the first of one label keeps it.

    Args:
        labels: by the springs' ids, in the order of their turns.
    """
    groups: dict[str, list[str]] = {}
    for one, label in labels.items():
        groups.setdefault(label, []).append(one)
    figures = {label: _figures(ids) for label, ids in groups.items()}
    return {
        one: label if one == groups[label][0] else f"{label}~{one[: figures[label]]}"
        for one, label in labels.items()
    }


def _settle_turns(db: Database, came: Iterable[str]) -> None:
    """Give the springs that were added to sets their turns: behind the others, as they came."""
    for set_id in came:
        (last,) = db.execute(
            "SELECT coalesce(max(turn), 0) FROM main.springs"
            " WHERE set_id = ? AND added_utc IS NULL",
            [set_id],
        ).fetchone()
        rows = db.execute(
            "SELECT id, turn FROM main.springs WHERE set_id = ? AND added_utc IS NOT NULL"
            " ORDER BY added_utc, id",
            [set_id],
        ).fetchall()
        new = [(turn, one) for turn, (one, _) in enumerate(rows, last + 1)]
        if [turn for turn, _ in new] == [turn for _, turn in rows]:
            continue
        room = max(turn for _, turn in rows) + len(rows)
        sql = "UPDATE main.springs SET turn = ? WHERE id = ?"
        db.conn.executemany(sql, [(room + turn, one) for turn, one in new])
        db.conn.executemany(sql, new)


def _rewrite(db: Database, table: str, column: str, new: Mapping[str, str]) -> None:
    """Change a unique column by id, by way of stand-ins, since two rows may change over."""
    sql = f"UPDATE main.{table} SET {column} = ? WHERE id = ?"  # noqa: S608  our own names
    db.conn.executemany(sql, [(row_id, row_id) for row_id in new])
    db.conn.executemany(sql, [(text, row_id) for row_id, text in new.items()])


def _keep_counts(db: Database, counter: str, counts: Mapping[str, int]) -> None:
    sql = f"UPDATE main.sets SET {counter} = ? WHERE id = ? AND {counter} <> ?"  # noqa: S608
    db.conn.executemany(sql, [(edits, set_id, edits) for set_id, edits in counts.items()])


def swaps_of(db: Database, others: Iterable[str]) -> dict[str, int]:
    """Return how often springs of a set were swapped, by a book's name and the set's id."""
    found: dict[str, int] = {}
    for book in ("main", *others):
        sql = f"SELECT set_id, count(*) FROM {book}.label_swaps GROUP BY set_id"  # noqa: S608
        found |= {f"{book} {set_id}": swaps for set_id, swaps in db.execute(sql)}
    return found
