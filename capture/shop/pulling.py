"""Pull from the store what the book lacks, by the merge's own rules: a chunk, a transaction.

First all that is light, then the strokes, bench by bench. How far a bench was read moves with its
strokes, so that a pull that was cut off begins again where it was; what came twice is there once.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from sqlite_utils import Database

from coilbench.capture.book.digests import columns_of
from coilbench.capture.book.merge_rows import RULES
from coilbench.capture.book.merging import Note, merge_attached
from coilbench.capture.book.news import KINDS, last_stamp, no_longer_news
from coilbench.capture.book.rows import writing
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.shop.reading import (
    items_of,
    lacking,
    names_of,
    read_manifests,
    words_said,
)
from coilbench.capture.shop.rows import Item, Listed, told_with
from coilbench.capture.shop.shape import CURVE, PACKED, SCHEMA, words_of
from coilbench.capture.shop.store import Store

CHUNK = 1000
_PULLED = "pulled"
_STROKES = {"sweeps", words_of("sweeps")}
_OF_SETS = ("hand_entries", "set_rests", "label_swaps")
Progress = Callable[[int, int], None]


class Lacking(CoilbenchError):
    """The store lacks rows that were pushed to it."""


@dataclass(frozen=True)
class Span:
    """The pushes of a bench that were not read yet, after one and up to another with its uuid."""

    bench: str
    after: int
    until: int
    uuid: str


@dataclass
class Pulled:
    """What a pull did.

    Attributes:
        rows: how many rows of each table came in.
        notes: what differed, as a merge says it.
        unsaid: rows of which the store no longer has all that was said, though it has them.
    """

    rows: dict[str, int] = field(default_factory=dict)
    notes: list[Note] = field(default_factory=list)
    unsaid: list[str] = field(default_factory=list)


def pull_spans(db: Database, store: Store, spans: Sequence[Span], progress: Progress) -> Pulled:
    """Bring in some pushes. Call it inside a reading transaction of the store.

    Raises:
        Lacking: the store lacks rows that were pushed.
        CoilbenchError: a row is not what was pushed, or contradicts this book: nothing of its
            chunk is brought in. It says what was, before.
    """
    done = Pulled()
    try:
        with _room_for_pulled(db):
            light, chunks = _listed(store, spans, done)
            for items in _light(store, light):
                _bring_in(db, store, items, done)
            for number, (span, pushes) in enumerate(chunks):
                with writing(db):
                    ids = _stroke_ids(store, span, pushes, done)
                    _bring_in(db, store, _strokes(db, store, ids), done)
                    keep_seen(db, span.bench, *pushes[-1])
                progress(number + 1, len(chunks))
            with writing(db):
                for span in spans:
                    keep_seen(db, span.bench, span.until, span.uuid)
    except CoilbenchError as error:
        more = told_with(error, "was brought in before", done.rows)
        if isinstance(error, Lacking):
            more = Lacking(more.what, where=more.where, hint=more.hint)
        raise more from error
    return done


def keep_seen(db: Database, bench: str, push: int, push_uuid: str) -> None:
    """Keep how far a bench was read."""
    db.execute(
        "INSERT INTO shop_seen (bench_id, push, push_uuid) VALUES (?1, ?2, ?3)"
        " ON CONFLICT (bench_id) DO UPDATE SET push = ?2, push_uuid = ?3",
        [bench, push, push_uuid],
    )


def _listed(
    store: Store, spans: Sequence[Span], done: Pulled
) -> tuple[dict[str, set[str]], list[tuple[Span, list[tuple[int, str]]]]]:
    """Return what was pushed: by kind the ids of all but strokes, and the pushes with strokes.

    Those come in chunks of some pushes of one bench, each push with its uuid.

    Raises:
        Lacking: the store lacks some of the rows that are no strokes.
    """
    light: dict[str, set[str]] = {}
    chunks: list[tuple[Span, list[tuple[int, str]]]] = []
    for span in spans:
        many = CHUNK
        for push, push_uuid, listed in read_manifests(store, span.bench, span.after, span.until):
            strokes = len(_STROKES.intersection(listed)) and max(
                len(listed.get(table, ())) for table in _STROKES
            )
            others = {table: rows for table, rows in listed.items() if table not in _STROKES}
            _refuse_lacking(store, span.bench, push, others, done)
            for table, rows in others.items():
                light.setdefault(table.removesuffix("_words"), set()).update(rows)
            if strokes:
                if many + strokes > CHUNK:
                    chunks.append((span, []))
                    many = 0
                chunks[-1][1].append((push, push_uuid))
                many += strokes
    return light, chunks


def _stroke_ids(
    store: Store, span: Span, pushes: Sequence[tuple[int, str]], done: Pulled
) -> list[str]:
    """Return the ids of strokes that are new or have new words in some pushes of a bench."""
    ids: set[str] = set()
    for push, _ in pushes:
        for _, _, listed in read_manifests(store, span.bench, push - 1, push):
            strokes = {table: listed[table] for table in _STROKES if table in listed}
            _refuse_lacking(store, span.bench, push, strokes, done)
            ids.update(*strokes.values())
    return sorted(ids)


def _refuse_lacking(store: Store, bench: str, push: int, listed: Listed, done: Pulled) -> None:
    found, unsaid = lacking(store, listed)
    done.unsaid += unsaid
    if found:
        sql = f"SELECT added_by, pushed_utc FROM {SCHEMA}.pushes WHERE bench = %s AND push = %s"  # noqa: S608
        ((added_by, pushed_utc),) = store.query(sql, [bench, push])
        raise Lacking(
            f"the store lacks {names_of(found)}, which {added_by} gave it on {pushed_utc[:10]}",
            where=store.address,
            hint="A bench that has it gives it again: coilbench share --all",
        )


def _light(store: Store, listed: Mapping[str, set[str]]) -> Iterator[list[Item]]:
    """Yield everything but strokes, of one state of each set at a time."""
    rounds: list[list[Item]] = [[]]
    for table in KINDS:
        if table == "springs":  # they come with their sets
            continue
        items = items_of(store, store.kinds[table], sorted(listed.get(table, ())))
        if table == "sets":
            items = _with_springs(store, items)
        for number, of_round in enumerate(_rounds(items)):
            rounds += [[]] if number == len(rounds) else []
            rounds[number] += of_round
    yield from filter(None, rounds)


def _rounds(items: Sequence[Item]) -> list[list[Item]]:
    """Deal items so that each of an id is in a round of its own."""
    rounds: list[list[Item]] = []
    had: dict[str, int] = {}
    for item in items:
        number = had[item.row_id] = had.get(item.row_id, -1) + 1
        rounds += [[]] if number == len(rounds) else []
        rounds[number].append(item)
    return rounds


def _with_springs(store: Store, sets: Sequence[Item]) -> list[Item]:
    """Put each state of a set's springs beside it: those that its labels name."""
    ids = sorted({spring_id for item in sets for spring_id in item.labels})
    springs = {one.row_id: one for one in items_of(store, store.kinds["springs"], ids)}
    return [
        one
        for item in sets
        for one in (
            item,
            *(
                Item(springs[spring_id].kind, springs[spring_id].fixed | {"label": label})
                for spring_id, label in item.labels.items()
                if spring_id in springs
            ),
        )
    ]


