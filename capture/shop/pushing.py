"""Push to the store what it lacks: parents first, in chunks, each all or nothing."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterator, Sequence

import msgspec

from coilbench.capture.book.connection import Database
from coilbench.capture.book.news import last_stamp, news_until, no_longer_news
from coilbench.capture.book.rows import first_row, utc_now, writing
from coilbench.capture.book.tallies import OF, OF_SETS
from coilbench.capture.book.vouching import refuse_damaged_set
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.shop.line import TryAgain
from coilbench.capture.shop.reading import unsaid
from coilbench.capture.shop.rows import (
    CHUNK,
    CHUNK_BYTES,
    Item,
    Push,
    add_content,
    parted,
    read_items,
    told_with,
)
from coilbench.capture.shop.shape import REFERENCES, SCHEMA
from coilbench.capture.shop.store import Store

_SETS = 80  # of a dozen springs each: as many rows
_TRIES = 5
_SIZE = """
SELECT coalesce(length(samples_blob), 0) + 24 * coalesce((SELECT sum((SELECT max(point) + 1
  FROM curve_steps WHERE curve_steps.curve = curves.curve)) FROM curves WHERE sweep_id = s.id), 0)
FROM sweeps AS s WHERE id = ?
"""
Progress = Callable[[int, int], None]  # done, of how many


class Pushed(msgspec.Struct):
    """What a push did.

    Attributes:
        rows: how many rows of each kind the store has anew, or is told something new of.
        damaged: rows that stayed here since they are damaged: the table and the id.
        unlike: likewise rows that are otherwise in the store, though they never change, or that
            need a spring whose place another has there; each with the role that added it.
        displaced: ids of those springs, each with that role.
        vouched: ids of sets that were looked at for damage.
    """

    rows: dict[str, int] = msgspec.field(default_factory=dict)
    damaged: list[str] = msgspec.field(default_factory=list)
    unlike: dict[str, str] = msgspec.field(default_factory=dict)
    displaced: dict[str, str] = msgspec.field(default_factory=dict)
    vouched: set[str] = msgspec.field(default_factory=set)


def push_news(db: Database, store: Store, progress: Progress) -> Pushed:
    """Push all that is new, but for what a running capture has not ended.

    Raises:
        CoilbenchError: the store can't be reached. Chunks before are in the store, and known.
    """
    done = Pushed()
    stamp = last_stamp(db.conn)
    chunks = list(_chunks(db, news_until(db.conn, stamp)))
    total, sent = sum(len(ids) for _, ids in chunks), 0
    for kind, ids in chunks:
        try:
            _push_chunk(db, store, kind, ids, done)
        except CoilbenchError as error:
            raise told_with(error, "was given before", done.rows) from error
        with writing(db):
            left = {*done.damaged, *done.unlike}
            gone = [one for one in ids if f"{kind} {one}" not in left]
            no_longer_news(db.conn, kind, gone, stamp)
        sent += len(ids)
        progress(sent, total)
    return done


def _chunks(db: Database, news: dict[str, list[str]]) -> Iterator[tuple[str, list[str]]]:
    """Yield a kind and the ids that are pushed together."""
    for kind, ids in news.items():
        sizes = _sizes(db, ids) if kind == "sweeps" else ((one, 0) for one in ids)
        for part in parted(sizes, min(CHUNK, _SETS) if kind == "sets" else CHUNK, CHUNK_BYTES):
            yield kind, part


def _sizes(db: Database, ids: Sequence[str]) -> Iterator[tuple[str, int]]:
    """Yield each stroke with the bytes of its samples and its curve; 0 for one that is gone."""
    for one in ids:
        found = db.execute(_SIZE, [one]).fetchone()
        yield one, 0 if found is None else found[0]


def _push_chunk(db: Database, store: Store, kind: str, ids: Sequence[str], done: Pushed) -> None:
    _vouch(db, kind, ids, done.vouched)
    items = read_items(db, store.kinds[kind], ids)
    found = {item.row_id for item in items}
    unread = [one for one in ids if one not in found]
    done.damaged += [f"{kind} {one}" for one in unread if _is_there(db, kind, one)]
    before = dict(done.unlike)
    for attempt in range(_TRIES):
        done.unlike = dict(before)
        try:
            settle_pending(db, store)
            added = _send(db, store, items, done)
            if added:
                done.rows[kind] = done.rows.get(kind, 0) + added
        except TryAgain:
            if attempt == _TRIES - 1:
                raise
            store.again()
        else:
            return


def _vouch(db: Database, kind: str, ids: Sequence[str], vouched: set[str]) -> None:
    """Look for damage in the sets that rows are of; an opening has looked at the rig's.

    Raises:
        CoilbenchError: something but a stroke is damaged, or gone.
    """
    if kind not in OF_SETS:
        return
    marks = ", ".join("?" * len(ids))
    whole = OF[kind][-1].format(row=f"{kind}.")
    sql = f"SELECT {whole}, count(*) FROM {kind} {{}} WHERE id IN ({marks}) GROUP BY 1"  # noqa: S608
    found = db.execute(sql.format(""), ids).fetchall()
    if sum(count for _, count in found) < len(ids):  # of a set that was removed, or gone astray
        found += db.execute(sql.format("NOT INDEXED"), ids).fetchall()
    for set_id in sorted({one for one, _ in found} - vouched):
        refuse_damaged_set(db.conn, set_id)
        vouched.add(set_id)


def _send(db: Database, store: Store, items: Sequence[Item], done: Pushed) -> int:
    """Add what is missing, in one transaction with its push; returns how many rows were.

    Raises:
        TryAgain: the store was lost, or another bench came between, with another such row even.
    """
    beside = _with_sets(db, store, items)
    with store.transaction():
        for own in (items, *beside):
            done.displaced |= _displaced(store, own)
        items, *beside = (_alike(store, own, done) for own in (items, *beside))
        lacking, words = _lacking(store, items)
        absent = {one.row_id for one in lacking}
        store.add_points([one for one in items if one.row_id not in absent])
        beside = [_lacking(store, own)[0] for own in beside]
        if not (lacking or words or any(beside)):
            return 0
        damaged: set[str] = set()
        if lacking and lacking[0].kind.table == "sweeps":
            damaged.update(add_content(db, lacking))
        lacking, words = (
            [one for one in rows if one.row_id not in damaged] for rows in (lacking, words)
        )
        push = _announce(db)
        for own in (lacking, *beside):
            push.list_rows(own)
        push.list_words(words)
        store.add_push(push, utc_now())
        for own in (lacking, *beside):
            store.add_items(own, push)
        store.add_words(words, push)
        if _unlike(store, [one for one in items if one.row_id not in damaged]):
            raise TryAgain("another bench gave the same row otherwise", hint="Run the same again")
    with writing(db):
        _count(db)
    done.damaged += [f"sweeps {one}" for one in sorted(damaged)]
    return len({one.row_id for one in (*lacking, *words)})


def _is_there(db: Database, kind: str, row_id: str) -> bool:
    """Tell whether a row is in the book: one that was removed is not damaged."""
    sql = f"SELECT 1 FROM {kind} WHERE id = ?"  # noqa: S608  our own names
    return db.execute(sql, [row_id]).fetchone() is not None


def _with_sets(db: Database, store: Store, items: Sequence[Item]) -> list[list[Item]]:
    """Return what goes with sets, by kind: their springs before labels, entries with what they say.

    Else a bench that reads in between would find labels of no spring, or another length than ever
    was registered, without the entry that says so.
    """
    if not items or items[0].kind.table != "sets":
        return []
    found = []
    for table in ("springs", "hand_entries"):
        own: list[Item] = []
        for item in items:
            sql = f"SELECT id FROM {table} WHERE set_id = ? ORDER BY id"  # noqa: S608
            ids = [row_id for (row_id,) in db.execute(sql, [item.row_id])]
            own += read_items(db, store.kinds[table], ids)
        found.append(sorted(own, key=lambda one: one.row_id))
    return found


def _lacking(store: Store, items: Sequence[Item]) -> tuple[list[Item], list[Item]]:
    """Return the rows that the store lacks, and those of which it lacks the words."""
    if not items:
        return [], []
    kind, ids = items[0].kind, [item.row_id for item in items]
    known = {row_id for row_id, _ in store.digests(kind.table, "digest", ids)}
    lacking = [item for item in items if item.row_id not in known]
    return lacking, unsaid(store, items)


def _unlike(store: Store, items: Sequence[Item]) -> set[str]:
    """Return the ids of rows that are otherwise in the store, though they never change."""
    if not items:
        return set()
    own = {item.row_id: item for item in items}
    known = store.digests(items[0].kind.table, "digest", list(own))
    return {row_id for row_id, digest in known if digest != own[row_id].digest()}


def _alike(store: Store, items: Sequence[Item], done: Pushed) -> list[Item]:
    """Return the rows that the store may take; the others stay here, named."""
    table = items[0].kind.table if items else ""
    unlike = dict(store.added_by(table, _unlike(store, items))) if items else {}
    for item in items if done.displaced else ():
        needed = [item.row_id, *map(item.fixed.get, REFERENCES), *item.labels]
        barred = [done.displaced[one] for one in needed if one in done.displaced]
        unlike |= dict.fromkeys([item.row_id] * bool(barred), " and ".join(sorted(set(barred))))
    done.unlike |= {f"{table} {one}": by for one, by in unlike.items()}
    return [item for item in items if item.row_id not in unlike]


def _displaced(store: Store, items: Sequence[Item]) -> dict[str, str]:
    """Return which springs' turns in their sets another spring has in the store, and who added it.

    The store keeps one of each; what needs the one that it has not would be refused, and all else
    that goes with it.
    """
    if not items or items[0].kind.table != "springs":
        return {}
    own = {(item.fixed["set_id"], item.fixed["turn"]): item.row_id for item in items}
    sql = (
        f"SELECT set_id, turn, id, added_by FROM {SCHEMA}.springs WHERE set_id = ANY(%s)"  # noqa: S608
        " AND turn IS NOT NULL"
    )
    rows = store.query(sql, [sorted({set_id for set_id, _ in own})], (str, int, str, str))
    return {
        own[set_id, turn]: by
        for set_id, turn, row_id, by in rows
        if own.get((set_id, turn), row_id) != row_id
    }


def _announce(db: Database) -> Push:
    """Keep the next push's uuid in the book before it is sent."""
    push_uuid = str(uuid.uuid4())
    with writing(db):
        db.execute("UPDATE shop SET pending_uuid = ?", [push_uuid])
    row = first_row(db, "SELECT bench_id, pushed FROM shop") or {}
    return Push(row["bench_id"], row["pushed"] + 1, push_uuid)


def _count(db: Database) -> None:
    db.execute(
        "UPDATE shop SET pushed = pushed + 1, pushed_uuid = pending_uuid, pending_uuid = NULL"
    )


def settle_pending(db: Database, store: Store) -> None:
    """Find out whether a push whose answer was lost is in the store."""
    row = first_row(db, "SELECT bench_id, pushed, pending_uuid FROM shop") or {}
    if row.get("pending_uuid") is None:
        return
    sent = (row["bench_id"], row["pushed"] + 1)
    with store.transaction(reading=True):
        there = store.push_uuids([sent])
    with writing(db):
        if there.get(sent) == row["pending_uuid"]:
            _count(db)
        else:
            db.execute("UPDATE shop SET pending_uuid = NULL")
