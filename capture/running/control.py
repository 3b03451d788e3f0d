"""The control channel: how another window of the same user talks to a running capture.

A Unix domain socket in a folder of the user's own (mode 0700), itself of mode 0600, named after
the book; no network port. The folder is in XDG_RUNTIME_DIR where that is there and the user's alone
(XDG Base Directory Specification, 0.8), else among the temporary files; one who asks looks in both,
since a service may not be told the first. Where the system tells who is at the other end (Linux),
another user is turned away on both sides. Windows has no such sockets in Python: no channel there.

What goes through is one short line of JSON each way, checked whole. Asked:
`{"command": {"action": "redo"}}` or `{"ask": "snapshot"}`. Answered: `{"done": true}`,
`{"snapshot": {...}}`, or `{"refused": "why", "hint": "what to do"}`.
"""

from __future__ import annotations

import hashlib
import json
import os
import select
import socket
import stat
import struct
import tempfile
import threading
import time
from contextlib import AbstractContextManager, suppress
from pathlib import Path
from typing import Any, Protocol

from coilbench.capture.blocks import Finding
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.running.commands import ClosedBy, Command, Snapshot

PATIENCE_S = 0.25  # for the whole of a request; a client that takes longer is disconnected
ASK_S = 0.5
TELL_S = 5.0
_WAITING = 8  # clients
_FULL_PAUSE_S = 0.02
_NAP_S = 0.05
LONGEST_REQUEST = 2048  # bytes, LF included; the longest command takes about 1.4 KiB
LONGEST_REPLY = 262_144


class Commanded(Protocol):
    """What stands behind the channel: a running session."""

    @property
    def snapshot(self) -> Snapshot:
        """How it stands."""

    def submit(self, command: Command) -> None:
        """Take a command; returns at once.

        Raises:
            CoilbenchError: it takes no more commands now.
        """


def control_path(book: Path) -> Path:
    """Return the socket that a capture which writes this book would open now."""
    return _paths(book)[0]


def _paths(book: Path) -> list[Path]:
    key = hashlib.sha256(os.path.realpath(book).encode("utf-8", "surrogateescape")).hexdigest()
    return [folder / f"{key[:16]}.sock" for folder in _folders()]


class ControlClosed(Exception):
    """No channel can be opened; the capture goes on, and says so by `finding`."""

    def __init__(self, cause: ClosedBy, path: Path, **facts: str) -> None:
        self.finding = Finding("control_closed", {"cause": cause, "path": str(path), **facts})
        super().__init__(cause)