def _strokes(db: Database, store: Store, ids: Sequence[str]) -> list[Item]:
    """Return strokes by id: in whole those that the book lacks, of the others what may change."""
    kind = store.kinds["sweeps"]
    marks = ", ".join("?" * len(ids))
    fixed = [name for name in kind.fixed if name not in PACKED]
    own = {
        row["id"]: row
        for row in db.query(f"SELECT {', '.join(fixed)} FROM sweeps WHERE id IN ({marks})", ids)  # noqa: S608
    }
    items = items_of(store, kind, sorted(set(ids) - set(own)))
    words = words_said(store, kind, sorted(own))
    return items + [Item(kind, own[row_id], said[0][0]) for row_id, said in sorted(words.items())]


@contextmanager
def _room_for_pulled(db: Database) -> Iterator[None]:
    """Attach tables like the book's, in memory, without keys: the book's own guard what comes."""
    db.execute(f"ATTACH ':memory:' AS {_PULLED}")
    try:
        for table in (*RULES, "rig_settings"):
            columns = [f"{one.name} {one.kind}" for one in columns_of(db.conn, table)]
            db.execute(f"CREATE TABLE {_PULLED}.{table} ({', '.join(columns)})")
        db.execute(f"CREATE INDEX {_PULLED}.springs_by_set ON springs (set_id)")
        for table in ("sets", "springs"):
            db.execute(f"CREATE INDEX {_PULLED}.{table}_by_id ON {table} (id)")
        yield
    finally:
        db.execute(f"DETACH {_PULLED}")


