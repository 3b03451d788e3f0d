"""What to do next while a rig is calibrated, hands free: one steady hold after another. Pure.

A guide is fed samples and says what it read; what it has taken so far can be kept and given to a
later one, which goes on from there. A reading that contradicts the others is not taken but asked
about; while nothing is taken, the state says why. All of it is findings, as data.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.blocks import Finding, RawBlock
from coilbench.capture.calibration.known_points import LoadPoint
from coilbench.capture.calibration.steady import Channel, Hold, SteadyFinder
from coilbench.capture.unit_factors import KGF_N

Array = NDArray[np.float64]

# Common practice, no source.
HOLD_S = 1.5
EMPTY_SDS = 10.0  # closer to an earlier reading than this is still the same
SAME_SHARE = 0.002  # of a load: what a cell creeps while the same mass stands on it
SHOWN_STILL_S = 0.3  # what is still for longer is shown as steady
STILL_SDS = 4.0  # between pieces that are called steady on the way to a hold
# A mass that reads so far from the one asked for is another one, or an earlier one was: gym plates
# are out by some per cent, and a cell with friction comes back to within some per mille.
WRONG_SHARE, WRONG_KG, FRICTION_SHARE = 0.05, 0.1, 0.005
WRONG_SHARE_OF_SMALL = 0.5  # a mass below 0.2 kg reads at least half of itself


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


class _Stillness:
    def __init__(self, channel: Channel) -> None:
        self._field = f"{channel}_counts"
        self._pieces: deque[tuple[int, float, float]] = deque(maxlen=64)  # t_us, mean, sd
        self._now_us = 0

    def feed(self, block: RawBlock) -> None:
        if len(block) == 0:
            return
        counts = block.samples[self._field].astype(np.float64)
        self._now_us = int(block.samples["t_us"][-1])
        piece = int(block.samples["t_us"][0]), float(counts.mean()), float(counts.std())
        self._pieces.append(piece)

    @property
    def counts(self) -> float | None:
        """The newest reading; None before the first."""
        return self._pieces[-1][1] if self._pieces else None

    @property
    def still_s(self) -> float:
        """How long the newest readings have been alike."""
        since_us = self._now_us
        _, now, sd = self._pieces[-1]
        for t_us, mean, _ in reversed(self._pieces):
            if abs(mean - now) > STILL_SDS * max(sd, 1.0) or t_us > since_us:
                break
            since_us = t_us
        return (self._now_us - since_us) * 1e-6


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
        self._still = _Stillness(channel)
        self._why: Finding | None = None  # nothing is taken of what stands there now
        self._doubted: Hold | None = None

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
        self._still.feed(block)
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
        self._doubted = hold if self._may_be_taken(doubt) else None
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
        hold, self._doubted = self._doubted, None
        if hold is None or self._finder.moved:
            return [Finding("nothing_to_take")]
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
        others = {one for one in self._values if one != wanted}
        listed = [one for one in others if abs(seems - one) <= self._slack(one, seems, line)]
        nearest = min(listed, key=lambda one: abs(seems - one), default=None)
        facts = {"seems": seems, "wanted": wanted, "listed": nearest}
        return Finding("point_refused", {f"{name}_{self._unit}": of for name, of in facts.items()})

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

    def _slack(self, wanted: float, seems: float, line: Line) -> float:
        raise NotImplementedError

    def _same(self, hold: Hold) -> bool:
        raise NotImplementedError

    def _reading(self, hold: Hold, seems: float | None) -> Finding:
        raise NotImplementedError


class WeighGuide(HoldGuide):
    """Reads the load cell under one mass after the other; 0 is nothing on it.

    An empty cell between two masses is no reading, and neither is the last mass still standing.

    Args:
        masses_kg: the first is 0, by which an empty cell is known.
        kg_per_count: by an earlier calibration of this rig; None without one.
    """

    def __init__(
        self,
        masses_kg: Sequence[float],
        taken: Sequence[Hold] = (),
        *,
        kg_per_count: float | None = None,
    ) -> None:
        tasks = [Finding.of("put_mass", mass_kg=mass_kg) for mass_kg in masses_kg]
        super().__init__(tasks, masses_kg, "load", taken, kg_per_count)

    @property
    def points(self) -> list[LoadPoint]:
        """What was read; a mass smaller than the one before it was reached going down."""
        masses_kg = self._values[: len(self.holds)]
        before_kg = (*masses_kg[:1], *masses_kg[:-1])
        return [
            LoadPoint(mass_kg, hold.load_counts, "up" if mass_kg >= earlier_kg else "down")
            for mass_kg, earlier_kg, hold in zip(masses_kg, before_kg, self.holds, strict=True)
        ]

    def loads_n(self, counts: Array) -> Array | None:
        """Return loads by the points so far, shape (n,); None while those don't tell."""
        line = self._line()
        if line is None:
            return None
        known_kg, known_counts = line.ends[0]
        return KGF_N * (known_kg + line.per_count * (counts - known_counts))

    @property
    def _same_again(self) -> Finding:
        """What stands there still is a mass only where the last reading was one."""
        at = self.taken
        if self._values[at - 1] == 0.0:
            return self._cell_empty
        return Finding("mass_still_on")

    @property
    def _cell_empty(self) -> Finding:
        return Finding.of("cell_empty", mass_kg=self._values[self.taken])

    def _passed_over(self, hold: Hold) -> Finding | None:
        empty = self._empty()
        wanted_kg = self._values[len(self.holds)]
        if wanted_kg and empty is not None and _near(hold, empty, empty):
            return self._cell_empty
        return super()._passed_over(hold)

    def _slack(self, wanted: float, seems: float, line: Line) -> float:
        largest_kg = max(known_kg for known_kg, _ in line.ends)
        slack_kg = max(WRONG_SHARE * wanted, FRICTION_SHARE * largest_kg, WRONG_KG)
        return min(slack_kg, WRONG_SHARE_OF_SMALL * wanted) if wanted else slack_kg

    def _same(self, hold: Hold) -> bool:
        return _near(hold, self.holds[-1], self._empty())

    def _empty(self) -> Hold | None:
        pairs = zip(self._values, self.holds, strict=False)
        return next((hold for mass, hold in reversed(list(pairs)) if not mass), None)

    def _reading(self, hold: Hold, seems: float | None) -> Finding:
        counts, noise = hold.load_counts, hold.load_sd_counts
        return Finding.of("load_read", counts=counts, noise_counts=noise, seems_kg=seems)


def _near(hold: Hold, other: Hold, empty: Hold | None) -> bool:
    """Tell whether two holds are of the same load, creep allowed for."""
    creep = 0.0 if empty is None else SAME_SHARE * abs(other.load_counts - empty.load_counts)
    apart = abs(hold.load_counts - other.load_counts)
    return apart < max(EMPTY_SDS * other.load_sd_counts, creep)
