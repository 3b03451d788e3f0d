"""Share a book: pull what it lacks, push what the store lacks; who this bench is to the store."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, closing, contextmanager
from functools import partial
from pathlib import Path

import msgspec
from filelock import FileLock, Timeout
from msgspec.structs import replace

from coilbench.capture.book.connection import Database
from coilbench.capture.book.ids import is_id
from coilbench.capture.book.in_force import PartsOfRigs, parts_here, taken_over
from coilbench.capture.book.locks import hold_book
from coilbench.capture.book.news import all_is_news, news_again
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.rows import first_row, insert, new_id, writing
from coilbench.capture.book.told import Told
from coilbench.capture.book.vouching import refuse_damaged_shop
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.shop.answers import Judge, add_answers
from coilbench.capture.shop.left_out import LeftOut
from coilbench.capture.shop.line import WAIT_S, safe_address
from coilbench.capture.shop.manifests import compare_all, give_pushes_again, look_back, names_of
from coilbench.capture.shop.outcome import Pulled, Shared
from coilbench.capture.shop.pulling import Capturing, Span, keep_seen, pull_spans
from coilbench.capture.shop.pushing import push_news, settle_pending
from coilbench.capture.shop.shape import kinds_of
from coilbench.capture.shop.store import Store

_GIVE = "coilbench share postgresql://user@host/database"
_SHOWN = 40  # characters of a name that can't be
_Answering = tuple[Judge, str]  # how a set is judged, and the program's version
Progress = Callable[[str, int, int], None]  # "push" or "pull", done, of how many


class Wish(msgspec.Struct, frozen=True):
    """What is to be done: push, pull, and whether all of the book is compared."""

    push: bool
    pull: bool
    anew: bool


def share_book(
    path: Path,
    address: str | None,
    *,
    push: bool = True,
    pull: bool = True,
    anew: bool = False,
    answering: _Answering | None = None,
    progress: Progress = lambda *_: None,
    wait_s: int = WAIT_S,
) -> Shared:
    """Share a book with a store, kept in the book as its own from then on.

    Where there is no book it is made, once the store has answered.

    Args:
        address: any that libpq takes, without a password; None for the one that the book has.
        anew: all that the book has is compared with the store, not only what is new.
        wait_s: how long the server may take to answer at first.
        answering: works out the sets that changed, for those who read the store by SQL.

    Raises:
        CoilbenchError: no address, no server, a store that is not ours or of another version, or
            something in one of the two that the other can't take. What was shared before stays.
    """
    if address is None and not path.exists():
        raise CoilbenchError(
            "there is no book here yet",
            where=str(path),
            hint=f"To take what the store has: {_GIVE}",
        )
    create = address is not None and not path.exists()
    if create:  # a bench that has nothing yet; not for an address that leads nowhere
        with closing(Store(str(address), wait_s=wait_s)) as store:
            store.look()
    with open_book(path, create=create) as db, _hold_sharing(path):
        refuse_damaged_shop(db.conn)
        where = _address(db, path, address)
        with closing(Store(where, kinds_of(db), wait_s)) as store:
            done = _share(db, store, path, Wish(push, pull, anew), progress)
            if push and answering is not None:
                done = replace(done, answers=add_answers(db, store, *answering))
            return done


def _share(db: Database, store: Store, path: Path, wish: Wish, progress: Progress) -> Shared:
    store.look()
    before, left, in_force = _known_pushes(db, store), LeftOut(), parts_here(db)
    news = _meet(db, store)
    lost = _look_back(db, store, wish, before, left, all_again="older_store" in news)
    about = {what: _about(what, progress) for what in ("push", "pull")}
    pulled, pushed, waits = None, None, wish.pull and not _is_free(path)
    refused: CoilbenchError | None = None
    if wish.pull and not waits:
        try:
            pulled = _pull(db, store, path, left, about["pull"])
        except CoilbenchError as error:  # what this book has is given all the same
            refused = error
    given_again = _has_what_is_lost(db, left) and wish.push
    if wish.push:
        pushed = push_news(db, store, about["push"])
    if refused is not None:
        raise refused
    if pulled is not None:
        lost = lost or names_of(pulled.unsaid)
        waits = pulled.waits
        if given_again and pushed is not None and pushed.rows:
            lost = lost or names_of([" ".join(row) for row in sorted(left.lost)])
            left = LeftOut()
            pulled = _pull(db, store, path, left, about["pull"]).after(pulled)
    return Shared(
        store.address,
        pulled,
        pushed,
        waits,
        None,
        news,
        lost,
        left.sentences(),
        store.clock_off_s,
        tuple(store.strong),
        tuple(_taken_over(db, store, in_force)),
    )


def _taken_over(db: Database, store: Store, before: PartsOfRigs) -> Iterator[str]:
    """Say which calibrations of this bench's rigs are in force now that others gave."""
    new = {part_id: (kind, made_utc) for kind, part_id, made_utc in taken_over(before, db)}
    for part_id, by in store.added_by("calibration_parts", new) if new else ():
        kind, made_utc = new[part_id]
        yield (
            f"the calibration of the {kind} in force is now one that {by} added, made "
            f"{made_utc[:16].replace('T', ' ')} UTC"
        )


