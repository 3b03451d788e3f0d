"""The shop's store on a PostgreSQL server: reached safely, known as ours, read and added to.

A row is never changed or deleted there. psycopg is loaded when a store is reached: an extra.
"""

from __future__ import annotations

import contextlib
import logging
import os
import socket
import threading
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from functools import cache
from itertools import islice
from typing import TYPE_CHECKING, Any

import msgspec

from coilbench.capture.book.rows import utc_now
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.shop.address import load_psycopg, safe_address
from coilbench.capture.shop.description import (
    known_views,
    strange_parts,
    strange_views,
    strong_roles,
)
from coilbench.capture.shop.refusals import locked, lost, not_reached
from coilbench.capture.shop.rows import Item, Push, escaped
from coilbench.capture.shop.shape import (
    SCHEMA,
    VERSION,
    Kind,
    kinds,
    store_sql,
    tables,
    words_of,
)
from coilbench.capture.shop.views import views_sql

if TYPE_CHECKING:
    import psycopg

WAIT_S = 20
_SILENT_MS = 30_000
_ANSWER_S = 90  # for how long a server is waited for that took a question and is silent
_OPTIONS = (
    f"-c search_path=pg_catalog -c client_encoding=UTF8 -c lock_timeout={_SILENT_MS}"
    f" -c statement_timeout={2 * _SILENT_MS}"
)
_MOST_SENT = 50  # rows at a time: even a slow network takes them while a server is waited for
_MOST_OFF_S = 86_400.0  # of a clock
logging.getLogger("psycopg").addHandler(logging.NullHandler())  # all that it says is said here
# What two benches at once, or a server that restarts, can cause: tried again.
_AGAIN = ("40001", "40P01", "23505")
_LOCKED, _TOO_LONG = "55P03", "57014"
_VERSIONS = f"SELECT version FROM {SCHEMA}.versions"  # noqa: S608  our own name
_STORE = f"SELECT id FROM {SCHEMA}.store"  # noqa: S608
_TABLES = """
SELECT c.relname FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace WHERE n.nspname = %s
"""
# The last push of each bench, by one look into the index each, however many pushes there are.
_HEADS = f"""
WITH RECURSIVE benches AS (
  SELECT min(bench) AS bench FROM {SCHEMA}.pushes
  UNION ALL SELECT (SELECT min(p.bench) FROM {SCHEMA}.pushes p WHERE p.bench > b.bench)
  FROM benches b WHERE b.bench IS NOT NULL)
SELECT b.bench, p.push, p.uuid FROM benches b CROSS JOIN LATERAL (SELECT push, uuid
  FROM {SCHEMA}.pushes q WHERE q.bench = b.bench ORDER BY push DESC LIMIT 1) p
"""  # noqa: S608


class TryAgain(CoilbenchError):
    """The server or another bench came between; the same again may work."""


