"""The daemon: a headless session with signals and locks."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType

from coilbench.capture.running.events import Event
from coilbench.capture.running.locks import hold_port
from coilbench.capture.running.session import CaptureRequest, Session
from coilbench.capture.running.snapshot import Snapshot
from coilbench.capture.sources import open_source

# Windows has no SIGHUP.
_STOPPING = tuple(
    getattr(signal, name) for name in ("SIGTERM", "SIGINT", "SIGHUP") if hasattr(signal, name)
)


def run_daemon(request: CaptureRequest, say: Callable[[Event], None]) -> Snapshot:
    """Capture a set until it is done or the process is told to end.

    SIGTERM, SIGINT and a terminal that is closed (SIGHUP) drain what has arrived, close the book
    and return.

    Args:
        request: what to capture.
        say: told each event.

    Raises:
        CoilbenchError: see Session.run, and a port that another capture uses.
    """
    session = Session(request, lambda: open_source(request.url), say)
    with hold_port(request.url), _stopped_by_signals(session):
        return session.run()


@contextmanager
def _stopped_by_signals(session: Session) -> Iterator[None]:
    if threading.current_thread() is not threading.main_thread():
        yield  # signals reach the main thread only; whoever runs us there stops us
        return

    def stop(_signal: int, _frame: FrameType | None) -> None:
        session.stop()

    heard = [number for number in _STOPPING if not _to_be_ignored(number)]
    before = {number: signal.signal(number, stop) for number in heard}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _to_be_ignored(number: int) -> bool:
    """Tell whether whoever started us wants us to outlive the terminal (nohup)."""
    return number == getattr(signal, "SIGHUP", None) and signal.getsignal(number) == signal.SIG_IGN