class ControlServer(AbstractContextManager["ControlServer"]):
    """Answers other windows on a thread of its own; open it while holding the book's lock.

    One request a connection, one client after the other: each is done within microseconds, or
    disconnected after PATIENCE_S.

    Raises:
        ControlClosed: the channel can't be opened here; says why.
    """

    def __init__(self, book: Path, session: Commanded) -> None:
        self._session = session
        self._path = control_path(book)
        self.error: Exception | None = None  # what ended its thread, a defect
        self._listener = _listen(self._path)
        self._stop, self._stopped = socket.socketpair()
        self._thread = threading.Thread(target=self._run, name="coilbench-control", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Stop answering and take the socket away; safe to call twice."""
        self._stop.close()
        if self._thread.is_alive():
            self._thread.join()
        if self._listener.fileno() >= 0:
            self._path.unlink(missing_ok=True)
        self._listener.close()
        self._stopped.close()

    def __exit__(self, *_: object) -> None:
        self.close()

    def _run(self) -> None:
        try:
            while True:
                ready, _, _ = select.select([self._listener, self._stopped], [], [])
                if self._stopped in ready:
                    return
                self._serve_one()
        except Exception as error:  # the session looks at it and ends
            self.error = error

    def _serve_one(self) -> None:
        try:
            client, _ = self._listener.accept()
        except OSError:  # it disconnected, or this process has too many files open just now
            time.sleep(_NAP_S)
            return
        with client, suppress(OSError):  # a client that goes away loses only its own answer
            if not _same_user(client):
                return
            line = _receive(client, LONGEST_REQUEST, PATIENCE_S)
            if line is not None:
                client.settimeout(PATIENCE_S)
                client.sendall(answer(line, self._session))


def send_command(book: Path, command: Command) -> None:
    """Give a command to the capture that runs on this book; returns when it was taken.

    Raises:
        CoilbenchError: no capture runs, it doesn't answer, or it refuses.
    """
    line = _ask(book, _line({"command": command.to_document()}), TELL_S)
    if line is None:
        raise CoilbenchError(
            "the capture does not answer",
            where=str(book),
            hint="Look at its window or its log; it may be waiting for the disk",
        )
    read_done(line)


def ask_snapshot(book: Path) -> Snapshot | None:
    """Return how the capture on this book stands; None where none runs or none answers."""
    try:
        line = _ask(book, _line({"ask": "snapshot"}), ASK_S)
        return None if line is None else read_snapshot(line)
    except CoilbenchError:
        return None


def _ask(book: Path, request: bytes, patience_s: float) -> bytes | None:
    """Send a request and return the answer; None where it doesn't come in time.

    Raises:
        CoilbenchError: there is nobody to ask.
    """
    if not hasattr(socket, "AF_UNIX"):
        raise CoilbenchError(
            "on this system a capture can't be told anything from another window",
            hint="Use the keys of the coilbench live that runs it",
        )
    until_s = time.monotonic() + patience_s
    for path in _paths(book):
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as server:
            server.settimeout(patience_s)
            try:
                _connect(server, path, until_s)
                if not _same_user(server):
                    raise ConnectionRefusedError
                server.sendall(request)
                return _receive(server, LONGEST_REPLY, patience_s)
            except (TimeoutError, ConnectionResetError, BrokenPipeError):
                return None  # somebody is there
            except OSError:
                continue
    raise _nobody(book)


def _connect(server: socket.socket, path: Path, until_s: float) -> None:
    """Connect, waiting while more ask than may wait there; TimeoutError where that goes on."""
    while True:
        try:
            server.connect(os.fspath(path))
        except BlockingIOError:
            if time.monotonic() > until_s:
                raise TimeoutError from None
            time.sleep(_FULL_PAUSE_S)
            continue
        return


def _nobody(book: Path) -> CoilbenchError:
    """Return the error of a book whose capture can't be asked, or that has none."""
    for folder in _folders():
        if os.path.lexists(folder) and _taken(folder) is not None:
            return CoilbenchError(
                "no capture can be asked: this is not a folder of this user's alone",
                where=str(folder),
                hint="Remove it, or set TMPDIR to a folder of your own; start the capture again",
            )
    return CoilbenchError(
        "no capture is running on this book",
        where=str(book),
        hint="Start one with: coilbench live --port PORT --set NAME",
    )


def _receive(peer: socket.socket, most: int, patience_s: float) -> bytes | None:
    """Return one line; None where it isn't complete in time or the peer disconnected.

    More than `most` bytes are returned as they are, without waiting for their end.
    """
    deadline_s = time.monotonic() + patience_s
    line = b""
    while b"\n" not in line and len(line) <= most:
        left_s = deadline_s - time.monotonic()
        if left_s <= 0.0:
            return None
        peer.settimeout(left_s)
        try:
            received = peer.recv(65_536)
        except TimeoutError:
            return None
        if not received:
            return None
        line += received
    return line


def _listen(path: Path) -> socket.socket:
    """Open the socket; nobody can connect before its mode is set, for it doesn't listen yet."""
    if not hasattr(socket, "AF_UNIX"):
        raise ControlClosed("no_sockets", path)
    _make_own(path.parent)
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        path.unlink(missing_ok=True)  # of a killed capture: the book's lock says that none runs
        listener.bind(os.fspath(path))
        path.chmod(0o600)
        listener.listen(_WAITING)
        listener.setblocking(False)
    except OSError as error:
        listener.close()
        raise ControlClosed("not_opened", path, system=error.strerror or str(error)) from error
    return listener


def _folders() -> list[Path]:
    """Return the folders where a socket may be, the one to open it in first."""
    user = os.getuid() if hasattr(os, "getuid") else 0
    folders = [Path(tempfile.gettempdir()) / f"coilbench-{user}"]
    runtime = Path(os.environ.get("XDG_RUNTIME_DIR", ""))
    if runtime.is_absolute() and runtime.is_dir() and _taken(runtime) is None:
        folders.insert(0, runtime / "coilbench")
    return folders


def _make_own(folder: Path) -> None:
    try:
        folder.mkdir(mode=0o700)
    except FileExistsError:
        taken = _taken(folder)
        if taken is not None:
            raise ControlClosed(taken, folder) from None
    except OSError as error:
        raise ControlClosed("folder_not_made", folder, system=str(error.strerror)) from error


def _taken(folder: Path) -> ClosedBy | None:
    """Tell why what stands there can't be used as a folder of this user's alone; None: it can."""
    found = folder.lstat()
    if not stat.S_ISDIR(found.st_mode):
        return "folder_no_folder"
    if found.st_uid != os.getuid():
        return "folder_of_another"
    return "folder_shared" if stat.S_IMODE(found.st_mode) & 0o077 else None


def _same_user(peer: socket.socket) -> bool:
    """Tell whether the process at the other end is this user's, where the system says (Linux)."""
    if not hasattr(socket, "SO_PEERCRED"):
        return True  # the folder's mode is what keeps others out
    who = peer.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, struct.calcsize("3i"))
    _pid, uid, _gid = struct.unpack("3i", who)
    return bool(uid == os.getuid())


