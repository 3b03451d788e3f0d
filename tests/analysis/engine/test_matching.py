"""Largest matchings, against SciPy's."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import linear_sum_assignment
from scipy.sparse import csr_array
from scipy.sparse.csgraph import maximum_bipartite_matching

from coilbench.analysis.engine.verdicts import largest_matching, whole_matching


@pytest.mark.parametrize("share", [0.02, 0.08, 0.15, 0.3, 0.9])
@pytest.mark.parametrize("shape", [(1, 1), (7, 4), (12, 12), (24, 70)])
def test_a_matching_is_as_large_as_scipys(share: float, shape: tuple[int, int]) -> None:
    rng = np.random.default_rng(round(1000 * share) + shape[0])
    for _ in range(40):
        allowed = rng.random(shape) < share
        found = largest_matching(allowed)
        given = np.flatnonzero(found >= 0)
        assert allowed[given, found[given]].all()
        assert len(set(found[given])) == given.size
        theirs = maximum_bipartite_matching(csr_array(allowed), perm_type="column")
        assert given.size == np.count_nonzero(theirs >= 0)


def test_a_chain_of_rows_that_each_move_on_is_found() -> None:
    """Row k takes column k or k + 1; the last takes the first column: all must move."""
    allowed = np.eye(30, dtype=bool) | np.eye(30, k=1, dtype=bool)
    allowed[-1] = False
    allowed[-1, 0] = True
    assert (largest_matching(allowed) == [*range(1, 30), 0]).all()


@pytest.mark.parametrize("share", [0.0, 0.1, 0.4])
def test_a_whole_matching_gives_every_row_a_column_of_its_own(share: float) -> None:
    rng = np.random.default_rng(3)
    for _ in range(40):
        allowed = rng.random((10, 13)) < share
        found = whole_matching(allowed)
        assert len(set(found)) == 10
        assert found.min() >= 0
        rows, columns = linear_sum_assignment(allowed, maximize=True)
        assert allowed[np.arange(10), found].sum() == allowed[rows, columns].sum()
