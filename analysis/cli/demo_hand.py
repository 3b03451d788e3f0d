"""The demo's hand: works at a simulated rig by what the capture shows, as a person does."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping

from coilbench.capture.blocks import RawBlock
from coilbench.capture.running.commands import Action, Command, Snapshot
from coilbench.capture.virtual.bench import (
    ABOVE_SOLID_MM,
    CHANGE_S,
    PressSpring,
    Rest,
    Step,
    worked,
)
from coilbench.capture.virtual.instrument import RigModel
from coilbench.capture.virtual.spring import SpringModel

LET_UP_S = 0.2  # the spring stays in the press between two strokes
LOOK_S = 0.001


class Hand:
    """Presses the spring whose turn it is until no turn is left.

    The rig's time stands still while it waits for the capture to have seen what it sent, so that
    what is done does not depend on how fast either is. `blocks` is used by the rig's thread.

    Args:
        springs: by label.
        look: returns what the capture shows.
        answer: takes what a person answers.
    """

    def __init__(
        self,
        springs: Mapping[str, SpringModel],
        look: Callable[[], Snapshot],
        answer: Callable[[Command], None],
    ) -> None:
        self._springs = springs
        self._look = look
        self._answer = answer
        self._sent = 0
        self._away = False

    def leave(self) -> None:
        """The capture is over; nothing more is done."""
        self._away = True

    def blocks(self, rig: RigModel, seed: int) -> Iterator[RawBlock]:
        """Make the rig's samples, a block for each thing that is done."""
        for block in worked(rig, self._steps(), seed):
            self._sent += len(block)
            yield block

    def _steps(self) -> Iterator[Step]:
        inside = None
        yield Rest(CHANGE_S)
        while (label := self._whose_turn()) is not None:
            if inside not in (None, label):
                yield Rest(CHANGE_S)
            inside = label
            spring = self._springs[label]
            yield PressSpring(spring, spring.solid_height_mm + ABOVE_SOLID_MM)
            yield Rest(LET_UP_S)
        yield Rest(CHANGE_S)

    def _whose_turn(self) -> str | None:
        """Read it once all that was sent is seen; a spring that is asked about is the right one."""
        asked = None
        while not self._away:
            seen = self._look()
            if seen.question is not None and seen.question is not asked:
                asked = seen.question
                self._answer(Command(Action.ACCEPT))
            if seen.question is None and seen.samples + seen.samples_lost >= self._sent:
                return None if seen.turn is None else seen.turn.label
            time.sleep(LOOK_S)
        return None
