"""The shop's store on a PostgreSQL server: reached safely, known as ours, read and added to.

A row is never changed or deleted there. psycopg is loaded when a store is reached: an extra.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from coilbench.capture.errors import CoilbenchError
from coilbench.capture.shop.rows import Item
from coilbench.capture.shop.shape import (
    SCHEMA,
    VERSION,
    Kind,
    kinds,
    names_of,
    store_sql,
    tables,
)
from coilbench.capture.shop.views import views_sql

if TYPE_CHECKING:
    import psycopg

_INSTALL = "pip install '.[shop]'"
WAIT_S = 20
_SILENT_MS = 30_000
_OPTIONS = f"-c search_path=pg_catalog -c client_encoding=UTF8 -c lock_timeout={_SILENT_MS}"
# What two benches at once, or a server that restarts, can cause: tried again.
_AGAIN = ("40001", "40P01", "23505")
_SECRETS = ("password", "sslpassword")
_VERSIONS = f"SELECT version FROM {SCHEMA}.versions"  # noqa: S608  our own name
_STORE = f"SELECT id FROM {SCHEMA}.store"  # noqa: S608
_SHAPE = """
SELECT c.relname, a.attname, format_type(a.atttypid, a.atttypmod)
FROM pg_catalog.pg_class c JOIN pg_catalog.pg_namespace n ON n.oid = c.relnamespace
JOIN pg_catalog.pg_attribute a ON a.attrelid = c.oid AND a.attnum > 0 AND NOT a.attisdropped
WHERE n.nspname = %s AND c.relkind = 'r'
"""
_STRANGE = """
SELECT c.relname FROM pg_catalog.pg_class c JOIN pg_catalog.pg_namespace n ON n.oid = c.relnamespace
WHERE n.nspname = %s AND (c.relkind NOT IN ('r', 'i', 'v', 't') OR c.relkind = 'r' AND (
  EXISTS (SELECT 1 FROM pg_catalog.pg_trigger t WHERE t.tgrelid = c.oid AND NOT t.tgisinternal)
  OR EXISTS (SELECT 1 FROM pg_catalog.pg_rewrite w WHERE w.ev_class = c.oid)))
