"""Whether what is pressed just now can be the spring whose turn it is, before it is let up."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from coilbench.capture.blocks import Finding, usable_rows
from coilbench.capture.book.sets import SetRecord
from coilbench.capture.calibration.lag import hurried_s, typical_delay_s
from coilbench.capture.calibration.statistics import median
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.finder import Phase, StrokeFinder
from coilbench.capture.strokes.likeness import Known
from coilbench.capture.strokes.watching import Array, Bounds, touch_at_most_mm

# Ours, no source.
EACH_MM = 1.0  # it is judged again each time the quill is so much lower
MORE_OFF = 0.05  # than the whole stroke must be to be asked about: one way alone has friction in it
LAGS = (0.0, 1.0, 2.0, 3.0, 5.0)  # of the typical one: some filters are slower
FEWEST = 10  # samples of the way down


class WhilePressing:
    """Judges the way down by what a whole stroke is judged by, and no more strictly.

    Args:
        known_of: what a spring of a set should press like.

    Attributes:
        found: why it can't be that spring, as far as it is pressed.
    """

    def __init__(self, known_of: Callable[[str, SetRecord], Known]) -> None:
        self._known_of = known_of
        self._known: Known | None = None
        self._judged_mm = np.inf
        self.found: Finding | None = None

    def look(
        self,
        finder: StrokeFinder,
        bounds: Bounds,
        label: str | None,
        record: SetRecord,
    ) -> None:
        """Look at the press that is under way; to be asked after each piece of the stream."""
        if not finder.pressing or label is None:
            self._known, self._judged_mm, self.found = None, np.inf, None
            return
        touch_mm = finder.touch_mm
        if finder.phase is not Phase.PRESS or touch_mm is None or not finder.zero_seen:
            return
        if finder.deepest_mm > self._judged_mm - EACH_MM or self.found is not None:
            return
        self._judged_mm = finder.deepest_mm
        if self._known is None:
            self._known = self._known_of(label, record)
        samples = finder.running()
        load_n, height_mm = finder.running_physical()
        rows = usable_rows(samples)
        t_us, height_mm = samples["t_us"][rows], height_mm[rows]
        low = bounds.touched_low(touch_at_most_mm(t_us, height_mm, touch_mm))
        zeroed_n = load_n[rows] - finder.zero_n
        self.found = low or _unlike(self._known, t_us * 1e-6, zeroed_n, height_mm)


def _unlike(
    known: Known,
    t_s: Array,
    load_n: Array,
    read_mm: Array,
) -> Finding | None:
    """Say how the way down departs, more surely than by the lag that nobody knows yet."""
    end = int(np.argmin(read_mm)) + 1 if read_mm.size else 0
    if end < FEWEST:
        return None
    t_s, load_n, read_mm = t_s[:end], load_n[:end], read_mm[:end]
    step_s = median(np.diff(t_s))
    if t_s[-1] - t_s[0] < hurried_s(step_s):
        return None
    late_s = typical_delay_s(step_s)
    ways = (np.interp(t_s - times * late_s, t_s, read_mm) for times in LAGS)
    least: Finding | None = None
    for height_mm in ways:  # with each it must be so
        found = known.unlike(Branch(np.minimum.accumulate(height_mm)[::-1], load_n[::-1]))
        if found is None or found.facts["reason"] == "shape":
            return None
        if least is None or abs(found.facts["off_share"]) < abs(least.facts["off_share"]):
            least = found
    off = 0.0 if least is None else abs(least.facts["off_share"])
    return least if off > known.level_off + MORE_OFF else None