class Store:
    """A connection to a store.

    Attributes:
        kinds: the kinds of rows, parents first: those given, else of a book of this version.
        store_id: which store it is; empty until it was looked at.
        clock_off_s: how far this machine's clock was ahead of the server's then.
        strong: roles of benches that may change or delete what others added, each with why.
    """

    def __init__(
        self, address: str, of: Mapping[str, Kind] | None = None, wait_s: int = WAIT_S
    ) -> None:
        self._pg = load_psycopg()
        self.address = safe_address(address)
        self.kinds = kinds() if of is None else of
        self._shape = tables(self.kinds)
        self._wait_s = wait_s
        self.store_id = ""
        self.clock_off_s = 0.0
        self.strong: list[str] = []
        self._connection = self._connect()

    def _connect(self) -> psycopg.Connection[tuple[Any, ...]]:
        """Connect: to a local socket, or by TLS to a server whose certificate names it."""
        self._hung_up = False
        try:
            connection: psycopg.Connection[tuple[Any, ...]] = self._pg.connect(
                self.address,
                sslmode="verify-full",  # libpq does without on a local socket
                gssencmode="disable",
                autocommit=True,  # transactions are begun and ended here
                connect_timeout=self._wait_s,
                application_name="coilbench share",
                tcp_user_timeout=_SILENT_MS,  # a network that is gone is noticed
                keepalives_idle=_SILENT_MS // 1000,
                options=_OPTIONS,
            )
        except self._pg.Error as error:
            raise not_reached(_one_line(error)) from error
        encoding = connection.info.parameter_status("server_encoding")
        if encoding != "UTF8":  # it could not keep every text
            connection.close()
            raise CoilbenchError(
                f"this database keeps text as {encoding}; a store needs UTF8",
                hint="Its administrator makes one: createdb -E UTF8 -T template0 springs",
            )
        return connection

    def close(self) -> None:
        """Leave the server."""
        with contextlib.suppress(self._pg.Error):
            self._connection.close()

    def again(self) -> None:
        """Connect once more after a loss, to the same store.

        Raises:
            CoilbenchError: another store is there now.
        """
        self.close()
        self._connection = self._connect()
        before = self.store_id
        self.look()
        if self.store_id != before:
            raise _strange("another store than a moment ago")

    @contextmanager
    def transaction(self, *, reading: bool = False) -> Iterator[None]:
        """Do all or nothing; `reading` sees everything as it is at the start, and changes nothing.

        Raises:
            TryAgain: the connection was lost, perhaps after all was stored, or another bench did
                the same at once.
            CoilbenchError: anything else that the server refuses.
        """
        try:
            self.execute(f"BEGIN{' ISOLATION LEVEL REPEATABLE READ, READ ONLY' * reading}")
            yield
            with self._asking():
                self._connection.commit()
        except BaseException:
            self._roll_back()
            raise

    @contextmanager
    def _asking(self, *, timed: bool = True) -> Iterator[None]:
        """Ask the server something: whatever goes wrong there is told as an error of ours.

        Args:
            timed: False where each part of it is.

        Raises:
            TryAgain: the connection was lost, or another bench did the same at once.
            CoilbenchError: anything else that the server refuses.
        """
        try:
            with self._in_time() if timed else contextlib.nullcontext():
                yield
        except self._pg.Error as error:
            said = f"no answer for {_ANSWER_S} s" if self._hung_up else _one_line(error)
            if error.sqlstate == _LOCKED:
                raise locked() from error
            ended = isinstance(error, self._pg.OperationalError) and error.sqlstate != _TOO_LONG
            if ended or self._hung_up or error.sqlstate in _AGAIN:
                worded = lost(said, "shared with")
                raise TryAgain(worded.what, hint=worded.hint) from error
            raise CoilbenchError(f"the store refused this ({said})") from error

    def _roll_back(self) -> None:
        with contextlib.suppress(self._pg.Error), self._in_time():
            self._connection.rollback()

    @contextmanager
    def _in_time(self) -> Iterator[None]:
        """Hang up on a server that does not answer: something between may hold the line."""
        hung_up = threading.Timer(_ANSWER_S, self._hang_up)
        hung_up.daemon = True
        hung_up.start()
        try:
            yield
        finally:
            hung_up.cancel()

    def _hang_up(self) -> None:
        self._hung_up = True
        with contextlib.suppress(self._pg.Error, OSError):
            line = socket.socket(fileno=os.dup(self._connection.fileno()))
            with line:
                line.shutdown(socket.SHUT_RDWR)

    def query(
        self, sql: str, values: Sequence[object] = (), cells: Sequence[object] = (str,)
    ) -> list[tuple[Any, ...]]:
        """Return the rows of a query, of these types and no others.

        Args:
            cells: the type of each cell of a row.

        Raises:
            CoilbenchError: the server answered with something else.
        """
        rows = self.raw(sql, values)
        try:
            found: list[tuple[Any, ...]] = msgspec.convert(rows, _rows_of(tuple(cells)))
        except msgspec.ValidationError as error:
            raise CoilbenchError(
                f"the server's answer is none that a store gives ({_one_line(error)})",
                where=self.address,
            ) from error
        return found

    def raw(self, sql: str, values: Sequence[object] = ()) -> list[tuple[Any, ...]]:
        """Return the rows of a query, whatever is in them: whoever asks looks at each."""
        with self._asking():
            return self._connection.execute(sql, values, binary=True).fetchall()

    def execute(self, sql: str) -> None:
        """Run a statement without values."""
        with self._asking():
            self._connection.execute(sql)

    def init(self) -> None:
        """Make the store with its roles, or bring an older one up to date; call no transaction.

        Raises:
            CoilbenchError: something else has the schema, the user may not make it, or what is
                there is not as we make it. Nothing is changed then.
        """
        with self.transaction():
            there = self._tables()
            if there and "store" not in there:
                raise _strange(f"a schema {SCHEMA!r} of something else")
            for statement in (*store_sql(self.kinds), *views_sql()):
                self.execute(statement)
            self._refuse_strange()

    def look(self) -> None:
        """See that this is a store of ours and of this version, before anything is read of it.

        Raises:
            CoilbenchError: it is not, or a newer coilbench made it, or an older one.
        """
        with self.transaction(reading=True):
            there = self._tables()
            if not there:
                raise CoilbenchError(
                    "there is no store in this database",
                    hint="Its administrator makes one with: coilbench share URL --init",
                )
            if not {"store", "versions"} <= there:
                raise _strange(f"a schema {SCHEMA!r} of something else")
            self._refuse_version()
            self._refuse_strange()
            major = self._connection.info.server_version // 10_000
            known = known_views(self.query, major)
            ids = [one for (one,) in self.query(_STORE)]
            self.strong = list(strong_roles(self.query))
            clock = self.query("SELECT clock_timestamp()", (), (datetime,))
        for (server_now,) in clock:
            self._compare_clocks(server_now)
        if not known:
            self._refuse_strange_views()
        if len(ids) != 1 or not ids[0]:
            raise _strange("a store without an id" if not any(ids) else "a store of several ids")
        (self.store_id,) = ids

    def _compare_clocks(self, there: datetime) -> None:
        """Refuse a clock that is days off: what is newest is told by it."""
        self.clock_off_s = (datetime.fromisoformat(utc_now()) - there).total_seconds()
        if abs(self.clock_off_s) > _MOST_OFF_S:
            raise CoilbenchError(
                f"this machine's clock says {utc_now()[:16].replace('T', ' ')} UTC, the server's "
                f"{there.astimezone(UTC):%Y-%m-%d %H:%M}; nothing was shared",
                hint="Set the clock that is wrong: what is newest is told by it",
            )

    def _tables(self) -> set[str]:
        return {name for (name,) in self.query(_TABLES, [SCHEMA])}

    def _refuse_version(self) -> None:
        versions = {version for (version,) in self.query(_VERSIONS)}
        newest = max(versions, default="")
        if newest > VERSION:
            raise CoilbenchError(
                f"a newer coilbench keeps this store ({newest}); nothing was shared",
                hint="Update coilbench on this bench",
            )
        if newest < VERSION:
            raise CoilbenchError(
                f"this store is older ({newest or 'no version'}) than this coilbench; nothing was "
                "shared",
                hint="Its administrator brings it up to date: coilbench share URL --init",
            )

    def _refuse_strange(self) -> None:
        for what in strange_parts(self.query, self.kinds):
            raise _strange(f"a {_one_line(what)}", _ADDED)

    def _refuse_strange_views(self) -> None:
        try:
            self.execute("BEGIN")
            found = list(strange_views(self.query, self.execute))
        except TryAgain:
            raise
        except CoilbenchError as error:
            raise CoilbenchError(
                f"the store's views could not be compared with ours: {error.what}",
                hint="Its administrator lets benches make temporary ones: GRANT TEMPORARY ON "
                "DATABASE ... TO coilbench_bench",
            ) from error
        finally:
            self._roll_back()
        for what in found:
            raise _strange(f"a {what}", _ADDED)

    def push_uuids(self, of: Iterable[tuple[str, int]]) -> dict[tuple[str, int], str]:
        """Return the uuids of some pushes, each by its bench and number; those that are there."""
        wanted = list(of)
        sql = (
            f"SELECT bench, push, uuid FROM {SCHEMA}.pushes JOIN"  # noqa: S608  our own names
            " unnest(%s::text[], %s::bigint[]) AS p (bench, push) USING (bench, push)"
        )
        values = [[bench for bench, _ in wanted], [push for _, push in wanted]]
        return {
            (bench, push): uuid for bench, push, uuid in self.query(sql, values, (str, int, str))
        }

    def heads(self) -> dict[str, tuple[int, str]]:
        """Return each bench's last push and its uuid."""
        return {
            bench: (push, uuid) for bench, push, uuid in self.query(_HEADS, (), (str, int, str))
        }

    def digests(self, table: str, column: str, ids: Sequence[str]) -> set[tuple[str, bytes]]:
        """Return the ids and digests of those rows that the store has."""
        sql = f"SELECT id, {column} FROM {SCHEMA}.{table} WHERE id = ANY(%s)"  # noqa: S608
        asked = set(ids)
        found = self.query(sql, [list(ids)], (str, bytes))
        return {(row_id, digest) for row_id, digest in found if row_id in asked}

    def add(self, table: str, rows: Iterable[Sequence[object]]) -> None:
        """Add rows that are not there yet."""
        names = self._shape[table].given
        marks = ", ".join(["%b" if name in _BYTES else "%s" for name in names])
        sql = (
            f"INSERT INTO {SCHEMA}.{table} ({', '.join(names)}) VALUES ({marks})"  # noqa: S608
            " ON CONFLICT DO NOTHING"
        )
        cells = ([escaped(cell) for cell in row] for row in rows)
        with self._asking(timed=False), self._connection.cursor() as cursor:
            while some := list(islice(cells, _MOST_SENT)):
                with self._in_time():
                    cursor.executemany(sql, some)

    def add_push(self, push: Push, now_utc: str) -> None:
        """Add a push; a second one of its number is refused by the key, and tried again."""
        sql = (
            f"INSERT INTO {SCHEMA}.pushes (bench, push, uuid, version, pushed_utc, manifest)"  # noqa: S608
            " VALUES (%s, %s, %s, %s, %s, %b)"
        )
        row = [push.bench, push.push, push.uuid, VERSION, now_utc, push.packed()]
        with self._asking():
            self._connection.execute(sql, row)

    def add_items(self, items: Sequence[Item], push: Push) -> None:
        """Add rows of one kind, with their points, words and labels, where they are missing."""
        if not items:
            return
        made = [[*one.fixed.values(), one.digest(), push.bench, push.push] for one in items]
        self.add(items[0].kind.table, made)
        self.add_points(items)

    def add_points(self, items: Sequence[Item]) -> None:
        """Add the points of rows of one kind that have any."""
        if items and items[0].kind.points is not None:
            child, _, columns = items[0].kind.points
            rows = [[row[name] for name in columns] for one in items for row in one.points]
            self.add(child, rows)

    def add_words(self, items: Sequence[Item], push: Push) -> None:
        """Add what may change of rows of one kind, as it is now."""
        if not items or not items[0].words:
            return
        kind = items[0].kind
        digests = {item.row_id: item.words_digest() for item in items}
        from_ = (push.bench, push.push)
        self.add(
            words_of(kind.table),
            [[one.row_id, digests[one.row_id], *one.words.values(), *from_] for one in items],
        )
        self.add_labels(items)

    def add_labels(self, items: Sequence[Item]) -> None:
        """Add the labels of sets' springs, as they are now."""
        labels = [
            [item.row_id, item.words_digest(), spring_id, label]
            for item in items
            for spring_id, label in sorted(item.labels.items())
        ]
        if labels:
            self.add("set_labels", labels)


_BYTES = ("digest", "words", "inputs", "manifest", "samples_blob", "curve_packed", "content_digest")


@cache
def _rows_of(cells: tuple[Any, ...]) -> Any:
    return list.__class_getitem__(tuple.__class_getitem__(cells))


_ANOTHER = "Give the address of the shop's store; a new one is made in a database of its own"
_ADDED = "Its administrator takes out what was added, or puts back what was changed"


def _strange(what: str, hint: str = _ANOTHER) -> CoilbenchError:
    return CoilbenchError(f"this database has {what}; nothing was read or written", hint=hint)


def _one_line(error: object) -> str:
    return " ".join(str(error).split()).rstrip(".") or type(error).__name__
