"""What to do next while a rig is calibrated, hands free: one steady hold after another. Pure.

A guide is fed samples and says what it read; what it has taken so far can be kept and given to a
later one, which goes on from there.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from typing import Protocol

import numpy as np

from coilbench.analysis.report.units import Units
from coilbench.capture.blocks import UNUSABLE, RawBlock
from coilbench.capture.calibration.regression import FlexPoint, PolynomialFit, value
from coilbench.capture.calibration.steady import Channel, Hold, SteadyFinder

# Common practice, no source.
HOLD_S = 1.5
EMPTY_SDS = 10.0  # closer to an earlier reading than this is still the same
SAME_SHARE = 0.002  # of a load: what a cell creeps while the same mass stands on it
STOP_COUNTS = 20.0  # closer to the upper stop than this is still there
# A mass or gauge that is so far from the one asked for is another one.
WRONG_SHARE, WRONG_KG, WRONG_MM = 0.2, 0.2, 2.0
BLOCK_END_SHARE = 0.05  # of the largest load: below it the block is let go
STILL_SDS = 4.0  # between pieces that are called steady on the way to a hold


class Guide(Protocol):
    """One calibration under way."""

    @property
    def task(self) -> str:
        """What to do now."""

    @property
    def done(self) -> bool:
        """Whether everything is read."""

    @property
    def taken(self) -> int:
        """How many points are read."""

    @property
    def state(self) -> str:
        """What the rig sees just now, in a few words."""

    def feed(self, block: RawBlock) -> list[str]:
        """Take the next samples; returns what it read from them, in words."""

    def undo(self) -> str:
        """Take back the last point; returns what became of that, in words."""


class _Stillness:
    """How long a channel has been still, to be shown while one waits for a hold."""

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

    def words(self) -> str:
        if not self._pieces:
            return "no sample yet"
        _, now, sd = self._pieces[-1]
        since_us = self._now_us
        for t_us, mean, _ in reversed(self._pieces):
            if abs(mean - now) > STILL_SDS * max(sd, 1.0) or t_us > since_us:
                break
            since_us = t_us
        still_s = (self._now_us - since_us) * 1e-6
        how = (
            f"steady for {min(still_s, HOLD_S):.1f} of {HOLD_S:g} s" if still_s > 0.3 else "moving"
        )
        return f"{now:.0f} counts, {how}"


class HoldGuide:
    """Asks for one steady hold after another.

    Args:
        tasks: what to do for each.
        values: what each is: a mass or a length. The same reading as the last one is taken again
            only where the same value is asked for twice running.
        channel: what must stand still.
        taken: holds that an earlier one took, to go on from.
    """

    def __init__(
        self,
        tasks: Sequence[str],
        values: Sequence[float],
        channel: Channel,
        taken: Sequence[Hold] = (),
    ) -> None:
        self.holds = list(taken)
        self._tasks = tuple(tasks)
        self._values = tuple(values)
        self._finder = SteadyFinder(HOLD_S, (channel,))
        self._still = _Stillness(channel)

    @property
    def done(self) -> bool:
        """Whether everything is read."""
        return len(self.holds) >= len(self._tasks)

    @property
    def taken(self) -> int:
        """How many points are read."""
        return len(self.holds)

    @property
    def task(self) -> str:
        """What to do now."""
        if self.done:
            return f"all {len(self._tasks)} are read"
        return f"{len(self.holds) + 1} of {len(self._tasks)}: {self._tasks[len(self.holds)]}"

    @property
    def state(self) -> str:
        """What the rig sees just now."""
        return self._still.words()

    def feed(self, block: RawBlock) -> list[str]:
        """Take the next samples; returns what it read from them, and what to do then."""
        self._still.feed(block)
        said = []
        for hold in self._finder.feed(block):
            if self.done or self._passed_over(hold):
                continue
            doubt = self._doubt(hold)
            if doubt is None:
                looks = self._looks_like(hold)
                by = "" if looks is None else f"; {looks:.2f} {self._unit} by the points before"
                said.append(self._read_words(hold) + by)
                self.holds.append(hold)
            else:
                said.append(f"   not taken: {doubt}; if an earlier point is wrong, take it back")
            if not self.done:
                said.append(self.task)
        return said

    def undo(self) -> str:
        """Take back the last point."""
        if not self.holds:
            return "nothing is read yet: nothing to take back"
        self.holds.pop()
        number = len(self.holds) + 1
        return f"   point {number} is taken back: move it away once, then do it again"

    def _passed_over(self, hold: Hold) -> bool:
        """Whether a hold is none of what is asked for: it is what was there before."""
        at = len(self.holds)
        return at > 0 and self._values[at] != self._values[at - 1] and self._same(hold)

    def _doubt(self, hold: Hold) -> str | None:
        """Say what speaks against a hold, by the points so far; None where nothing does."""
        wanted = self._values[len(self.holds)]
        looks = self._looks_like(hold)
        if looks is None or abs(looks - wanted) <= self._slack(wanted):
            return None
        return f"it looks like {looks:.1f} {self._unit} and {wanted:g} {self._unit} is asked for"

    def _looks_like(self, hold: Hold) -> float | None:
        """Return the value that the line through the farthest two points gives a hold."""
        known = sorted(zip(self._values, map(self._counts, self.holds), strict=False))
        if len(known) < 2 or known[0][0] == known[-1][0] or known[0][1] == known[-1][1]:
            return None
        (low, low_counts), (high, high_counts) = known[0], known[-1]
        per_count = (high - low) / (high_counts - low_counts)
        return low + per_count * (self._counts(hold) - low_counts)

    _unit = ""

    def _slack(self, wanted: float) -> float:
        raise NotImplementedError

    def _counts(self, hold: Hold) -> float:
        raise NotImplementedError

    def _same(self, hold: Hold) -> bool:
        raise NotImplementedError

    def _read_words(self, hold: Hold) -> str:
        raise NotImplementedError


class WeighGuide(HoldGuide):
    """Reads the load cell under one mass after the other; 0 is nothing on it.

    An empty cell between two masses is no reading, and neither is the last mass still standing.
    """

    def __init__(self, masses_kg: Sequence[float], taken: Sequence[Hold] = ()) -> None:
        tasks = [f"put {m:g} kg on" if m else "take everything off" for m in masses_kg]
        super().__init__([f"{task}, then hands off" for task in tasks], masses_kg, "load", taken)

    def _passed_over(self, hold: Hold) -> bool:
        empty = self._empty()
        wanted_kg = self._values[len(self.holds)]
        if wanted_kg and empty is not None and _near(hold, empty, empty):
            return True
        return super()._passed_over(hold)

    def _same(self, hold: Hold) -> bool:
        return _near(hold, self.holds[-1], self._empty())

    _unit = "kg"

    def _slack(self, wanted: float) -> float:
        return WRONG_SHARE * wanted + WRONG_KG

    def _counts(self, hold: Hold) -> float:
        return hold.load_counts

    def _empty(self) -> Hold | None:
        pairs = zip(self._values, self.holds, strict=False)
        return next((hold for mass, hold in reversed(list(pairs)) if not mass), None)

    def _read_words(self, hold: Hold) -> str:
        return f"   read {hold.load_counts:.0f} counts, noise {hold.load_sd_counts:.0f}"


def _near(hold: Hold, other: Hold, empty: Hold | None) -> bool:
    """Tell whether two holds are of the same load, creep allowed for."""
    creep = 0.0 if empty is None else SAME_SHARE * abs(other.load_counts - empty.load_counts)
    apart = abs(hold.load_counts - other.load_counts)
    return apart < max(EMPTY_SDS * other.load_sd_counts, creep)


class GaugeGuide(HoldGuide):
    """Reads the travel with one gauge length after the other between the faces.

    The quill's upper stop is read first, so that a rest there, to change the gauge, is no reading.
    """

    def __init__(self, lengths_mm: Sequence[float], taken: Sequence[Hold] = ()) -> None:
        tasks = [
            f"bring the quill down on the {length:g} mm gauge"
            if length
            else "bring the faces together"
            for length in lengths_mm
        ]
        super().__init__(
            [f"{task}, lightly, and hold" for task in tasks], lengths_mm, "travel", taken
        )
        self._stop: Hold | None = None

    @property
    def task(self) -> str:
        """What to do now."""
        if self._stop is None and not self.done:
            return "let the quill rise to its stop"
        return super().task

    def feed(self, block: RawBlock) -> list[str]:
        """Take the next samples; see HoldGuide."""
        if self._stop is not None or self.done:
            return super().feed(block)
        self._still.feed(block)
        for hold in self._finder.feed(block):
            self._stop = hold
            return [self.task]
        return []

    def _passed_over(self, hold: Hold) -> bool:
        at_stop = self._stop is not None and _close(hold, self._stop)
        return at_stop or super()._passed_over(hold)

    _unit = "mm"

    def _slack(self, wanted: float) -> float:
        return WRONG_MM

    def _counts(self, hold: Hold) -> float:
        return hold.travel_counts

    def _same(self, hold: Hold) -> bool:
        return _close(hold, self.holds[-1])

    def _read_words(self, hold: Hold) -> str:
        return f"   read {hold.travel_counts:.1f} counts"


def _close(hold: Hold, other: Hold) -> bool:
    return abs(hold.travel_counts - other.travel_counts) < STOP_COUNTS


class BlockGuide:
    """Reads load and travel while a solid block is pressed and let go.

    Args:
        load_fit: the load calibration, to know when the press is over.
        least_n: the load the press must reach.
        units: for the words.
    """

    def __init__(self, load_fit: PolynomialFit, least_n: float, units: Units | None = None) -> None:
        self.points: list[FlexPoint] = []
        self._load_fit = load_fit
        self._least_n = least_n
        self._units = Units() if units is None else units
        self._largest_n = 0.0
        self._newest_n: float | None = None
        self._done = False

    @property
    def done(self) -> bool:
        """Whether a press is read."""
        return self._done

    @property
    def taken(self) -> int:
        """How many presses are read."""
        return int(self._done)

    @property
    def task(self) -> str:
        """What to do now."""
        if self._done:
            return "the press is read"
        return (
            f"put a solid block under the quill, press slowly to at least "
            f"{self._units.load_text(self._least_n)} but never above what the cell or the press "
            "is rated for, and let go slowly"
        )

    @property
    def state(self) -> str:
        """What the rig sees just now."""
        largest = self._units.load_text(self._largest_n)
        return f"{self._units.load_text(self._newest_n)}, the most so far {largest}"

    def feed(self, block: RawBlock) -> list[str]:
        """Take the next samples; returns what it read from them."""
        samples = block.samples[(block.samples["flags"] & UNUSABLE) == 0]
        loads_n = value(self._load_fit, samples["load_counts"])
        for sample, load_n in zip(samples, loads_n.tolist(), strict=True):
            self._newest_n = load_n
            if self._done:
                continue  # another press, before this one is stored or taken back
            if load_n > BLOCK_END_SHARE * self._least_n:
                counts = int(sample["load_counts"]), int(sample["travel_counts"])
                self.points.append(FlexPoint(*counts))
                self._largest_n = max(self._largest_n, load_n)
            elif self.points:
                said = self._let_go()
                if said:
                    return said
        return []

    def _let_go(self) -> list[str]:
        largest = self._units.load_text(self._largest_n)
        if self._largest_n >= self._least_n:
            self._done = True
            return [f"   read {len(self.points)} samples up to {largest}"]
        pressed = self._largest_n > 2.0 * BLOCK_END_SHARE * self._least_n
        self._begin_again()
        return [f"   only {largest}: press again, harder"] if pressed else []

    def undo(self) -> str:
        """Take back the press."""
        was, self._done = self._done, False
        self._begin_again()
        return "   the press is taken back" if was else "nothing is read yet: nothing to take back"

    def _begin_again(self) -> None:
        self.points, self._largest_n = [], 0.0
