"""A person waits for an answer: what takes over a second is shown, and what is searched is ended.

On a terminal one line on stderr says what is done; in a file or a pipe nothing is written.
"""

from __future__ import annotations

import math
import signal
import sys
import time
from collections.abc import Callable
from threading import Timer
from types import FrameType, TracebackType
from typing import TYPE_CHECKING, Any

from rich.text import Text

from coilbench.analysis.choices import SECONDS
from coilbench.analysis.cli.beside import Beside
from coilbench.analysis.cli.plain_console import PlainConsole
from coilbench.analysis.engine.solving import Answer, Solving

if TYPE_CHECKING:
    from rich.status import Status

SHOWN_AFTER_S, LOOK_S = 1.0, 0.1
GRACE_S = 2.0  # a programme that overruns its own limit by more is given up


class Waiting(Solving):
    """Shows what is done once it takes long; while a search runs, Ctrl-C ends that alone.

    Args:
        seconds: how long a search may go on, from its first look at the clock.
    """

    def __init__(self, seconds: float = SECONDS) -> None:
        self._seconds, self._until = seconds, math.inf
        self._stopped, self._best = False, ""
        self._before: Any = None
        self._words = ""
        self._status: Status | None = None
        self._timer = Timer(SHOWN_AFTER_S, self._show)
        self._timer.daemon = True

    def __enter__(self) -> Waiting:
        if sys.stderr.isatty():
            self._timer.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._timer.ident is not None:
            self._timer.cancel()
            self._timer.join()
        if self._status is not None:
            self._status.stop()
        if self._before is not None:
            signal.signal(signal.SIGINT, self._before)

    def say(self, words: str) -> None:
        """Say what is done now."""
        self._words = words
        if self._status is not None:
            self._status.update(Text(words))  # a set's name is no markup

    def left_s(self) -> float:
        """Return how long the search may go on; 0 after Ctrl-C."""
        if math.isinf(self._until):
            self._until = time.monotonic() + self._seconds
            self._before = signal.signal(signal.SIGINT, self._stop)
        left_s = 0.0 if self._stopped else self._until - time.monotonic()
        self.say(f"Searching{self._best}; {max(left_s, 0.0):.0f} s left, Ctrl-C ends it")
        return left_s

    def at_least(self, seconds: float) -> None:
        """Have so long for what comes next, though the time is out or Ctrl-C ended the search."""
        if self.left_s() < seconds:
            self._until, self._stopped = time.monotonic() + seconds, False
            signal.signal(signal.SIGINT, self._stop)

    def run(self, work: Callable[[], Answer]) -> Answer | None:
        """Do it beside, since HiGHS hears no key; None where it was ended."""
        if self._stopped:
            return None
        beside = Beside(work)
        while beside.is_alive() and not self._stopped and self.left_s() > -GRACE_S:
            beside.join(LOOK_S)
        return beside.answer()

    def tell(self, least: float, bound: float) -> None:
        """Show the least sum found so far, and its bound."""
        from coilbench.analysis.report.assignment_text import number_text  # slow to load

        found = "" if math.isinf(least) else f", best so far {number_text(least)}"
        self._best = f"{found}, none is below {number_text(bound)}"

    def _show(self) -> None:
        from rich.status import Status  # slow to load, and most answers come before

        self._status = Status(Text(self._words), console=PlainConsole(stderr=True), spinner="line")
        self._status.start()

    def _stop(self, _signal: int, _frame: FrameType | None) -> None:
        """End the search; a second Ctrl-C ends the program."""
        self._stopped = True
        signal.signal(signal.SIGINT, self._before)
