"""Find steady holds in a stream of raw samples, for guided calibration. Pure.

Steadiness is judged against the noise from one sample to the next, so it works for any cell, gain
and scale. Factors are common practice, no source.
"""

from __future__ import annotations

from typing import Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from coilbench.capture.blocks import RAW_DTYPE, RawBlock, SampleFlag, samples_joined
from coilbench.capture.calibration.statistics import (
    LEAST_SD_COUNTS,
    median,
    noise_sd,
    noise_sds,
)

Channel = Literal["load", "travel"]
_UNFIT = {"load": int(SampleFlag.LOAD_SUSPECT), "travel": int(SampleFlag.TRAVEL_ABSENT)}

LEAST_SAMPLES = 8  # with fewer, the noise cannot be estimated
LOOKS_PER_HOLD = 10  # tests for steadiness during the shortest hold
GAP_FRACTION = 0.3  # of the shortest hold: after a longer silence the search starts again
BAND_SDS = 6.0  # every sample of a hold lies this close: 1 in 5e8 of normal noise does not
DRIFT_SDS = 1.0  # between the means of a hold's halves, which noise alone moves by 0.2
CREEP_FRACTION = 2e-4  # of the last move: a cell creeps by some 0.02 to 0.05 % of a new load
MOVE_SDS = 10.0  # well outside the band, so that noise is not a new hold
MOVE_CREEPS = 10.0  # and far more than a cell creeps in that time
# A slow filter makes neighbouring samples alike, so that the noise shows from one part of a hold to
# the next only. A load that sways does so, too: no more is taken for noise than a filter over some
# hundred samples hides, and than a cell creeps by.
PARTS_PER_HOLD = 8
CALM_SDS = 2.5  # a hold scatters by no more of the holds before: at 10 samples/s a sway looks noisy
MOST_HIDDEN = 10.0
GLIMPSE_SAMPLES = 3  # a move is judged by their median, so that an outlier does not decide


class Hold(msgspec.Struct, frozen=True):
    """A time in which nothing moved."""

    load_counts: float  # mean, as is travel_counts
    travel_counts: float
    load_sd_counts: float  # standard deviation within the hold
    n: int


