"""Where the screen's snapshots come from: the capture it runs itself, or another process's."""

from __future__ import annotations

import threading
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from coilbench.capture.blocks import Finding
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sessions import CaptureRun
from coilbench.capture.running.commands import Command, Snapshot
from coilbench.capture.running.control import ask_snapshot, send_command
from coilbench.capture.running.session import Session

SILENT_S = 5.0  # a capture writes each second; after this long without, it may be gone


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
        self._session.submit(command)

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
        """Give that capture a command; refused where nobody takes it."""
        send_command(self._path, command)

    def _in_book(self) -> Snapshot | None:
        """Return what the capture wrote last; it writes each second."""
        with open_book(self._path) as db:
            found = CaptureRun.live(db)
        if found is None:
            return None
        seen_utc, snapshot = found[0], Snapshot.from_document(found[1])
        behind_s = (datetime.now(UTC) - datetime.fromisoformat(seen_utc)).total_seconds()
        if behind_s > SILENT_S:
            silent = Finding.of("capture_silent", silent_s=behind_s)
            snapshot = replace(snapshot, link="lost", link_what=silent)
        return snapshot.aged(max(0.0, behind_s))


Feed = OwnCapture | OtherCapture  # a capture as a screen sees it
