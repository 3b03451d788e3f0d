"""Pull from the store what the book lacks, by the merge's own rules: some rows, a transaction.

First all that is light, then the strokes, bench by bench. The store is read before the book is
locked. What can't be brought in is left out and named, with what needs it; the rest is taken. How
far a bench was read moves with its strokes, up to what was left out of it, so that a pull that was
cut off begins again where it was; what came twice is there once.

A set without strokes may be removed from one book while another bench presses it: it returns.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from functools import cache
from typing import Any

import msgspec

from coilbench.capture.book.connection import Database
from coilbench.capture.book.news import KINDS
from coilbench.capture.book.rows import first_row, writing
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.shop.bringing import Unit, bring, room_for_pulled
from coilbench.capture.shop.left_out import Key, LeftOut
from coilbench.capture.shop.manifests import lacking, read_manifests
from coilbench.capture.shop.outcome import Pulled
from coilbench.capture.shop.reading import items_of, parts_of, words_said
from coilbench.capture.shop.rows import CHUNK, Item, Listed, told_with
from coilbench.capture.shop.shape import PACKED, REFERENCES, SCHEMA, words_of
from coilbench.capture.shop.store import Store

_BY_HAND = ("hand_entries", "set_rests", "label_swaps")
_SETS_OF = {table: f"SELECT set_id FROM {SCHEMA}.{table}" for table in (*_BY_HAND, "sessions")} | {  # noqa: S608  our own names
    "sweeps": f"SELECT s.set_id FROM {SCHEMA}.sweeps JOIN {SCHEMA}.springs s ON s.id = spring_id"  # noqa: S608
}
_STROKES = {"sweeps", words_of("sweeps")}
_SPRINGS = ("spring_id", "one_id", "other_id")
Progress = Callable[[int, int], None]
Holding = Callable[[], AbstractContextManager[None]]


def _gone_sets(
    db: Database,
    store: Store,
    coming: Mapping[str, Collection[str]],
    new: Collection[str] = (),
) -> list[str]:
    """Return the ids of sets that rows on their way belong to and the book lacks.

    Args:
        coming: the rows' ids by table; of sets, those of which something was said.
        new: those sets that are on their way themselves, which are not lacking.
    """
    found = set(coming.get("sets", ()))
    for table, sql in _SETS_OF.items():
        if ids := sorted(coming.get(table, ())):
            asked = f"{sql} WHERE {table}.id = ANY(%s) GROUP BY 1"
            rows = store.query(asked, [ids], (str | None,))  # one of none is left out as it is read
            found.update(set_id for (set_id,) in rows if set_id is not None)
    there = "SELECT 1 FROM main.sets WHERE id = ?"
    return [
        set_id for set_id in sorted(found.difference(new)) if first_row(db, there, [set_id]) is None
    ]


def _of_sets(store: Store, set_ids: Collection[str]) -> dict[str, set[str]]:
    """Return the ids of what the store has of sets, but strokes and springs, by table."""
    if not set_ids:
        return {}
    found = {"sets": set(set_ids)}
    for table in _BY_HAND:
        sql = f"SELECT id FROM {SCHEMA}.{table} WHERE set_id = ANY(%s)"  # noqa: S608
        found[table] = {row_id for (row_id,) in store.query(sql, [sorted(set_ids)])}
    return found


def _back_again(db: Database, set_ids: Collection[str]) -> Iterator[str]:
    """Say of sets that they are in the book again, as far as they are."""
    for set_id in set_ids:
        row = first_row(db, "SELECT name FROM main.sets WHERE id = ?", [set_id])
        if row is not None:
            yield (
                f"the set {row['name']} was removed from this book and is back: another bench "
                "pressed it, or told something of it, since"
            )


class Capturing(CoilbenchError):
    """A capture writes the book."""


class Span(msgspec.Struct, frozen=True):
    """The pushes of a bench that were not read yet, after one and up to another."""

    bench: str
    after: int
    until: int


class _Read(msgspec.Struct, eq=False):
    """A push: what it lists but strokes, and of how many strokes it tells."""

    bench: str
    push: int
    uuid: str
    keys: set[Key]
    strokes: int


def pull_spans(
    db: Database,
    store: Store,
    spans: Sequence[Span],
    left: LeftOut,
    progress: Progress,
    holding: Holding,
) -> Pulled:
    """Bring in some pushes. Call it inside a reading transaction of the store.

    Args:
        left: gets what can't be taken.
        holding: gives what is held while the book is written; it raises Capturing.

    Raises:
        CoilbenchError: the store can't be read further, or the book not written. It says what was
            brought in, before.
    """
    done = Pulled()
    try:
        with room_for_pulled(db):
            reads = [_listed(store, span, left, done) for span in spans]
            _pull_light(db, store, [one for own in reads for one in own], left, done, holding)
            chunks = [(own, chunk) for own in reads for chunk in _chunks(own)]
            for number, (own, chunk) in enumerate(chunks):
                ids = _stroke_ids(store, chunk, left, done)
                lacking = _gone_sets(db, store, {"sweeps": set(ids)})
                _bring_light(db, store, _of_sets(store, lacking), left, done, holding)
                done.notes += _back_again(db, lacking)
                for part in parts_of(store, "sweeps", ids):
                    units = [(item,) for item in _strokes(db, store, part, left)]
                    with holding():
                        bring(db, store, _near(db, units, {}, left), left, done.rows, done.notes)
                with holding():
                    _keep_reached(db, own[: own.index(chunk[-1]) + 1], left)
                progress(number + 1, len(chunks))
            for own in reads:
                _keep_reached(db, own, left)
    except Capturing:
        done.waits = True
    except CoilbenchError as error:
        raise told_with(error, "was brought in before", done.rows) from error
    return done


def _pull_light(
    db: Database,
    store: Store,
    reads: Sequence[_Read],
    left: LeftOut,
    done: Pulled,
    holding: Holding,
) -> None:
    light: dict[str, set[str]] = {}
    for read in reads:
        for table, row_id, _ in read.keys:
            light.setdefault(table.removesuffix("_words"), set()).add(row_id)
    new = {row_id for read in reads for table, row_id, _ in read.keys if table == "sets"}
    lacking = _gone_sets(db, store, light, new)
    for table, ids in _of_sets(store, lacking).items():
        light.setdefault(table, set()).update(ids)
    _bring_light(db, store, light, left, done, holding)
    done.notes += _back_again(db, lacking)


def _bring_light(
    db: Database,
    store: Store,
    light: dict[str, set[str]],
    left: LeftOut,
    done: Pulled,
    holding: Holding,
) -> None:
    rounds, set_of = _light(store, light, left)
    for units in rounds:
        with holding():
            bring(db, store, _near(db, units, set_of, left), left, done.rows, done.notes)


def keep_seen(db: Database, bench: str, push: int, push_uuid: str) -> None:
    """Keep how far a bench was read."""
    db.execute(
        "INSERT INTO shop_seen (bench_id, push, push_uuid) VALUES (?1, ?2, ?3)"
        " ON CONFLICT (bench_id) DO UPDATE SET push = ?2, push_uuid = ?3",
        [bench, push, push_uuid],
    )


def _keep_reached(db: Database, reads: Sequence[_Read], left: LeftOut) -> None:
    """Keep how far a bench was read: up to the first push of which something was left out."""
    reached = None
    for read in reads:
        if read.keys & left.keys:
            break
        reached = read
    if reached is not None:
        with writing(db):
            keep_seen(db, reached.bench, reached.push, reached.uuid)


def _listed(store: Store, span: Span, left: LeftOut, done: Pulled) -> list[_Read]:
    """Return what was pushed, as far as each push is there."""
    found = []
    manifests = read_manifests(store, span.bench, span.after, span.until, left)
    for push, push_uuid, listed in manifests:
        strokes = max(len(listed.get(table, ())) for table in _STROKES)
        others = {table: rows for table, rows in listed.items() if table not in _STROKES}
        _leave_lacking(store, span.bench, push, others, left, done)
        found.append(_Read(span.bench, push, push_uuid, _keys(others), strokes))
    return found


def _keys(listed: Listed) -> set[Key]:
    return {
        (table, row_id, digest) for table, rows in listed.items() for row_id, digest in rows.items()
    }


def _chunks(reads: Sequence[_Read]) -> list[list[_Read]]:
    """Return the pushes of a bench with strokes, some together."""
    chunks: list[list[_Read]] = []
    many = CHUNK
    for read in reads:
        if read.strokes:
            if many + read.strokes > CHUNK:
                chunks.append([])
                many = 0
            chunks[-1].append(read)
            many += read.strokes
    return chunks


def _stroke_ids(store: Store, chunk: Sequence[_Read], left: LeftOut, done: Pulled) -> list[str]:
    """Return the ids of strokes that are new or have new words in some pushes of a bench."""
    ids: set[str] = set()
    for read in chunk:
        for _, _, listed in read_manifests(store, read.bench, read.push - 1, read.push, LeftOut()):
            strokes = {table: listed[table] for table in _STROKES if table in listed}
            _leave_lacking(store, read.bench, read.push, strokes, left, done)
            read.keys |= _keys(strokes)
            ids.update(*strokes.values())
    return sorted(ids)


def _leave_lacking(
    store: Store, bench: str, push: int, listed: Listed, left: LeftOut, done: Pulled
) -> None:
    found = lacking(store, listed)
    done.unsaid += found.unsaid
    if not (found.gone or found.otherwise):
        return
    sql = f"SELECT added_by, pushed_utc FROM {SCHEMA}.pushes WHERE bench = %s AND push = %s"  # noqa: S608
    ((added_by, pushed_utc), *_) = store.query(sql, [bench, push], (str, str)) or [
        ("a bench", "a day")
    ]
    for name in (*found.gone, *found.otherwise):
        table, row_id = name.split()
        if name in found.gone:
            left.lost.add((table, row_id))
            left.say(
                f"the store lacks {name}, which {added_by} gave it on {pushed_utc[:10]}; a bench "
                "that has it gives it again: coilbench share --all"
            )
        else:
            left.say(f"{name} is otherwise in the store than {added_by} lists it in push {push}")
        for listing in (table, words_of(table)):
            if row_id in listed.get(listing, {}):
                left.keys.add((listing, row_id, listed[listing][row_id]))


def _light(
    store: Store, listed: dict[str, set[str]], left: LeftOut
) -> tuple[list[list[Unit]], dict[str, str]]:
    """Return everything but strokes, of one state of each set at a time.

    And the set of each spring among it, by the spring's id.
    """
    rounds: list[list[Unit]] = [[]]
    set_of: dict[str, str] = {}
    for table in KINDS:
        if table == "springs":  # they come with their sets
            continue
        items = items_of(store, store.kinds[table], sorted(listed.get(table, ())), left)
        units: list[Unit] = [(item,) for item in items]
        if table == "sets":
            units = _with_springs(store, items, left)
            set_of = {one.row_id: unit[0].row_id for unit in units for one in unit[1:]}
        for number, of_round in enumerate(_rounds(units)):
            rounds += [[]] if number == len(rounds) else []
            rounds[number] += of_round
    return [one for one in rounds if one], set_of


def _rounds(units: Sequence[Unit]) -> list[list[Unit]]:
    """Deal units so that each of an id is in a round of its own."""
    rounds: list[list[Unit]] = []
    had: dict[str, int] = {}
    for unit in units:
        number = had[unit[0].row_id] = had.get(unit[0].row_id, -1) + 1
        rounds += [[]] if number == len(rounds) else []
        rounds[number].append(unit)
    return rounds


def _with_springs(store: Store, sets: Sequence[Item], left: LeftOut) -> list[Unit]:
    """Put its springs beside each state of a set: those that its labels name."""
    ids = sorted({spring_id for item in sets for spring_id in item.labels})
    springs = {one.row_id: one for one in items_of(store, store.kinds["springs"], ids, left)}
    found: list[Unit] = []
    for item in sets:
        own = [springs[one] for one in item.labels if one in springs]
        if not own and not item.labels:
            left.item(item, "it has no springs", known=True)
        elif len(own) < len(item.labels):
            left.item(item, "it names a spring that is not there, or was left out", known=True)
        elif any(one.fixed["set_id"] != item.row_id for one in own):
            left.item(item, "it names a spring of another set", known=True)
        else:
            labelled = (
                Item(one.kind, one.fixed, {"label": item.labels[one.row_id]}, by=one.by)
                for one in own
            )
            found.append((item, *labelled))
    whole = {unit[0].row_id for unit in found}
    for item in sets:
        if item.row_id not in whole:
            wrong = "nothing of what was said of it can be taken"
            left.item(item, wrong, known=False, say=bool(item.labels))
    return found


def _near(
    db: Database, units: Iterable[Unit], set_of: dict[str, str], left: LeftOut
) -> Iterator[Unit]:
    """Yield the units that refer to what is in the book or comes with them; leave out the others.

    Args:
        set_of: the set of each spring that comes with its set, by the spring's id.
    """
    coming: dict[str, set[str]] = {}

    @cache
    def find(table: str, row_id: str) -> dict[str, Any] | None:
        return first_row(db, f"SELECT * FROM main.{table} WHERE id = ?", [row_id])  # noqa: S608

    def astray(item: Item) -> str | None:
        """Return why a row belongs to nothing that is there; None where it does."""
        for column, table in REFERENCES.items():
            row_id = item.fixed.get(column)
            row = None if row_id is None else find(table, row_id)
            if row_id is not None and row is None and row_id not in coming.get(table, ()):
                return f"what it belongs to is not there, or was left out ({table} {row_id})"
            if row_id is not None and column in _SPRINGS and "set_id" in item.fixed:
                of = set_of.get(row_id) if row is None else row["set_id"]
                if of != item.fixed["set_id"]:
                    return "it names a spring of another set"
        return None

    for unit in units:
        for item in unit:
            coming.setdefault(item.kind.table, set()).add(item.row_id)
        wrong = next(filter(None, map(astray, unit)), None)
        if wrong is None:
            yield unit
        else:
            coming[unit[0].kind.table].discard(unit[0].row_id)
            left.item(unit[0], wrong, known=False)


def _strokes(db: Database, store: Store, ids: Sequence[str], left: LeftOut) -> list[Item]:
    """Return strokes by id: in whole those that the book lacks, of the others what may change."""
    kind = store.kinds["sweeps"]
    marks = ", ".join("?" * len(ids))
    fixed = [name for name in kind.fixed if name not in PACKED]
    own = {
        row["id"]: row
        for row in db.query(f"SELECT {', '.join(fixed)} FROM sweeps WHERE id IN ({marks})", ids)  # noqa: S608
    }
    items = items_of(store, kind, sorted(set(ids) - set(own)), left)
    words = words_said(store, kind, sorted(own), left)
    return items + [
        Item(kind, own[row_id], said[0].cells, by=said[0].by)
        for row_id, said in sorted(words.items())
        if said
    ]
