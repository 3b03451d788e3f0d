"""Listen to a rig for a while: its samples, its losses, its faults."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from coilbench.analysis.rig.health import Heard
from coilbench.capture.blocks import RAW_DTYPE, RawBlock, SampleFlag
from coilbench.capture.messages import Fault, Hello, Item, Restarted, Tally
from coilbench.capture.sources.base import Source, SourceEnded

SILENCE_S = 3.0
POLL_S = 0.1
MOST_SETTLING = 8  # samples at a start whose filter has not filled: no fault, and left out


class Listener:
    """Hears a source piece after piece, by the rig's own clock.

    Args:
        source: open.
        hello: who it is.
        seen: what came while it was asked who it is.
        clock: monotonic, s.
    """

    def __init__(
        self,
        source: Source,
        hello: Hello,
        seen: Sequence[Item] = (),
        *,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._source = source
        self._hello = hello
        self._clock = clock
        self._kept: NDArray[np.void] = np.empty(0, dtype=RAW_DTYPE)
        self._standing: dict[int, bool] = {}
        self._stood: set[int] = set()  # since the present listening began
        self._impossible_steps: int | None = None
        self._restarts = 0
        self._ended = False
        self._take(seen)

    @property
    def ended(self) -> bool:
        """Whether the source has no more to say."""
        return self._ended

    def listen(self, seconds: float) -> Heard:
        """Hear so many seconds of samples; fewer where the source falls silent or ends."""
        restarts, lines_bad = self._restarts, self._source.counters.lines_bad
        steps = self._impossible_steps
        self._stood = {code for code, stands in self._standing.items() if stands}
        self._fill(round(seconds * 1e6))
        t_us = self._kept["t_us"]
        cut = int(np.searchsorted(t_us, t_us[0] + round(seconds * 1e6))) if t_us.size else 0
        samples, self._kept = self._kept[:cut], self._kept[cut:]
        steps_now = self._impossible_steps
        return Heard(
            samples=_settled(samples),
            nominal_hz=self._hello.rate_hz,
            um_per_count=self._hello.um_per_count,
            has_travel=self._hello.travel != "none",
            samples_lost=int((np.diff(samples["seq"]) - 1).sum()),
            lines_bad=self._source.counters.lines_bad - lines_bad,
            restarts=self._restarts - restarts,
            impossible_steps=0 if steps is None or steps_now is None else steps_now - steps,
            faults=tuple(sorted(self._stood)),
        )

    def _fill(self, least_us: int) -> None:
        heard_s = self._clock()
        while not self._ended and self._span_us() < least_us:
            before = self._kept.size
            try:
                self._take(self._source.poll(POLL_S))
            except SourceEnded:
                self._ended = True
            if self._kept.size != before:
                heard_s = self._clock()
            elif self._clock() - heard_s > SILENCE_S:
                return

    def _span_us(self) -> int:
        t_us = self._kept["t_us"]
        return int(t_us[-1] - t_us[0]) if t_us.size else 0

    def _take(self, items: Sequence[Item]) -> None:
        for item in items:
            match item:
                case RawBlock():
                    self._kept = np.concatenate([self._kept, item.samples])
                case Restarted():
                    self._restarts += 1
                    self._kept = self._kept[:0]  # clock and sequence begin anew
                    self._impossible_steps = None
                case Fault():
                    self._standing[item.code] = item.standing
                    self._stood |= {item.code} if item.standing else set()
                case Tally():
                    self._impossible_steps = item.impossible_steps
                case _:
                    pass


def _settled(samples: NDArray[np.void]) -> NDArray[np.void]:
    """Leave out the first samples after a start, which the rig marks as not settled."""
    suspect = (samples["flags"][:MOST_SETTLING] & SampleFlag.LOAD_SUSPECT) != 0
    return samples[int(np.argmin(np.append(suspect, False))) :]