"""


class TryAgain(Exception):
    """The server or another bench came between; the same again may work."""


def safe_address(address: str) -> str:
    """Return an address as it may be kept and shown.

    Raises:
        CoilbenchError: it can't be read, has a password in it, or asks for less than a server whose
            name was verified.
    """
    psycopg = _psycopg()
    try:
        parts = psycopg.conninfo.conninfo_to_dict(address)
    except psycopg.Error:
        # its words may repeat what was typed, a password with it
        raise CoilbenchError(
            "this is no address of a PostgreSQL server",
            hint="Give postgresql://user@host/database, or service=NAME",
        ) from None
    if any(parts.get(secret) for secret in _SECRETS):
        raise CoilbenchError(
            "an address must not have a password in it: other programs of this machine can see it",
            hint="Put it in ~/.pgpass, readable by you alone (chmod 600)",
        )
    weak = parts.get("sslmode", "verify-full")
    if weak != "verify-full":
        raise CoilbenchError(
            f"sslmode={weak} would trust any server that answers",
            hint="Leave it out: verify-full is asked for, with sslrootcert=FILE for the shop's own "
            "certificate",
        )
    return address


def _psycopg() -> Any:
    try:
        import psycopg
        import psycopg.conninfo
    except ImportError as error:
        raise CoilbenchError(
            "sharing needs psycopg, which is not installed", hint=_INSTALL
        ) from error
    return psycopg


class Store:
    """A connection to a store.

    Attributes:
        kinds: the kinds of rows, parents first: those given, else of a book of this version.
        store_id: which store it is; empty until it was looked at.
    """

    def __init__(
        self, address: str, of: Mapping[str, Kind] | None = None, wait_s: int = WAIT_S
    ) -> None:
        self._pg = _psycopg()
        self.address = safe_address(address)
        self.kinds = kinds() if of is None else of
        self._wait_s = wait_s
        self.store_id = ""
        self._connection = self._connect()

    def _connect(self) -> psycopg.Connection[tuple[Any, ...]]:
        """Connect: to a local socket, or by TLS to a server whose certificate names it."""
        try:
            connection: psycopg.Connection[tuple[Any, ...]] = self._pg.connect(
                self.address,
                sslmode="verify-full",  # libpq does without on a local socket
                gssencmode="disable",
                autocommit=True,  # transactions are begun and ended here
                connect_timeout=self._wait_s,
                application_name="coilbench share",
                tcp_user_timeout=_SILENT_MS,  # a network that is gone is noticed
                options=_OPTIONS,
            )
        except self._pg.Error as error:
            raise CoilbenchError(
                f"the store can't be reached ({_one_line(error)})",
                hint="The book is as it was; captures go on without the store",
            ) from error
        return connection

    def close(self) -> None:
        """Leave the server."""
        with contextlib.suppress(self._pg.Error):
            self._connection.close()

    def again(self) -> None:
        """Connect once more after a loss."""
        self.close()
        self._connection = self._connect()

    @contextmanager
    def transaction(self, *, reading: bool = False) -> Iterator[None]:
        """Do all or nothing; `reading` sees everything as it is at the start, and changes nothing.

        Raises:
            TryAgain: the connection was lost, perhaps after all was stored, or another bench did
                the same at once.
            CoilbenchError: anything else that the server refuses.
        """
        connection = self._connection
        try:
            kind = "ISOLATION LEVEL REPEATABLE READ, READ ONLY" if reading else ""
            connection.execute(f"BEGIN {kind}")
            yield
            connection.commit()
        except self._pg.Error as error:
            self._roll_back()
            lost = isinstance(error, self._pg.OperationalError)
            if lost or error.sqlstate in _AGAIN:
                raise TryAgain(_one_line(error)) from error
            raise CoilbenchError(f"the store refused this ({_one_line(error)})") from error
        except BaseException:
            self._roll_back()
            raise

    def _roll_back(self) -> None:
        with contextlib.suppress(self._pg.Error):
            self._connection.rollback()

    def query(self, sql: str, values: Sequence[object] = ()) -> list[tuple[Any, ...]]:
        """Return the rows of a query."""
        return self._connection.execute(sql, values, binary=True).fetchall()

    def execute(self, sql: str) -> None:
        """Run a statement without values."""
        self._connection.execute(sql)

    def init(self) -> None:
        """Make the store with its roles, or bring an older one up to date; call no transaction.

        Raises:
            CoilbenchError: something else has the schema, or the user may not make it.
        """
        with self.transaction():
            if self._shape() and "store" not in self._shape():
                raise _strange(f"a schema {SCHEMA!r} of something else")
            for statement in (*store_sql(self.kinds), *views_sql()):
                self.execute(statement)

    def look(self) -> None:
        """See that this is a store of ours and of this version, before anything is read of it.

        Raises:
            CoilbenchError: it is not, or a newer coilbench made it, or an older one.
        """
        with self.transaction(reading=True):
            found = self._shape()
            if not found:
                raise CoilbenchError(
                    "there is no store in this database",
                    hint="Its administrator makes one with: coilbench share URL --init",
                )
            if not {"store", "versions"} <= set(found):
                raise _strange(f"a schema {SCHEMA!r} of something else")
            self._refuse_strange(found)
            ((self.store_id,),) = self.query(_STORE) or [("",)]
        if not self.store_id:
            raise _strange("a store without an id")

    def _shape(self) -> dict[str, dict[str, str]]:
        found: dict[str, dict[str, str]] = {}
        for table, column, kind in self.query(_SHAPE, [SCHEMA]):
            found.setdefault(table, {})[column] = kind
        return found

    def _refuse_strange(self, found: Mapping[str, Mapping[str, str]]) -> None:
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
        for table in tables(self.kinds):
            lacking = (
                {*names_of(self.kinds, table)} if table not in ("store", "versions") else set()
            )
            if table not in found or not lacking <= set(found[table]):
                raise _strange(f"a table {SCHEMA}.{table} that is not as we make it")
        for (name,) in self.query(_STRANGE, [SCHEMA]):
            raise _strange(f"{name!r} in it, with rules or triggers that we don't make")

    def push_uuid(self, bench: str, push: int) -> str | None:
        """Return the uuid of a bench's push; None where the store lacks it."""
        sql = f"SELECT uuid FROM {SCHEMA}.pushes WHERE bench = %s AND push = %s"  # noqa: S608
        return next((str(uuid) for (uuid,) in self.query(sql, [bench, push])), None)

    def heads(self) -> dict[str, tuple[int, str]]:
        """Return each bench's last push and its uuid."""
        rows = self.query(
            f"SELECT bench, push, uuid FROM {SCHEMA}.pushes p WHERE push ="  # noqa: S608
            f" (SELECT max(push) FROM {SCHEMA}.pushes q WHERE q.bench = p.bench)"
        )
        return {bench: (push, uuid) for bench, push, uuid in rows}

    def digests(self, table: str, column: str, ids: Sequence[str]) -> set[tuple[str, bytes]]:
        """Return the ids and digests of those rows that the store has."""
        sql = f"SELECT id, {column} FROM {SCHEMA}.{table} WHERE id = ANY(%s)"  # noqa: S608
        return {(row_id, bytes(digest)) for row_id, digest in self.query(sql, [list(ids)])}

    def taken_places(self, places: Iterable[tuple[str, int]]) -> list[tuple[str, str]]:
        """Return the sets, by id and name, of which some of these places (turns) are taken."""
        wanted = list(places)
        sql = (
            f"SELECT DISTINCT s.set_id, w.name FROM {SCHEMA}.springs s"  # noqa: S608
            f" JOIN {SCHEMA}.sets_words w ON w.id = s.set_id"
            " JOIN unnest(%s::text[], %s::bigint[]) AS p (set_id, turn)"
            " ON p.set_id = s.set_id AND p.turn = s.turn ORDER BY 1, 2"
        )
        values = [[set_id for set_id, _ in wanted], [turn for _, turn in wanted]]
        return [(set_id, name) for set_id, name in self.query(sql, values)]

    def add(self, table: str, rows: Iterable[Sequence[object]]) -> None:
        """Add rows that are not there yet."""
        names = names_of(self.kinds, table)
        marks = ", ".join(["%b" if name in _BYTES else "%s" for name in names])
        sql = (
            f"INSERT INTO {SCHEMA}.{table} ({', '.join(names)}) VALUES ({marks})"  # noqa: S608
            " ON CONFLICT DO NOTHING"
        )
        with self._connection.cursor() as cursor:
            cursor.executemany(sql, rows)

    def add_push(self, bench: str, push: int, uuid: str, now_utc: str) -> None:
        """Add a push; a second one of its number is refused by the key, and tried again."""
        self._connection.execute(
            f"INSERT INTO {SCHEMA}.pushes (bench, push, uuid, version, pushed_utc)"  # noqa: S608
            " VALUES (%s, %s, %s, %s, %s)",
            [bench, push, uuid, VERSION, now_utc],
        )

    def add_items(self, items: Sequence[Item], bench: str, push: int) -> None:
        """Add rows of one kind, with their points, words and labels, where they are missing."""
        if not items:
            return
        kind = items[0].kind
        made = [[*one.fixed.values(), one.digest(), bench, push] for one in items]
        self.add(kind.table, made)
        if kind.points is not None:
            child, _, columns = kind.points
            self.add(
                child, [[row[name] for name in columns] for one in items for row in one.points]
            )

    def add_words(self, items: Sequence[Item], bench: str, push: int) -> None:
        """Add what may change of rows of one kind, as it is now."""
        if not items or not items[0].words:
            return
        kind = items[0].kind
        digests = {item.row_id: item.words_digest() for item in items}
        self.add(
            f"{kind.table}_words",
            [[one.row_id, digests[one.row_id], *one.words.values(), bench, push] for one in items],
        )
        labels = [
            [item.row_id, digests[item.row_id], spring_id, label]
            for item in items
            for spring_id, label in sorted(item.labels.items())
        ]
        if labels:
            self.add("set_labels", labels)


_BYTES = ("digest", "words", "inputs", "samples_blob", "curve_packed", "content_digest")


def _strange(what: str) -> CoilbenchError:
    return CoilbenchError(
        f"this database has {what}; nothing was read or written",
        hint="Give the address of the shop's store; a new one is made in a database of its own",
    )


def _one_line(error: Exception) -> str:
    return " ".join(str(error).split()).rstrip(".") or type(error).__name__