def _has_what_is_lost(db: Database, left: LeftOut) -> bool:
    """Tell whether this book has some of what the store lacks; that is news then."""
    with writing(db):
        return news_again(db.conn, left.lost)


def _known_pushes(db: Database, store: Store) -> dict[str, int]:
    """Return by bench the last push that this book knows of: its own, and those it has read."""
    row = first_row(db, "SELECT store_id, bench_id, pushed FROM shop")
    if row is None or row["store_id"] != store.store_id:
        return {}
    return {row["bench_id"]: row["pushed"]} | dict(
        db.execute("SELECT bench_id, push FROM shop_seen").fetchall()
    )


def _look_back(
    db: Database,
    store: Store,
    wish: Wish,
    known: Mapping[str, int],
    left: LeftOut,
    *,
    all_again: bool,
) -> str:
    """Look for what the store had before and has no longer; all is news again where it lacks some.

    Args:
        known: what this book knew before it met the store.
        left: gets what is there and is not what was pushed.
        all_again: it is given all anew in any case.

    Returns:
        What it lacks, named.
    """
    with store.transaction(reading=True):
        heads = store.heads()
        there = [
            (bench, min(push, heads[bench][0])) for bench, push in known.items() if bench in heads
        ]
        lost = look_back(db, store, there, left)
        if wish.anew:
            compare_all(db, store, left)
    if lost or wish.anew:
        with writing(db):
            all_is_news(db.conn)
    if wish.push and (lost or wish.anew or all_again):
        give_pushes_again(store, there)
    return names_of(lost)


def _address(db: Database, path: Path, given: str | None) -> str:
    """Return the store's address: as given, else as the book has it."""
    if given is not None:
        return safe_address(given)
    row = first_row(db, "SELECT address FROM shop")
    if row is None:
        raise CoilbenchError(
            "this book is not shared with a store yet",
            where=str(path),
            hint=f"Give its address: {_GIVE}",
        )
    return str(row["address"])


def _about(what: str, progress: Progress) -> Callable[[int, int], None]:
    return lambda done, total: progress(what, done, total)


@contextmanager
def _hold_sharing(path: Path) -> Iterator[None]:
    """Be the only one that shares this book."""
    lock = FileLock(f"{os.path.realpath(path)}.share.lock")
    try:
        lock.acquire(timeout=0)
    except Timeout as error:
        raise CoilbenchError(
            "this book is being shared already", where=str(path), hint="Wait for that to end"
        ) from error
    except OSError as error:
        raise CoilbenchError(
            f"the lock file cannot be created ({error.strerror})",
            where=str(path),
            hint="Check the book's folder and its permissions",
        ) from error
    try:
        yield
    finally:
        lock.release()


