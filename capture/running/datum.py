"""What the quill stands on inside a capture: a gauge that it touches lightly, or not."""

from __future__ import annotations

from collections import deque

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.blocks import samples_joined, usable_of
from coilbench.capture.calibration.gauge_guide import Approach, touch_doubt
from coilbench.capture.calibration.known_points import GaugePoint
from coilbench.capture.calibration.polynomial import PolynomialFit, value
from coilbench.capture.calibration.steady import LEAST_SAMPLES
from coilbench.capture.running.not_possible import NotPossible
from coilbench.capture.strokes.sweep import FEWEST
from coilbench.capture.strokes.watching import LOADED_N

# Common practice, no source.
STAND_S = 1.0  # it must have stood so long
STAND_SHARE = 0.8  # of that time there must be samples of
STILL_MM = 0.02  # more than this is moving
STILL_STEPS = 2.0  # of the scale's, where those are coarser
DOWN_S = 20.0  # within this time the quill came down on what it stands on
NEAR_MM = (0.1, 0.3)  # just above where it stands: a gauge pushes nowhere but where it is touched
AWAY_MM = 2.0  # farther away the quill has left it
LEFT_MM = 1.0  # and so far it does not stand on it any more
GIVES_SHARE = 0.5  # of the touch: what pushes with so much just above gives way, as a spring does


class OnGauge:
    """Whether the quill still stands on the gauge that a datum was read on.

    Attributes:
        under: whether it stands there.
        leaving: whether it does, or goes up from there: what is between the faces is no spring.
    """

    def __init__(self) -> None:
        self.forget()

    def forget(self, counts: float | None = None) -> None:
        """It stands on a gauge at so many counts of the travel; None: on none."""
        self._counts, self._highest_mm = counts, 0.0
        self.under = self.leaving = counts is not None

    def follow(self, travel: NDArray[np.float64], per_count_mm: float) -> None:
        """Take usable samples, shape (n,). Heights grow with `per_count_mm`, which may be below 0.

        It has left once it comes down again.
        """
        if self._counts is None or travel.size == 0:
            return
        up_mm = (travel - self._counts) * per_count_mm
        self._highest_mm = max(self._highest_mm, float(up_mm.max()))
        if self._highest_mm - float(up_mm[-1]) > LEFT_MM:
            self.forget()
        else:
            self.under = float(up_mm[-1]) <= LEFT_MM


class LastSecond:
    """The newest usable samples: what the quill stands on just now, and how it came there."""

    def __init__(self) -> None:
        self.forget()

    def forget(self) -> None:
        """The stream broke, or counts from another zero."""
        self._pieces: deque[NDArray[np.void]] = deque()
        self._approach = Approach()

    def take(self, samples: NDArray[np.void]) -> None:
        """Take what came, in time order."""
        if samples.size == 0:
            return
        self._approach.feed(samples)
        self._pieces.append(samples)
        since_us = samples["t_us"][-1] - DOWN_S * 1e6
        while self._pieces[0]["t_us"][-1] < since_us:
            self._pieces.popleft()

    def _usable(self) -> NDArray[np.void]:
        return usable_of(samples_joined(self._pieces))

    def _samples(self) -> NDArray[np.void]:
        usable = self._usable()
        first = np.searchsorted(usable["t_us"], usable["t_us"][-1:] - STAND_S * 1e6)
        return usable[int(first[0]) :] if usable.size else usable

    def gauge(self, length_mm: float, per_count_mm: float) -> GaugePoint:
        """Return what the scale reads on the gauge that the quill stands on.

        Args:
            per_count_mm: of the travel.

        Raises:
            NotPossible: it does not stand there.
        """
        samples = self._samples()
        t_us, travel = samples["t_us"], samples["travel_counts"]
        if t_us.size < LEAST_SAMPLES or t_us[-1] - t_us[0] < STAND_SHARE * STAND_S * 1e6:
            raise NotPossible("datum_refused", reason="no_reading")
        still = max(STILL_MM / per_count_mm, STILL_STEPS)
        if float(np.ptp(travel)) > still:
            raise NotPossible("datum_refused", reason="not_steady")
        return GaugePoint(length_mm, float(travel.mean()))

    def _gives_way(
        self,
        point: GaugePoint,
        per_count_mm: float,
        load_fit: PolynomialFit,
        touch_n: tuple[float, float],
    ) -> bool:
        """Tell whether what the quill stands on pushed already just above, as no gauge does."""
        samples, (zero_n, now_n) = self._usable(), touch_n
        above_mm = np.abs(samples["travel_counts"] - point.counts) * per_count_mm
        # the last way down alone: before it springs may have been pressed through this height
        away = np.flatnonzero(above_mm > AWAY_MM)
        last = slice(int(away[-1]) + 1 if away.size else 0, None)
        samples, above_mm = samples[last], above_mm[last]
        near = samples["load_counts"][(above_mm > NEAR_MM[0]) & (above_mm <= NEAR_MM[1])]
        if near.size < FEWEST:
            return False  # it came too fast to tell
        # not the largest: a quill that lifts again takes the late load of its touch along
        low_n = float(np.percentile(value(load_fit, near), 20.0)) - zero_n
        return low_n > GIVES_SHARE * (now_n - zero_n)

    def require_light_touch(
        self,
        point: GaugePoint,
        per_count_mm: float,
        load_fit: PolynomialFit,
        zero_n: float | None,
    ) -> None:
        """Refuse what is no gauge lightly touched, as `coilbench rig gauge` judges it.

        Args:
            point: where the quill stands.
            per_count_mm: of the travel.
            zero_n: the load with nothing pressed, by the calibration; None where it is not known.

        Raises:
            NotPossible: nothing is touched, the quill leans, or a spring is pressed.
        """
        before = self._approach.load_counts_before(point.counts)
        if zero_n is None:
            raise NotPossible("datum_refused", reason="spring_pressed")
        if before is None:
            raise NotPossible("datum_refused", reason="not_seen_down")
        load_n = value(load_fit, self._samples()["load_counts"])
        now_n, before_n = float(load_n.mean()), float(value(load_fit, before))
        if before_n - zero_n > LOADED_N:  # so far up nothing presses on a gauge any more
            raise NotPossible("datum_refused", reason="spring_pressed")
        doubt = touch_doubt(before_n, now_n, 2.0 * float(load_n.std()), point.length_mm)
        if doubt is not None:
            raise NotPossible("datum_refused", reason=doubt.kind)
        if self._gives_way(point, per_count_mm, load_fit, (zero_n, now_n)):
            raise NotPossible("datum_refused", reason="spring_pressed")
