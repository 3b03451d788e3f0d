"""Where the dashboard's scenes come from: a capture of its own or another's, and the book."""

from __future__ import annotations

import threading
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Protocol

from sqlite_utils import Database

from coilbench.analysis.dashboard.frame import SetTable
from coilbench.analysis.dashboard.set_table import read_set_table, with_strokes
from coilbench.analysis.inputs.rig_record import calibration_state
from coilbench.analysis.report.phrases import describe
from coilbench.analysis.report.units import Units
from coilbench.capture.blocks import Finding
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.rows import utc_now
from coilbench.capture.book.sessions import live_session
from coilbench.capture.book.sets import set_names
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.running.commands import Command, Snapshot
from coilbench.capture.running.control import ask_snapshot, send_command
from coilbench.capture.running.session import Session

BOOK_LOOK_S = 0.5
RETRY_S = 2.0  # after the book could not be read
SILENT_S = 5.0  # a capture writes each second; after this long without, it may be gone


class Feed(Protocol):
    """A capture as a dashboard sees it."""

    own: bool

    def see(self) -> Snapshot | None:
        """Return the newest snapshot; None once no capture runs (any more)."""

    def tell(self, command: Command) -> None:
        """Give a command.

        Raises:
            CoilbenchError: nobody takes it.
        """


class OwnCapture:
    """A session on a thread of its own, watched by the screen's thread."""

    own = True

    def __init__(self, session: Session) -> None:
        self._session = session
        self._error: BaseException | None = None
        self._thread = threading.Thread(target=self._run, name="coilbench-session", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        try:
            self._session.run()
        except BaseException as error:
            self._error = error

    def see(self) -> Snapshot | None:
        """Return the newest snapshot, or None once the session has ended."""
        if self._error is not None:
            raise self._error
        return self._session.snapshot if self._thread.is_alive() else None

    def tell(self, command: Command) -> None:
        """Give the session a command."""
        self._session.obey(command)

    def end(self) -> Snapshot:
        """Stop the session and return its last snapshot; raises what it raised."""
        self._session.stop()
        self._thread.join()
        if self._error is not None:
            raise self._error
        return self._session.snapshot


class OtherCapture:
    """The capture of another process on this book: asked itself, else read out of the book."""

    own = False

    def __init__(self, path: Path) -> None:
        self._path = path

    def see(self) -> Snapshot | None:
        """Return the newest snapshot, or None where no capture runs on the book."""
        asked = ask_snapshot(self._path)
        return self._in_book() if asked is None else asked

    def tell(self, command: Command) -> None:
        """Give that capture a command."""
        send_command(self._path, command)

    def _in_book(self) -> Snapshot | None:
        """Return what the capture wrote last; it writes each second."""
        with open_book(self._path) as db:
            found = live_session(db)
        if found is None:
            return None
        seen_utc, snapshot = found[0], Snapshot.from_document(found[1])
        behind_s = (datetime.now(UTC) - datetime.fromisoformat(seen_utc)).total_seconds()
        if behind_s > SILENT_S:
            silent = Finding.of("capture_silent", silent_s=behind_s)
            return replace(snapshot, link="lost", link_what=silent)
        age_s = snapshot.sample_age_s
        return replace(snapshot, sample_age_s=None if age_s is None else age_s + behind_s)


class BookReader:
    """Reads the set's table and the rig's standing, on a thread of its own.

    Fitting a set's curves takes a second or two: the screen goes on meanwhile.

    Args:
        path: the book.
        set_name: the set.
        heights_mm: as in read_set_table.
        units: for the words.
    """

    def __init__(
        self, path: Path, set_name: str, heights_mm: tuple[float, ...], units: Units
    ) -> None:
        self.table = SetTable((), 0, ())
        self.standing = ""
        self._path = path
        self._set_name = set_name
        self._heights_mm = heights_mm
        self._units = units
        self._mark: tuple[object, ...] | None = None
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, name="coilbench-table", daemon=True)

    def start(self) -> None:
        """Begin to read; `table` and `standing` follow the book from now on."""
        self._thread.start()

    def close(self) -> None:
        """End it."""
        self._over.set()
        if self._thread.ident is not None:
            self._thread.join()

    def read(self) -> None:
        """Read once, in the caller's own thread."""
        with open_book(self._path) as db:
            self._read(db)

    def _run(self) -> None:
        while not self._over.is_set():
            try:
                with open_book(self._path) as db:
                    while not self._over.wait(BOOK_LOOK_S if self._mark is not None else 0.0):
                        self._read(db)
            except Exception as error:  # shown; the capture goes on, and the next look may succeed
                known = isinstance(error, CoilbenchError)
                words = str(error) if known else f"{type(error).__name__}: {error}"
                self.standing = f"THE TABLE CAN'T BE READ: {words}"
                self._mark = None
                self._over.wait(RETRY_S)

    def _read(self, db: Database) -> None:
        if self._set_name not in set_names(db):
            return
        mark = _mark(db)
        if mark == self._mark:
            return
        self.table = with_strokes(db, self._set_name, self.table)
        state = calibration_state(db, utc_now())
        self.standing = "" if state is None else describe(state, self._units)
        self.table = read_set_table(db, self._set_name, self._heights_mm, self._units)
        self._mark = mark


def _mark(db: Database) -> tuple[object, ...]:
    """Return what changes when there is something new for the table or the standing."""
    row = db.execute(
        "SELECT (SELECT max(rowid) FROM sweeps), (SELECT sum(counted) FROM sweeps),"
        " (SELECT group_concat(label) FROM springs), (SELECT max(rowid) FROM calibration_parts),"
        " (SELECT max(rowid) FROM mass_checks)"
    ).fetchone()
    return tuple(row)
