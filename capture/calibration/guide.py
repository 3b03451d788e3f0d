"""What to do next while a rig is calibrated, hands free: one steady hold after another. Pure.

A guide is fed samples and says what it read; what it has taken so far can be kept and given to a
later one, which goes on from there. Tasks and readings are findings, as data.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from typing import Protocol

import numpy as np

from coilbench.capture.blocks import UNUSABLE, Finding, RawBlock
from coilbench.capture.calibration.regression import (
    FlexPoint,
    GaugePoint,
    LoadPoint,
    PolynomialFit,
    value,
)
from coilbench.capture.calibration.steady import Channel, Hold, SteadyFinder

# Common practice, no source.
HOLD_S = 1.5
EMPTY_SDS = 10.0  # closer to an earlier reading than this is still the same
SAME_SHARE = 0.002  # of a load: what a cell creeps while the same mass stands on it
STOP_COUNTS = 20.0  # closer to the upper stop than this is still there
# A mass or gauge that is so far from the one asked for is another one.
WRONG_SHARE, WRONG_KG, WRONG_MM = 0.2, 0.2, 2.0
BLOCK_END_SHARE = 0.05  # of the largest load: below it the block is let go
SHOWN_STILL_S = 0.3  # what is still for longer is shown as steady
STILL_SDS = 4.0  # between pieces that are called steady on the way to a hold


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
        """What the rig sees just now."""

    def feed(self, block: RawBlock) -> list[Finding]:
        """Take the next samples; returns what it read from them."""

    def undo(self) -> Finding:
        """Discard the last point; returns a finding: undone, or nothing to undo."""


_NOTHING_TO_UNDO = Finding("nothing_to_undo")


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

    def state(self) -> Finding:
        if not self._pieces:
            return Finding("no_sample_yet")
        _, now, sd = self._pieces[-1]
        since_us = self._now_us
        for t_us, mean, _ in reversed(self._pieces):
            if abs(mean - now) > STILL_SDS * max(sd, 1.0) or t_us > since_us:
                break
            since_us = t_us
        still_s = (self._now_us - since_us) * 1e-6
        if still_s <= SHOWN_STILL_S:
            return Finding.of("moving", counts=now)
        return Finding.of("steady", counts=now, still_s=min(still_s, HOLD_S), hold_s=HOLD_S)


class _HoldGuide:
    """Asks for one steady hold after another.

    Args:
        values: what each is: a mass or a length. The same reading as the last one is taken again
            only where the same value is asked for twice running.
    """

    def __init__(
        self,
        tasks: Sequence[Finding],
        values: Sequence[float],
        channel: Channel,
        taken: Sequence[Hold] = (),
    ) -> None:
        self.holds = list(taken)
        self._tasks = tuple(tasks)
        self._values = tuple(values)
        self._channel = channel
        self._finder = SteadyFinder(channel, HOLD_S)
        self._still = _Stillness(channel)

    @property
    def done(self) -> bool:
        return len(self.holds) >= len(self._tasks)

    @property
    def taken(self) -> int:
        return len(self.holds)

    @property
    def task(self) -> Finding:
        points, at = len(self._tasks), len(self.holds)
        if self.done:
            return Finding.of("points_read", points=points)
        task = self._tasks[at].to_document()
        return Finding.of("point_wanted", point=at + 1, points=points, task=task)

    @property
    def state(self) -> Finding:
        return self._still.state()

    def feed(self, block: RawBlock) -> list[Finding]:
        self._still.feed(block)
        said = []
        for hold in self._finder.feed(block):
            if self.done or self._passed_over(hold):
                continue
            wanted, seems = self._values[len(self.holds)], self._seems(hold)
            if seems is None or abs(seems - wanted) <= self._slack(wanted):
                said.append(self._reading(hold, seems))
                self.holds.append(hold)
            else:
                unit = "kg" if self._channel == "load" else "mm"
                facts = {f"seems_{unit}": seems, f"wanted_{unit}": wanted}
                said.append(Finding("point_refused", facts))
            if not self.done:
                said.append(self.task)
        return said

    def undo(self) -> Finding:
        if not self.holds:
            return _NOTHING_TO_UNDO
        self.holds.pop()
        return Finding.of("point_undone", point=len(self.holds) + 1)

    def _passed_over(self, hold: Hold) -> bool:
        """Whether a hold is none of what is asked for: it is what was there before."""
        at = len(self.holds)
        return at > 0 and self._values[at] != self._values[at - 1] and self._same(hold)

    def _seems(self, hold: Hold) -> float | None:
        """Return the value that the line through the farthest two points gives a hold."""
        known = sorted(zip(self._values, map(self._counts, self.holds), strict=False))
        if len(known) < 2 or known[0][0] == known[-1][0] or known[0][1] == known[-1][1]:
            return None
        (low, low_counts), (high, high_counts) = known[0], known[-1]
        per_count = (high - low) / (high_counts - low_counts)
        return low + per_count * (self._counts(hold) - low_counts)

    def _counts(self, hold: Hold) -> float:
        return hold.load_counts if self._channel == "load" else hold.travel_counts

    def _slack(self, wanted: float) -> float:
        return WRONG_SHARE * wanted + WRONG_KG if self._channel == "load" else WRONG_MM

    def _same(self, hold: Hold) -> bool:
        raise NotImplementedError

    def _reading(self, hold: Hold, seems: float | None) -> Finding:
        raise NotImplementedError


class WeighGuide(_HoldGuide):
    """Reads the load cell under one mass after the other; 0 is nothing on it.

    An empty cell between two masses is no reading, and neither is the last mass still standing.
    """

    def __init__(self, masses_kg: Sequence[float], taken: Sequence[Hold] = ()) -> None:
        tasks = [Finding.of("put_mass", mass_kg=mass_kg) for mass_kg in masses_kg]
        super().__init__(tasks, masses_kg, "load", taken)

    @property
    def points(self) -> list[LoadPoint]:
        """What was read; a mass smaller than the one before it was reached going down."""
        masses_kg = self._values[: len(self.holds)]
        before_kg = (*masses_kg[:1], *masses_kg[:-1])
        return [
            LoadPoint(mass_kg, hold.load_counts, "up" if mass_kg >= earlier_kg else "down")
            for mass_kg, earlier_kg, hold in zip(masses_kg, before_kg, self.holds, strict=True)
        ]

    def _passed_over(self, hold: Hold) -> bool:
        empty = self._empty()
        wanted_kg = self._values[len(self.holds)]
        if wanted_kg and empty is not None and _near(hold, empty, empty):
            return True
        return super()._passed_over(hold)

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


class GaugeGuide(_HoldGuide):
    """Reads the travel with one gauge length after the other between the faces.

    The quill's upper stop is read first, so that a rest there, to change the gauge, is no reading.
    """

    def __init__(self, lengths_mm: Sequence[float], taken: Sequence[Hold] = ()) -> None:
        tasks = [Finding.of("put_gauge", length_mm=length_mm) for length_mm in lengths_mm]
        super().__init__(tasks, lengths_mm, "travel", taken)
        self._stop: Hold | None = None

    @property
    def task(self) -> Finding:
        """What to do now."""
        if self._stop is None and not self.done:
            return Finding("quill_to_stop")
        return super().task

    def feed(self, block: RawBlock) -> list[Finding]:
        """Take the next samples; see WeighGuide."""
        if self._stop is not None or self.done:
            return super().feed(block)
        self._still.feed(block)
        for hold in self._finder.feed(block):
            self._stop = hold
            return [self.task]
        return []

    @property
    def points(self) -> list[GaugePoint]:
        """What was read."""
        lengths_mm = self._values[: len(self.holds)]
        pairs = zip(lengths_mm, self.holds, strict=True)
        return [GaugePoint(length_mm, hold.travel_counts) for length_mm, hold in pairs]

    def _passed_over(self, hold: Hold) -> bool:
        at_stop = self._stop is not None and _close(hold, self._stop)
        return at_stop or super()._passed_over(hold)

    def _same(self, hold: Hold) -> bool:
        return _close(hold, self.holds[-1])

    def _reading(self, hold: Hold, seems: float | None) -> Finding:
        return Finding.of("travel_read", counts=hold.travel_counts, seems_mm=seems)


def _close(hold: Hold, other: Hold) -> bool:
    return abs(hold.travel_counts - other.travel_counts) < STOP_COUNTS


class BlockGuide:
    """Reads load and travel while a solid block is pressed and let go.

    Args:
        load_fit: the load calibration, to know when the press is over.
        least_n: the load the press must reach.
    """

    def __init__(self, load_fit: PolynomialFit, least_n: float) -> None:
        self.points: list[FlexPoint] = []
        self._load_fit = load_fit
        self._least_n = least_n
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
    def task(self) -> Finding:
        """What to do now."""
        if self._done:
            return Finding("press_read")
        return Finding.of("press_block", least_n=self._least_n)

    @property
    def state(self) -> Finding:
        """What the rig sees just now."""
        return Finding.of("load_seen", load_n=self._newest_n, largest_n=self._largest_n)

    def feed(self, block: RawBlock) -> list[Finding]:
        """Take the next samples; returns what it read from them."""
        samples = block.samples[(block.samples["flags"] & UNUSABLE) == 0]
        loads_n = value(self._load_fit, samples["load_counts"])
        for sample, load_n in zip(samples, loads_n.tolist(), strict=True):
            self._newest_n = load_n
            if self._done:
                continue  # another press, before this one is stored or undone
            if load_n > BLOCK_END_SHARE * self._least_n:
                counts = int(sample["load_counts"]), int(sample["travel_counts"])
                self.points.append(FlexPoint(*counts))
                self._largest_n = max(self._largest_n, load_n)
            elif self.points:
                said = self._let_go()
                if said:
                    return said
        return []

    def _let_go(self) -> list[Finding]:
        largest_n = self._largest_n
        if largest_n >= self._least_n:
            self._done = True
            return [Finding.of("block_read", samples=len(self.points), largest_n=largest_n)]
        pressed = largest_n > 2.0 * BLOCK_END_SHARE * self._least_n
        self._begin_again()
        return [Finding.of("pressed_too_little", largest_n=largest_n)] if pressed else []

    def undo(self) -> Finding:
        """Discard the press."""
        was, self._done = self._done, False
        self._begin_again()
        return Finding("press_undone") if was else _NOTHING_TO_UNDO

    def _begin_again(self) -> None:
        self.points, self._largest_n = [], 0.0