def _bring_in(db: Database, store: Store, items: Sequence[Item], done: Pulled) -> None:
    """Merge some rows into the book, all or none; what came is no news for the store."""
    with writing(db):
        stamp = last_stamp(db.conn)
        _put(db, items)
        rows, notes = merge_attached(db, {_PULLED: store.address})
        for table, count in rows.items():
            if count:
                done.rows[table] = done.rows.get(table, 0) + count
        done.notes += notes
        _forget_news(db, items, stamp)
        for table in (*RULES, "rig_settings"):
            db.execute(f"DELETE FROM {_PULLED}.{table}")  # noqa: S608  our own names


def _put(db: Database, items: Sequence[Item]) -> None:
    by_table: dict[str, list[Item]] = {}
    for item in items:
        by_table.setdefault(item.kind.table, []).append(item)
    for table, own in by_table.items():
        _insert(db, table, ({**item.fixed, **item.words} for item in own))
        child = own[0].kind.points
        if child is not None:
            _insert(db, child[0], (row for item in own for row in item.points))
    strokes = by_table.get("sweeps", [])
    sql = f"INSERT INTO {_PULLED}.curve_rows VALUES (?, ?, ?, ?, ?)"  # noqa: S608
    for item in strokes:
        db.conn.executemany(sql, item.curve_rows())
    _put_sets_of(db, strokes)


def _insert(db: Database, table: str, rows: Iterable[Mapping[str, Any]]) -> None:
    plain = [{name: cell for name, cell in row.items() if name != CURVE} for row in rows]
    names = dict.fromkeys(name for row in plain for name in row)
    if names:
        marks = ", ".join(f":{name}" for name in names)
        sql = f"INSERT INTO {_PULLED}.{table} ({', '.join(names)}) VALUES ({marks})"  # noqa: S608
        db.conn.executemany(sql, [{**names, **row} for row in plain])


def _put_sets_of(db: Database, items: Sequence[Item]) -> None:
    """Put the book's own row of each set there of which something came: it is settled anew.

    Of a stroke that the book has, its samples are put there likewise, since they never change.
    """
    of_springs = sorted({item.fixed["spring_id"] for item in items if item.kind.table == "sweeps"})
    marks = ", ".join("?" * len(of_springs))
    sql = f"SELECT DISTINCT set_id FROM main.springs WHERE id IN ({marks})"  # noqa: S608
    set_ids = {set_id for (set_id,) in db.execute(sql, of_springs)}
    set_ids |= {item.fixed["set_id"] for item in items if item.kind.table in _OF_SETS}
    set_ids -= {item.row_id for item in items if item.kind.table == "sets"}
    for table, key in (("sets", "id"), ("springs", "set_id")):
        sql = f"INSERT INTO {_PULLED}.{table} SELECT * FROM main.{table} WHERE {key} = ?"  # noqa: S608
        db.conn.executemany(sql, [[set_id] for set_id in sorted(set_ids)])
    db.execute(
        f"UPDATE {_PULLED}.sweeps SET samples_blob = m.samples_blob FROM main.sweeps AS m"  # noqa: S608
        f" WHERE m.id = {_PULLED}.sweeps.id"
    )


def _forget_news(db: Database, items: Sequence[Item], stamp: int) -> None:
    """Let what came in be no news, unless the book says otherwise of it than the store."""
    by_kind: dict[str, set[str]] = {}
    for item in items:
        if item.kind.table != "sets":
            by_kind.setdefault(item.kind.table, set()).add(item.row_id)
    strokes = by_kind.get("sweeps", set())
    if strokes:
        same = db.execute(
            f"SELECT m.id FROM {_PULLED}.sweeps AS o CROSS JOIN main.sweeps AS m USING (id)"  # noqa: S608
            " WHERE (m.edits, m.counted, m.status) = (o.edits, o.counted, o.status)"
            " AND m.note IS o.note AND m.ruling IS o.ruling"
        )
        by_kind["sweeps"] = {row_id for (row_id,) in same}
    until = last_stamp(db.conn)
    for kind, ids in by_kind.items():
        no_longer_news(db.conn, kind, ids, until, after=stamp)
