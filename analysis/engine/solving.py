"""How long a search may go on, and who hears how far it is. Pure: clocks and keys are elsewhere."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

SAFETY_S = 300.0  # for one integer programme, where nobody waits for it
Answer = TypeVar("Answer")


class Solving:
    """A search that nobody watches or stops; whoever waits for one extends it."""

    def left_s(self) -> float:
        """Return how long it may go on; 0 or less: the best so far is to be returned."""
        return SAFETY_S

    def at_least(self, seconds: float) -> None:
        """Have so long for what comes next, though the time is out: without it there is nothing."""

    def run(self, work: Callable[[], Answer]) -> Answer | None:
        """Do a piece of work that may take long; None where it was given up before its end."""
        return work()

    def tell(self, least: float, bound: float) -> None:
        """Hear the least sum found so far, and the bound below which there is none."""
