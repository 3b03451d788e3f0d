"""Work done in a thread beside, which hears no key and can't be stopped: given up, and left to end.

HiGHS is compiled code: where the interpreter goes away below it, the process dies of it. So such a
thread is one that the interpreter waits for, whatever becomes of the main thread; and the program
itself ends by `leave`, which ends the whole process at once instead. Light to import.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from threading import Thread
from threading import enumerate as threads
from typing import Generic, NoReturn, TypeVar

Answer = TypeVar("Answer")


class Beside(Thread, Generic[Answer]):
    """A piece of work in its own thread, begun at once."""

    def __init__(self, work: Callable[[], Answer]) -> None:
        super().__init__(daemon=False)
        self._work, self._done = work, list[Answer | BaseException]()
        self.start()

    def run(self) -> None:
        """Do it; what it raises is raised by `answer`."""
        try:
            self._done.append(self._work())
        except BaseException as error:
            self._done.append(error)

    def answer(self) -> Answer | None:
        """Return its answer; None where it has not ended."""
        if not self._done:
            return None
        found = self._done[0]
        if isinstance(found, BaseException):
            raise found
        return found


def leave(status: int) -> NoReturn:
    """End the program, all written: with work that was given up, without waiting for its end."""
    if any(isinstance(thread, Beside) for thread in threads()):
        os._exit(status)
    sys.exit(status)
