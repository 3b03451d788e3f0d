"""Work on a book that is done several pieces at once, each in a process of its own."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from coilbench.capture.book.connection import Database
from coilbench.capture.book.opening import open_book
from coilbench.capture.errors import CoilbenchError

if TYPE_CHECKING:
    from concurrent.futures import Future, ProcessPoolExecutor

MOST_PROCESSES = 8  # ours: each takes about 150 MB
NICE = 10  # a capture goes first
Task = TypeVar("Task")
Answer = TypeVar("Answer")


class Several:
    """Processes that each have the same book open; they begin with the first work."""

    def __init__(self, book: Path) -> None:
        self._book = book
        self._many = min(os.cpu_count() or 1, MOST_PROCESSES)
        self._pool: ProcessPoolExecutor | None = None

    def each(
        self,
        work: Callable[[Database, Task], Answer],
        tasks: Iterable[Task],
        go_on: Callable[[], bool],
    ) -> Iterator[tuple[Task, Answer | None]]:
        """Yield tasks as they are done, with their answers, until go_on says no.

        The answer is None where the work was refused (CoilbenchError).

        Args:
            work: a function of a module, since each process looks it up by its name.

        Raises:
            OSError: no processes can be had, or one died.
        """
        # imported late: most answers need no process beside
        from concurrent.futures.process import BrokenProcessPool

        try:
            yield from self._each(work, tasks, go_on)
        except BrokenProcessPool as error:
            raise OSError("a process died") from error

    def _each(
        self,
        work: Callable[[Database, Task], Answer],
        tasks: Iterable[Task],
        go_on: Callable[[], bool],
    ) -> Iterator[tuple[Task, Answer | None]]:
        import multiprocessing
        from concurrent.futures import FIRST_COMPLETED, ProcessPoolExecutor, wait

        if self._pool is None:
            context = multiprocessing.get_context("spawn")  # a connection to a book is not forked
            self._pool = ProcessPoolExecutor(self._many, context, _begin, (self._book,))
        waiting = iter(tasks)
        running: dict[Future[Answer | None], Task] = {}
        while True:
            while len(running) < 2 * self._many and go_on():
                task = next(waiting, None)
                if task is None:
                    break
                running[self._pool.submit(_done, work, task)] = task
            if not running:
                return
            for future in wait(running, return_when=FIRST_COMPLETED).done:
                yield running.pop(future), future.result()

    def end(self) -> None:
        """Let the processes go, once they have done what they have begun."""
        if self._pool is not None:
            self._pool.shutdown(cancel_futures=True)
            self._pool = None


class _Process:
    """What a process of its own has, from its beginning to its end."""

    db: Database
    held: ExitStack


def _begin(book: Path) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for who began it: it asks for no more
    if hasattr(os, "nice"):
        os.nice(NICE)
    _Process.held = ExitStack()
    _Process.db = _Process.held.enter_context(open_book(book))


def _done(work: Callable[[Database, Any], Answer], task: Any) -> Answer | None:
    try:
        return work(_Process.db, task)
    except CoilbenchError:
        return None
