"""Whose turn it is: hands-free order through a set. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum


class Purpose(StrEnum):
    """What a stroke is for."""

    CONDITIONING = "conditioning"  # works the spring, is kept but not counted
    MEASURED = "measured"


@dataclass(frozen=True)
class Done:
    """What a spring has behind it already."""

    conditioning: int = 0
    measured: int = 0


@dataclass(frozen=True)
class Turn:
    """The stroke that is wanted next.

    Attributes:
        label: the spring to press.
        purpose: conditioning or measured.
        number: which stroke of that purpose, from 1.
        wanted: how many strokes of that purpose in all.
    """

    label: str
    purpose: Purpose
    number: int
    wanted: int

    def words(self) -> str:
        """Say it, e.g. `larch-07, stroke 2 of 3`."""
        kind = "conditioning press" if self.purpose is Purpose.CONDITIONING else "stroke"
        return f"{self.label}, {kind} {self.number} of {self.wanted}"


@dataclass(frozen=True)
class TurnOrder:
    """A set in the order it is pressed, and how far it has come.

    Attributes:
        labels: the springs in order.
        conditioning: presses that work a spring before it is read.
        measured: strokes that count, for each spring.
        done: what each spring has behind it; a label that is missing has nothing.
    """

    labels: tuple[str, ...]
    conditioning: int
    measured: int
    done: Mapping[str, Done]

    def next_turn(self) -> Turn | None:
        """Return the stroke wanted next, or None when the whole set is measured."""
        for label in self.labels:
            done = self.done.get(label, Done())
            if done.measured >= self.measured:
                continue
            if done.conditioning < self.conditioning:
                return Turn(label, Purpose.CONDITIONING, done.conditioning + 1, self.conditioning)
            return Turn(label, Purpose.MEASURED, done.measured + 1, self.measured)
        return None

    def after(self, turn: Turn) -> TurnOrder:
        """Return the order after this turn's stroke was accepted."""
        done = self.done.get(turn.label, Done())
        if turn.purpose is Purpose.CONDITIONING:
            new = Done(done.conditioning + 1, done.measured)
        else:
            new = Done(done.conditioning, done.measured + 1)
        return TurnOrder(
            self.labels, self.conditioning, self.measured, {**self.done, turn.label: new}
        )

    def later(self, label: str) -> TurnOrder:
        """Return the order in which a spring comes after all others."""
        rest = tuple(one for one in self.labels if one != label)
        return TurnOrder((*rest, label), self.conditioning, self.measured, self.done)

    def again(self, label: str, measured: int = 0) -> TurnOrder:
        """Return the order in which a spring is next, with so many strokes behind it."""
        rest = tuple(one for one in self.labels if one != label)
        done = Done(self.done.get(label, Done()).conditioning, measured)
        return TurnOrder(
            (label, *rest), self.conditioning, self.measured, {**self.done, label: done}
        )

    def renamed(self, label: str, new_label: str) -> TurnOrder:
        """Return the order with another label for a spring."""
        labels = tuple(new_label if one == label else one for one in self.labels)
        done = {new_label if one == label else one: what for one, what in self.done.items()}
        return TurnOrder(labels, self.conditioning, self.measured, done)

    def measured_of(self, label: str) -> int:
        """Return how many strokes of a spring count."""
        return self.done.get(label, Done()).measured

    def finished(self) -> Sequence[str]:
        """Return the labels whose strokes are all there, in order."""
        return [
            label for label in self.labels if self.done.get(label, Done()).measured >= self.measured
        ]
