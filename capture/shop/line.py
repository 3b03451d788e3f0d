"""A connection to a PostgreSQL server: made safely, asked in time, its answers of known types.

psycopg is loaded when a server is reached: an extra.
"""

from __future__ import annotations

import contextlib
import logging
import os
import socket
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from functools import cache
from itertools import islice
from typing import TYPE_CHECKING, Any

import msgspec

from coilbench.capture.errors import CoilbenchError
from coilbench.capture.shop.address import load_psycopg, safe_address
from coilbench.capture.shop.refusals import locked, lost, not_reached, rested_on

if TYPE_CHECKING:
    import psycopg

WAIT_S = 20
_SILENT_MS = 30_000
_ANSWER_S = 90  # for how long a server is waited for that took a question and is silent
_OPTIONS = (
    f"-c search_path=pg_catalog -c client_encoding=UTF8 -c lock_timeout={_SILENT_MS}"
    f" -c statement_timeout={2 * _SILENT_MS} -c quote_all_identifiers=off"
)
_MOST_SENT = 50  # rows at a time: even a slow network takes them while a server is waited for
logging.getLogger("psycopg").addHandler(logging.NullHandler())  # all that it says is said here
# What two benches at once, or a server that restarts, can cause: tried again.
_AGAIN = ("40001", "40P01", "23505")
_LOCKED, _TOO_LONG, _RESTED_ON = "55P03", "57014", "2BP01"


class TryAgain(CoilbenchError):
    """The server or another bench came between; the same again may work."""


class _Watch:
    """Hangs up on a server that does not answer: something between may hold the line.

    One thread for all questions of a connection: one for each took thrice as long as the answer.
    """

    def __init__(self, hang_up: Callable[[], None]) -> None:
        self._hang_up = hang_up
        self._until_s: float | None = None  # of the question that is asked now
        self._one = threading.Lock()  # the next question is not hung up on for the last one
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._look, name="share watch", daemon=True)
        self._thread.start()

    @contextmanager
    def asking(self) -> Iterator[None]:
        """Hang up if this takes too long."""
        with self._one:
            self._until_s = time.monotonic() + _ANSWER_S
        try:
            yield
        finally:
            with self._one:
                self._until_s = None

    def _look(self) -> None:
        rest_s: float = _ANSWER_S
        while not self._ended.wait(rest_s):
            with self._one:
                until_s, now_s = self._until_s, time.monotonic()
                rest_s = _ANSWER_S if until_s is None else until_s - now_s
                if rest_s <= 0.0:
                    self._hang_up()
                    self._until_s, rest_s = None, _ANSWER_S

    def end(self) -> None:
        """Watch no longer."""
        self._ended.set()
        self._thread.join()


class Line:
    """A connection to a server, over which whatever goes wrong is told as an error of ours."""

    def __init__(self, address: str, wait_s: int = WAIT_S) -> None:
        self._pg = load_psycopg()
        self.address = safe_address(address)
        self._wait_s = wait_s
        self._connection = self._connect()
        self._watch = _Watch(self._hang_up)

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
            asked = self._pg.conninfo.conninfo_to_dict(self.address)
            raise not_reached(one_line(error), asked) from error
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
        self._watch.end()
        with contextlib.suppress(self._pg.Error):
            self._connection.close()

    def connect_again(self) -> None:
        """Connect once more, after a loss."""
        self.close()
        self._connection = self._connect()
        self._watch = _Watch(self._hang_up)

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
            self.roll_back()
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
            with self._watch.asking() if timed else contextlib.nullcontext():
                yield
        except self._pg.Error as error:
            said = f"no answer for {_ANSWER_S} s" if self._hung_up else one_line(error)
            if error.sqlstate == _LOCKED:
                raise locked() from error
            if error.sqlstate == _RESTED_ON:
                raise rested_on(said) from error
            ended = isinstance(error, self._pg.OperationalError) and error.sqlstate != _TOO_LONG
            if ended or self._hung_up or error.sqlstate in _AGAIN:
                worded = lost(said, "shared with")
                raise TryAgain(worded.what, hint=worded.hint) from error
            raise CoilbenchError(f"the store refused this ({said})") from error

    def roll_back(self) -> None:
        """Undo what was begun, as far as the server can still be told."""
        with contextlib.suppress(self._pg.Error), self._watch.asking():
            self._connection.rollback()

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
                f"the server's answer is none that a store gives ({one_line(error)})",
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

    def send(self, sql: str, rows: Iterable[Sequence[object]]) -> None:
        """Run a statement for each row of values."""
        cells = iter(rows)
        with self._asking(timed=False), self._connection.cursor() as cursor:
            while some := list(islice(cells, _MOST_SENT)):
                with self._watch.asking():
                    cursor.executemany(sql, some)

    @property
    def role(self) -> str:
        """The role that this bench has there."""
        return self._connection.info.user

    @property
    def server_major(self) -> int:
        """The server's major version."""
        return self._connection.info.server_version // 10_000


@cache
def _rows_of(cells: tuple[Any, ...]) -> Any:
    return list.__class_getitem__(tuple.__class_getitem__(cells))


def one_line(error: object) -> str:
    """Return what an error says, in one line and without a full stop."""
    return " ".join(str(error).split()).rstrip(".") or type(error).__name__
