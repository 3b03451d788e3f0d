"""The presses that a plan names next, for those who key readings in."""

from __future__ import annotations

from functools import partial
from pathlib import Path

from coilbench.analysis.cli.note_setup import Given
from coilbench.analysis.engine.press_plan import plan_presses
from coilbench.analysis.engine.presses import Press
from coilbench.analysis.inputs.batch import Batch
from coilbench.analysis.inputs.build_input import in_book, read_build
from coilbench.analysis.inputs.keying import Desk
from coilbench.analysis.inputs.plan_input import read_shop
from coilbench.capture.book.connection import Database
from coilbench.capture.book.sets import find_set


class Presses:
    """A build file's plan, asked again when what it asked for is read."""

    def __init__(self, db: Database, build: Path) -> None:
        self._db, self.path = db, build
        self.next: tuple[Press, ...] = ()
        self.build = in_book(db, read_build(build))
        self.ask()

    def ask(self) -> tuple[Press, ...]:
        """Return what the plan names next, by what the book holds now."""
        self.next = plan_presses(read_shop(self._db, self.build)).presses
        return self.next

    @property
    def first_set(self) -> str:
        """The set that is pressed next; the first candidate where nothing is left to press."""
        return self.next[0].set_name if self.next else self.build.springs.outer[0]

    def batch(self, desk: Desk, given: Given | None) -> Batch:
        """Return the presses to be typed, beginning at a desk.

        Args:
            given: how readings are taken, to go on with other sets; None: only with this one.
        """

        def open_desk(name: str, given: Given) -> tuple[Desk, str]:
            record = find_set(self._db, name)
            setup, how = given.of_set(self._db, record)
            return Desk(self._db, record, setup, desk.units), " ".join(how)

        return Batch(
            self.next, self.ask, desk, None if given is None else partial(open_desk, given=given)
        )
