"""Rows and columns that may go together, each given to one other at most. Pure.

Our own since scipy.optimize and scipy.sparse take longer to load than the whole answer takes to
work out; the tests hold it to SciPy's.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def largest_matching(allowed: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Return for each row the column that a largest matching gives it, -1 for none.

    A row may take a column from another that finds itself a new one; where none can, the matching
    is the largest (Berge, Proc. Natl. Acad. Sci. 43, 1957, from memory). Columns are bits here.
    What a search that failed has seen leads nowhere later either.

    Args:
        allowed: shape (rows, columns).
    """
    packed = np.packbits(allowed, axis=1, bitorder="little")
    open_to = [int.from_bytes(row.tobytes(), "little") for row in packed]
    free = unseen = (1 << allowed.shape[1]) - 1
    owner_of: dict[int, int] = {}

    def find(row: int) -> bool:
        nonlocal free, unseen
        while left := open_to[row] & unseen:
            column = left & free or left
            column &= -column
            unseen ^= column
            if column & free or find(owner_of[column]):
                owner_of[column], free = row, free & ~column
                return True
        return False

    for row in range(len(open_to)):
        before = unseen
        if find(row):
            unseen = before
    found = np.full(len(open_to), -1)
    for column, row in owner_of.items():
        found[row] = column.bit_length() - 1
    return found


def whole_matching(allowed: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Return a largest matching whose other rows are given columns too, allowed or not.

    Args:
        allowed: shape (rows, columns), no more rows than columns.
    """
    found = largest_matching(allowed)
    empty = found < 0
    left = np.delete(np.arange(allowed.shape[1]), found[~empty])
    found[empty] = left[: np.count_nonzero(empty)]
    return found
