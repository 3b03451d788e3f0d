"""Whether loads read by hand contradict the free lengths that depths are counted from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from statistics import median
from typing import NamedTuple

from coilbench.analysis.curves.lengths import FoundHeight
from coilbench.analysis.curves.loads_end import contradicts, line_ends, shape_known
from coilbench.capture.book.keyed_readings import KeyedRow
from coilbench.capture.book.sets import SetRecord

_MOST = 0.5  # of the springs whose loads tell: where more contradict theirs, depths are in doubt


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
        ends = line_ends(high, low)
        if ends is not None:
            told += 1
            carried_mm = ends.height_mm - high[0]
            if contradicts(FoundHeight(free_mm, 2.0 * u_mm), ends, carried_mm):
                over_n = high[1] * (1.0 - (free_mm - high[0]) / carried_mm)
                known = shape_known(free_mm - ends.height_mm, carried_mm, ends.height_mm - low[0])
                wrong.append((free_mm, ends.height_mm, over_n, known))
    if len(wrong) <= _MOST * told:
        return None
    length_mm, ends_mm, over_n = (median(one[at] for one in wrong) for at in range(3))
    known = any(one[3] for one in wrong)
    counting = [row for own in rows.values() for row in own if row.counts]
    zero = all(row.setup.get("tare_n", 0.0) == 0.0 for row in counting)
    return LengthsContradicted(
        record.name, length_mm, ends_mm, over_n, zero, known, len(wrong), told
    )
