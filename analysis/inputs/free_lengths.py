"""Whether loads read by hand contradict the free lengths that depths are counted from."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from statistics import median
from typing import NamedTuple

from coilbench.analysis.curves.lengths import LEAST_SPAN_MM, FoundHeight
from coilbench.analysis.curves.loads_end import contradicted
from coilbench.capture.book.keyed_readings import KeyedRow
from coilbench.capture.book.sets import SetRecord

_MOST = 0.5  # of the springs whose loads tell: where more contradict theirs, depths are in doubt


def _line_ends(
    high: tuple[float, float, float], low: tuple[float, float, float]
) -> FoundHeight | None:
    """Return where the line through two readings has no load; None where they show none.

    Args:
        high, low: height, load, and its standard uncertainty (k = 1).
    """
    (high_mm, high_n, high_u_n), (low_mm, low_n, low_u_n) = high, low
    if high_mm - low_mm < LEAST_SPAN_MM or not 0.0 < high_n < low_n:
        return None
    rate = (low_n - high_n) / (high_mm - low_mm)
    left_mm = high_n / rate
    # left = high_n span / (low_n - high_n), and its derivatives (JCGM 100:2008, 5.1.2)
    by_high, by_low = (1.0 + left_mm / (high_mm - low_mm)) / rate, left_mm / (low_n - high_n)
    return FoundHeight(high_mm + left_mm, 2.0 * math.hypot(by_high * high_u_n, by_low * low_u_n))


class LengthsContradicted(NamedTuple):
    """Free lengths of a set that the loads of most of its springs contradict.

    Attributes:
        length_mm, ends_mm: the middle of the free lengths, and of where those loads run out.
        over_n: the middle of how much less all loads would be if the lengths were right; below 0
            where more.
        tare_zero: whether nothing was taken off these loads for the set-up.
        shape_known: whether no softer first part of the springs can be the reason.
        springs, of: how many contradict theirs, of how many whose loads tell.
    """

    set_name: str
    length_mm: float
    ends_mm: float
    over_n: float
    tare_zero: bool
    shape_known: bool
    springs: int
    of: int

    @property
    def tare_forgotten(self) -> bool:
        """Whether a forgotten tare would look like this."""
        return self.tare_zero and self.over_n > 0.0


def lengths_contradicted(
    record: SetRecord, rows: Mapping[str, Sequence[KeyedRow]]
) -> LengthsContradicted | None:
    """Return the free lengths of a set that its keyed readings contradict; None where they don't.

    What was typed as a depth tells nothing: its height follows the free length.
    """
    told, wrong = 0, list[tuple[float, float, float, bool]]()
    for label, own in rows.items():
        free_mm, u_mm = record.free_of_mm(label), record.spring(label).free_length_u_mm or 0.0
        read = [row for row in own if row.counts and row.reading.depth_mm is None]
        read = [row for row in read if row.reading.loading]
        if free_mm is None or not read:
            continue
        read.sort(key=lambda row: row.height_mm)
        high, low = ((r.height_mm, r.load_n, r.load_u_n) for r in (read[-1], read[0]))
        ends = _line_ends(high, low)
        if ends is not None:
            told += 1
            carried_mm = ends.height_mm - high[0]
            length = FoundHeight(free_mm, 2.0 * u_mm)
            found = contradicted(length, ends, carried_mm, low[0])
            if found is not None:
                over_n = high[1] * (1.0 - (free_mm - high[0]) / carried_mm)
                wrong.append((free_mm, ends.height_mm, over_n, found.shape_known))
    if len(wrong) <= _MOST * told:
        return None
    length_mm, ends_mm, over_n = (median(one[at] for one in wrong) for at in range(3))
    known = any(one[3] for one in wrong)
    counting = [row for own in rows.values() for row in own if row.counts]
    zero = all(row.setup.get("tare_n", 0.0) == 0.0 for row in counting)
    return LengthsContradicted(
        record.name, length_mm, ends_mm, over_n, zero, known, len(wrong), told
    )
