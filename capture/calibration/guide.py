"""What to do next while a rig is calibrated, hands free: one steady hold after another. Pure.

A guide is fed samples and says what it read; what it has taken so far can be kept and given to a
later one, which goes on from there. A reading that contradicts the others is not taken but asked
about; while nothing is taken, the state says why. All of it is findings, as data.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import NamedTuple, Protocol

import numpy as np

from coilbench.capture.blocks import Finding, RawBlock
from coilbench.capture.calibration.checks import Standards, lonely_row
from coilbench.capture.calibration.steady import Channel, Hold, SteadyFinder, Stillness

# Common practice, no source.
HOLD_S = 1.5
SHOWN_STILL_S = 0.3  # what is still for longer is shown as steady


class Guide(Protocol):
    """One calibration under way."""

    @property
    def task(self) -> Finding:
        """What to do now."""

    @property
    def done(self) -> bool:
        """Whether everything is read."""

    @property
    def taken(self) -> int:
        """How many points are read."""

    @property
    def state(self) -> Finding:
        """What the rig sees just now, and why nothing is taken."""

    def feed(self, block: RawBlock) -> list[Finding]:
        """Take the next samples; returns what it read from them."""

    def undo(self) -> Finding:
        """Discard the last point; returns a finding: undone, or nothing to undo."""

    def take(self) -> list[Finding]:
        """Take the reading in question all the same; returns what was read, or that none is."""


NOTHING_TO_UNDO = Finding("nothing_to_undo")


class Line(NamedTuple):
    """What gives a reading its value: known values and counts of the ends, and the slope."""

    ends: tuple[tuple[float, float], ...]
    per_count: float

    def at(self, counts: float) -> float:
        """Return the value of a reading."""
        known, known_counts = self.ends[0]
        return known + self.per_count * (counts - known_counts)

    def from_end(self, known: float) -> float:
        """Return how far a value is from the nearer end."""
        return min(abs(known - end) for end, _ in self.ends)

    def u_at(self, known: float, u_ends: Sequence[float]) -> float:
        """Return what errors of the two ends make of a value, as independent errors."""
        (low, _), (high, _) = self.ends
        share = (known - low) / (high - low)
        return math.hypot((1.0 - share) * u_ends[0], share * u_ends[-1])


class HoldGuide:
    """Asks for one steady hold after another.

    Args:
        values: what each is: a mass or a length. The same reading as the last one is taken again
            only where the same value is asked for twice running.
        per_count: what a count is worth by other knowledge; None where there is none. It serves
            until two points tell.
    """

    def __init__(
        self,
        tasks: Sequence[Finding],
        values: Sequence[float],
        channel: Channel,
        taken: Sequence[Hold] = (),
        per_count: float | None = None,
    ) -> None:
        self.holds = list(taken)
        self._tasks = tuple(tasks)
        self._values = tuple(values)
        self._channel = channel
        self._unit = "kg" if channel == "load" else "mm"
        self._per_count = per_count
        self._finder = SteadyFinder(channel, HOLD_S)
        self._still = Stillness(channel, 1.1 * HOLD_S)
        self._why: Finding | None = None  # nothing is taken of what stands there now
        self._doubted: tuple[Hold, Finding] | None = None

    @property
    def done(self) -> bool:
        """Whether everything is read."""
        return len(self.holds) >= len(self._tasks)

    @property
    def taken(self) -> int:
        """How many points are read."""
        return len(self.holds)

    @property
    def task(self) -> Finding:
        """What to do now."""
        points, at = len(self._tasks), len(self.holds)
        if self.done:
            return Finding.of("points_read", points=points)
        task = self._tasks[at].to_document()
        return Finding.of("point_wanted", point=at + 1, points=points, task=task)

    @property
    def state(self) -> Finding:
        """What the rig sees just now, and why nothing is taken."""
        if not self._still.fit:
            return Finding(f"unsure_{self._channel}")
        counts = self._still.counts
        if counts is None:
            return Finding("no_sample_yet")
        if self._why is not None and not self._finder.moved:
            return Finding.of("standing", counts=counts, why=self._why.to_document())
        still_s = self._still.still_s
        unrest = self._finder.unrest
        if still_s <= SHOWN_STILL_S or (still_s >= HOLD_S and unrest > 0.0):
            line = self._line()
            by = None if line is None or unrest == 0.0 else abs(line.per_count) * unrest
            facts = {"counts": counts, "by_counts": unrest or None, f"by_{self._unit}": by}
            return Finding("moving", facts)
        return Finding.of("steady", counts=counts, still_s=min(still_s, HOLD_S), hold_s=HOLD_S)

    def feed(self, block: RawBlock) -> list[Finding]:
        """Take the next samples; returns what it read from them."""
        self._still.feed(block.samples)
        said: list[Finding] = []
        for hold in self._finder.feed(block):
            if not self.done:
                said += self._judge(hold)
        return said

    def _judge(self, hold: Hold) -> list[Finding]:
        self._doubted = None
        self._why = self._passed_over(hold)
        if self._why is not None:
            return []
        doubt = self._doubt(hold)
        if doubt is None:
            return self._accept(hold)
        self._why = Finding("in_question")
        self._doubted = (hold, doubt) if self._may_be_taken(doubt) else None
        return [doubt, self.task]

    def _accept(self, hold: Hold) -> list[Finding]:
        line = self._line()
        said = [self._reading(hold, None if line is None else line.at(self._counts(hold)))]
        self.holds.append(hold)
        if not self.done:
            at = self.taken
            again = self._values[at] == self._values[at - 1]
            self._why = Finding("lift_once") if again else self._same_again
            said.append(self.task)
        return said

    def take(self) -> list[Finding]:
        """Take the reading in question all the same."""
        doubted, self._doubted = self._doubted, None
        if doubted is None or self._finder.moved:
            return [Finding("nothing_to_take")]
        hold, doubt = doubted
        self._overruled(doubt)
        return self._accept(hold)

    def undo(self) -> Finding:
        """Discard the last point."""
        self._doubted = None
        if not self.holds:
            return NOTHING_TO_UNDO
        self.holds.pop()
        self._why = Finding("lift_once")
        return Finding.of("point_undone", point=len(self.holds) + 1)

    def _passed_over(self, hold: Hold) -> Finding | None:
        """Return why a hold is none of what is asked for: it is what was there before."""
        at = len(self.holds)
        same = at > 0 and self._values[at] != self._values[at - 1] and self._same(hold)
        return self._same_again if same else None

    def _doubt(self, hold: Hold) -> Finding | None:
        """Return what contradicts a hold; None where nothing does."""
        line = self._line()
        if line is None:
            return None
        wanted, seems = self._values[self.taken], line.at(self._counts(hold))
        if abs(seems - wanted) <= self._slack(wanted, seems, line):
            return None
        return self._refused(seems, lambda one: self._slack(one, seems, line), self._blamed(hold))

    def _refused(
        self, seems: float, slack: Callable[[float], float], blamed: float | None = None
    ) -> Finding:
        """Return that a hold is not what is wanted, and what of the list it may be."""
        wanted = self._values[self.taken]
        others = {one for one in self._values if one != wanted}
        listed = [one for one in others if abs(seems - one) <= slack(one)]
        nearest = min(listed, key=lambda one: abs(seems - one), default=None)
        facts = {"seems": seems, "wanted": wanted, "listed": nearest, "blamed": blamed}
        return Finding("point_refused", {f"{name}_{self._unit}": of for name, of in facts.items()})

    def _blamed(self, hold: Hold) -> float | None:
        """Return the one value without which all the others agree; None where that cannot tell."""
        known = np.array(self._values[: self.taken + 1])
        counts = np.array([*map(self._counts, self.holds), self._counts(hold)])
        u = np.array([max(self._u_of(one), np.finfo(np.float64).tiny) for one in known])
        row = lonely_row(Standards("", self._unit, known, counts, u), self._limit)
        return None if row is None else float(known[row])

    def _line(self) -> Line | None:
        """Return the line through the farthest two points, or through one of known slope."""
        known = sorted(zip(self._values, map(self._counts, self.holds), strict=False))
        if not known:
            return None
        (low, low_counts), (high, high_counts) = known[0], known[-1]
        if low != high and low_counts != high_counts:
            return Line((known[0], known[-1]), (high - low) / (high_counts - low_counts))
        return None if self._per_count is None else Line((known[0],), self._per_count)

    def _counts(self, hold: Hold) -> float:
        return hold.load_counts if self._channel == "load" else hold.travel_counts

    def _may_be_taken(self, doubt: Finding) -> bool:
        """Tell whether the person may say that a doubted reading is right."""
        return doubt.kind == "point_refused"

    @property
    def _same_again(self) -> Finding:
        """What is said where the last reading still stands there."""
        raise NotImplementedError

    def _overruled(self, doubt: Finding) -> None:
        """The person says that a doubted reading is right."""

    def _u_of(self, known: float) -> float:
        """What a value and its reading may be wrong by, expanded (k = 2)."""
        raise NotImplementedError

    def _limit(self, points: Standards) -> float:
        """The largest residual that points which agree may have."""
        raise NotImplementedError

    def _slack(self, wanted: float, seems: float, line: Line) -> float:
        raise NotImplementedError

    def _same(self, hold: Hold) -> bool:
        raise NotImplementedError

    def _reading(self, hold: Hold, seems: float | None) -> Finding:
        raise NotImplementedError
