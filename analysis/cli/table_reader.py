"""The set's table and the rig's standing, read out of the book beside the screen."""

from __future__ import annotations

import threading
from dataclasses import dataclass
from pathlib import Path

from sqlite_utils import Database

from coilbench.analysis.dashboard.scene import SetTable
from coilbench.analysis.dashboard.set_table import read_set_table
from coilbench.analysis.inputs.rig_record import calibration_state
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import Units
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.rows import utc_now
from coilbench.capture.book.sets import set_names
from coilbench.capture.errors import CoilbenchError

BOOK_LOOK_S = 0.5
RETRY_S = 2.0  # after the book could not be read


@dataclass
class BookReader:
    """Reads the set's table and the rig's standing, on a thread of its own.

    Fitting a set's curves takes a second or two: the screen goes on meanwhile.
    """

    path: Path
    set_name: str
    heights_mm: tuple[float, ...]
    units: Units
    standing: str = ""
    _read_mark: tuple[object, ...] | None = None

    def __post_init__(self) -> None:
        self.table = SetTable((), 0, ())
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
        with open_book(self.path) as db:
            self._read(db)

    def _run(self) -> None:
        while not self._over.is_set():
            try:
                with open_book(self.path) as db:
                    while not self._over.wait(BOOK_LOOK_S if self._read_mark is not None else 0.0):
                        self._read(db)
            except Exception as error:  # shown; the capture goes on, and the next look may succeed
                known = isinstance(error, CoilbenchError)
                words = str(error) if known else f"{type(error).__name__}: {error}"
                self.standing = f"THE TABLE CAN'T BE READ: {words}"
                self._read_mark = None
                self._over.wait(RETRY_S)

    def _read(self, db: Database) -> None:
        if self.set_name not in set_names(db):
            return
        mark = _mark(db)
        if mark == self._read_mark:
            return
        state = calibration_state(db, utc_now())
        self.standing = "" if state is None else describe(state, self.units)
        asked = self.set_name, self.heights_mm, self.units
        for table in read_set_table(db, *asked, self.table):
            self.table = table  # shown by the screen's thread while the next is worked out
        self._read_mark = mark


def _mark(db: Database) -> tuple[object, ...]:
    """Return what changes when there is something new for the table or the standing."""
    row = db.execute(
        "SELECT (SELECT max(rowid) FROM sweeps), (SELECT sum(counted) FROM sweeps),"
        " (SELECT max(rowid) FROM calibration_parts),"
        " (SELECT max(rowid) FROM mass_checks),"
        " (SELECT group_concat(rowid || ruling) FROM sweeps WHERE ruling IS NOT NULL)"
    ).fetchone()
    # labels, nominals, dimensions
    registered = (db.execute(f"SELECT * FROM {name}") for name in ("sets", "springs"))  # noqa: S608
    return (*row, *map(tuple, registered))