def _is_free(path: Path) -> bool:
    """Tell whether no capture writes this book."""
    try:
        with _holding(path):
            return True
    except Capturing:
        return False


@contextmanager
def _holding(path: Path) -> Iterator[None]:
    """Let no capture begin meanwhile: as short as it takes to write what was read.

    Raises:
        Capturing: one is running.
    """
    with ExitStack() as held:
        try:
            held.enter_context(hold_book(path))
        except CoilbenchError as error:
            raise Capturing(error.what, where=error.where, hint=error.hint) from error
        yield


def _meet(db: Database, store: Store) -> tuple[str, ...]:
    """Find out whether the store and the book know each other, and mend what does not agree."""
    row = first_row(db, "SELECT * FROM shop")
    if row is None or row["store_id"] != store.store_id:
        with writing(db):
            db.execute("DELETE FROM shop_seen")
            _begin(db, store)
        return ("new_store",)
    settle_pending(db, store)
    row = first_row(db, "SELECT * FROM shop") or {}
    seen = db.execute("SELECT bench_id, push, push_uuid FROM shop_seen").fetchall()
    own = (row["bench_id"], row["pushed"])
    with store.transaction(reading=True):
        there = store.push_uuids([own, *((bench, push) for bench, push, _ in seen)])
        own_head = store.heads().get(row["bench_id"], (0, ""))[0]
    lost = [bench for bench, push, push_uuid in seen if there.get((bench, push)) != push_uuid]
    news = []
    with writing(db):
        db.execute("UPDATE shop SET address = ?", [store.address])
        if lost or there.get(own) != row["pushed_uuid"]:  # it is given all anew
            news.append("older_store")
            db.conn.executemany("DELETE FROM shop_seen WHERE bench_id = ?", [[one] for one in lost])
            _begin(db, store)
        elif own_head > row["pushed"]:  # another copy of this book has pushed since
            news.append("copied_book")
            if row["pushed"]:
                keep_seen(db, row["bench_id"], row["pushed"], row["pushed_uuid"])
            db.execute("UPDATE shop SET bench_id = ?, pushed = 0, pushed_uuid = NULL", [new_id()])
    return tuple(news)


def _begin(db: Database, store: Store) -> None:
    """Be a new bench to the store, that has told nothing yet."""
    row = {"store_id": store.store_id, "address": store.address, "bench_id": new_id()}
    db.execute("DELETE FROM shop")
    insert(db, "shop", {"only_row": 1, **row, "pushed": 0})
    all_is_news(db.conn)


def _pull(
    db: Database, store: Store, path: Path, left: LeftOut, progress: Callable[[int, int], None]
) -> Pulled:
    known = {set_id for (set_id,) in db.execute("SELECT id FROM sets")}
    with store.transaction(reading=True):
        spans = _spans(db, store, left)
        done = pull_spans(db, store, spans, left, progress, partial(_holding, path))
    # what became of a set before it came in is no news here
    done.notes = [one for one in done.notes if not isinstance(one, Told) or one.set_id in known]
    return done


def _spans(db: Database, store: Store, left: LeftOut) -> list[Span]:
    """Return what of each bench was not read yet; `left` gets those that no bench is called."""
    row = first_row(db, "SELECT bench_id FROM shop") or {}
    seen = dict(db.execute("SELECT bench_id, push FROM shop_seen").fetchall())
    spans = []
    for bench, (push, _) in sorted(store.heads().items()):
        if not is_id(bench):
            by = store.pushed_by(bench)
            left.say(f"what {by} pushed as the bench {bench[:_SHOWN]!r}: no bench is called so")
        elif bench != row["bench_id"] and push > seen.get(bench, 0):
            spans.append(Span(bench, seen.get(bench, 0), push))
    return spans
