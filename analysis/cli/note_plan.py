"""The presses that a plan names next, for those who key readings in."""

from __future__ import annotations

from pathlib import Path

from sqlite_utils import Database

from coilbench.analysis.engine.press_plan import plan_presses
from coilbench.analysis.engine.press_shop import Press
from coilbench.analysis.inputs.build_input import read_build
from coilbench.analysis.inputs.plan_input import read_shop


class Presses:
    """A build file's plan, asked again when what it asked for is read."""

    def __init__(self, db: Database, build: Path) -> None:
        self._db, self.path = db, build
        self.build = read_build(build)
        self.next = self.ask()

    def ask(self) -> tuple[Press, ...]:
        """Return what the plan names next, by what the book holds now."""
        self.next = plan_presses(read_shop(self._db, self.build)).presses
        return self.next

    @property
    def first_set(self) -> str:
        """The set that is pressed next; the first candidate where nothing is left to press."""
        return self.next[0].set_name if self.next else self.build.springs.outer[0]

    def of_set(self, name: str) -> tuple[tuple[tuple[str, float], ...], str]:
        """Ask again; return a set's next presses, label and height, and what else to say."""
        self.ask()
        own = tuple((one.label, one.height_mm) for one in self.next if one.set_name == name)
        others = dict.fromkeys(one.set_name for one in self.next if one.set_name != name)
        if not self.next:
            return own, "the plan has no more presses"
        return own, f"the plan names presses of {', '.join(others)} too" if others else ""
