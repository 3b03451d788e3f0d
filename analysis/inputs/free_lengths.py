"""Whether loads read by hand contradict the free lengths that depths are counted from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from statistics import median
from typing import NamedTuple

from coilbench.analysis.curves.lengths import FoundHeight
from coilbench.analysis.curves.loads_end import contradicts, line_ends
from coilbench.capture.book.keyed_readings import KeyedRow
from coilbench.capture.book.sets import SetRecord

_MOST = 0.5  # of the springs whose loads tell: where more contradict theirs, depths are in doubt


class LengthsContradicted(NamedTuple):
    """Free lengths of a set that the loads of most of its springs contradict.

    Attributes:
        length_mm, ends_mm: the middle of the free lengths, and of where those loads run out.
        springs, of: how many contradict theirs, of how many whose loads tell.
    """

    set_name: str
    length_mm: float
    ends_mm: float
    springs: int
    of: int


def lengths_contradicted(
    record: SetRecord, rows: Mapping[str, Sequence[KeyedRow]]
) -> LengthsContradicted | None:
    """Return the free lengths of a set that its keyed readings contradict; None where they don't.

    What was typed as a depth tells nothing: its height follows the free length.
    """
    told, wrong = 0, list[tuple[float, float]]()
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
                wrong.append((free_mm, ends.height_mm))
    if len(wrong) <= _MOST * told:
        return None
    lengths_mm, ends_mm = zip(*wrong, strict=True)
    return LengthsContradicted(record.name, median(lengths_mm), median(ends_mm), len(wrong), told)