class SteadyFinder:
    """Finds holds as samples arrive; each is returned once, as soon as it is long enough.

    The next is returned only after a clear move, even one back to the same value. Slow creep under
    a constant load is not a move.

    Args:
        channel: what must be steady. With weights the quill is free, and a rig may have no travel
            yet; on gauges the load may vary.
        min_s: how long, above 0.
    """

    def __init__(self, channel: Channel, min_s: float) -> None:
        self._min_us = round(min_s * 1e6)
        self._look_us = self._min_us // LOOKS_PER_HOLD
        self._field = f"{channel}_counts"
        self._unfit = _UNFIT[channel]
        self._boot_id: int | None = None
        self._forget()

    def _forget(self) -> None:
        """Start again after a restart of the rig, whose counts may have another zero."""
        self._kept: NDArray[np.void] = np.empty(0, dtype=RAW_DTYPE)
        self._next_look_us: int | None = None
        self._held: float | None = None  # the last hold, following creep; None before the first
        self._last_move = 0.0  # its distance from the one before
        self._moved = True
        self._unrest = 0.0
        self._calm: list[float] = []  # what the holds scattered by

    @property
    def moved(self) -> bool:
        """Whether there was a clear move since the last hold; True before the first."""
        return self._moved

    @property
    def unrest(self) -> float:
        """How far apart the counts of the last window are that was not still; 0 where it was."""
        return self._unrest

    def feed(self, block: RawBlock) -> list[Hold]:
        """Take the next samples; return the holds that became long enough."""
        if block.boot_id != self._boot_id:
            self._forget()
            self._boot_id = block.boot_id
        fit = block.samples[(block.samples["flags"] & self._unfit) == 0]
        holds: list[Hold] = []
        samples = samples_joined([self._kept, fit])
        steps_us = np.diff(samples["t_us"])
        breaks = np.flatnonzero((steps_us < 0) | (steps_us > GAP_FRACTION * self._min_us)) + 1
        for number, piece in enumerate(np.split(samples, breaks)):
            if number > 0:
                self._next_look_us = None
            holds += self._look_through(piece)
        return holds

    def _look_through(self, piece: NDArray[np.void]) -> list[Hold]:
        """Judge the last min_s of an unbroken piece, repeatedly as it grows."""
        holds: list[Hold] = []
        if piece.size == 0:
            return holds
        t_us = piece["t_us"]
        due = self._next_look_us
        if due is None:
            due = int(t_us[0]) + self._min_us
        while due <= t_us[-1]:
            start = np.searchsorted(t_us, due - self._min_us, side="left")
            end = np.searchsorted(t_us, due, side="right")
            hold = self._look(piece[start:end])
            if hold is not None:
                holds.append(hold)
            due += self._look_us
        self._next_look_us = due
        self._kept = piece[np.searchsorted(t_us, due - self._min_us, side="left") :].copy()
        return holds

    def _look(self, window: NDArray[np.void]) -> Hold | None:
        """Judge one window of min_s; return it if it is a new hold."""
        if window.size < LEAST_SAMPLES:
            return None
        column = window[self._field].astype(np.float64)
        noise, held = self._noise(column), self._held
        if held is not None and not self._moved:
            clear = max(MOVE_SDS * noise, MOVE_CREEPS * CREEP_FRACTION * self._last_move)
            self._moved = abs(_latest(column) - held) > clear
        still = self._is_still(column, noise)
        self._unrest = 0.0 if still else float(np.ptp(column))
        if not still:
            return None
        self._held = float(column.mean())
        if not self._moved:
            return None
        self._calm.append(float(column.std(ddof=1)))
        self._moved = False
        if held is not None:
            self._last_move = abs(self._held - held)
        load = window["load_counts"].astype(np.float64)
        return Hold(
            load_counts=float(load.mean()),
            travel_counts=float(window["travel_counts"].mean()),
            load_sd_counts=float(load.std(ddof=1)),
            n=int(window.size),
        )

    def _noise(self, column: NDArray[np.float64]) -> float:
        """Return the noise of a sample, a slow filter allowed for: no less than before."""
        quick, lag = noise_sd(column), column.size // PARTS_PER_HOLD
        if self._calm:
            quick = max(quick, median(np.array(self._calm)))
        if lag < 2:
            return quick
        each, more = divmod(column.size, lag)
        parts = column[: each * lag].reshape(each, lag).T  # every so many samples, from each on
        longer = np.column_stack([parts[:more], column[each * lag :]])
        slow = median(np.concatenate([noise_sds(longer, 2), noise_sds(parts[more:], 2)]))
        creep = self._creep(column)
        return max(quick, min(slow, MOST_HIDDEN * quick, np.inf if creep == 0.0 else creep))

    def _creep(self, column: NDArray[np.float64]) -> float:
        """Return by how much a cell may creep after its last move; 0 before the first."""
        move = self._last_move
        if self._held is not None:
            move = max(move, abs(median(column) - self._held))
        return CREEP_FRACTION * move

    def _is_still(self, column: NDArray[np.float64], noise: float) -> bool:
        """Return whether a column stays in its noise band and does not drift."""
        middle, creep = median(column), self._creep(column)
        calm = median(np.array(self._calm)) if self._calm else np.inf
        if column.std(ddof=1) > CALM_SDS * max(calm, LEAST_SD_COUNTS) + creep:
            return False
        if np.abs(column - middle).max() > BAND_SDS * noise + creep:
            return False
        half = column.size // 2
        drift = abs(float(column[:half].mean() - column[-half:].mean()))
        return drift <= max(DRIFT_SDS * noise, creep)


class Stillness:
    """How long the newest readings have been alike, for a screen: no hold is found by it.

    Args:
        channel: which readings.
        most_s: no longer time is told.

    Attributes:
        fit: whether the newest samples bear a reading of that channel.
    """

    def __init__(self, channel: Channel, most_s: float) -> None:
        self.fit = True
        self._field, self._unfit = f"{channel}_counts", _UNFIT[channel]
        self._most_us = round(most_s * 1e6)
        self._kept: NDArray[np.void] = np.empty(0, dtype=RAW_DTYPE)

    def feed(self, samples: NDArray[np.void]) -> None:
        """Take the next samples, shape (n,)."""
        if samples.size == 0:
            return
        fit = samples[(samples["flags"] & self._unfit) == 0]
        self.fit = bool(fit.size)
        kept = samples_joined([self._kept, fit])
        if kept.size:
            age_us = kept["t_us"][-1] - kept["t_us"]
            self._kept = kept[(age_us >= 0) & (age_us <= self._most_us)]

    @property
    def counts(self) -> float | None:
        """The newest reading; None before the first."""
        return _latest(self._kept[self._field]) if self._kept.size else None

    @property
    def still_s(self) -> float:
        """How long the newest readings have been alike, s; 0 where too few tell."""
        if self._kept.size < LEAST_SAMPLES:
            return 0.0
        column = self._kept[self._field].astype(np.float64)
        apart = np.abs(column - _latest(column)) > BAND_SDS * noise_sd(column)
        alike = self._kept["t_us"][int(np.max(np.flatnonzero(apart), initial=-1)) + 1 :]
        return float(alike[-1] - alike[0]) * 1e-6 if alike.size else 0.0


def _latest(column: NDArray[np.float64]) -> float:
    return median(column[-max(GLIMPSE_SAMPLES, column.size // LOOKS_PER_HOLD) :])