def answer(line: bytes, session: Commanded) -> bytes:
    """Act on one line from outside if it is a valid request; whatever it holds, answer it."""
    try:
        asked = _request(line)
        if asked == {"ask": "snapshot"}:
            return _line({"snapshot": session.snapshot.to_document()})
        if set(asked) != {"command"}:
            raise CoilbenchError(
                "this is not a request", hint="Ask for a snapshot or give a command"
            )
        session.submit(Command.from_document(asked["command"]))
    except CoilbenchError as refusal:
        return _line({"refused": refusal.what, "hint": refusal.hint})
    return _line({"done": True})


def read_done(line: bytes) -> None:
    """Read the answer to a command; CoilbenchError if it was refused or is no answer."""
    if _reply(line).get("done") is not True:
        raise _no_answer()


def read_snapshot(line: bytes) -> Snapshot:
    """Read the answer to a request for a snapshot; raises as read_done."""
    try:
        return Snapshot.from_document(_reply(line)["snapshot"])
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise _no_answer() from error


def _no_answer() -> CoilbenchError:
    return CoilbenchError(
        "the answer of the capture cannot be understood",
        hint="It may run another version of coilbench: stop it and start it again",
    )


def _line(document: dict[str, Any]) -> bytes:
    return json.dumps(document, allow_nan=False).encode("ascii") + b"\n"


def _request(line: bytes) -> dict[str, Any]:
    if len(line) > LONGEST_REQUEST:
        raise CoilbenchError(f"a request has at most {LONGEST_REQUEST} bytes", hint="Ask for less")
    found = _object(line)
    if found is None:
        raise CoilbenchError("not valid JSON", hint="Send one JSON object on one line")
    return found


def _reply(line: bytes) -> dict[str, Any]:
    found = _object(line)
    if found is None:
        raise _no_answer()
    if "refused" in found:
        hint = found.get("hint")
        raise CoilbenchError(str(found["refused"]), hint=None if hint is None else str(hint))
    return found


def _object(line: bytes) -> dict[str, Any] | None:
    try:
        found = json.loads(line.decode("utf-8"))
    except (ValueError, RecursionError):  # brackets nested too deep for the parser
        return None
    return found if isinstance(found, dict) else None
