"""Solid height and gaps from wire and coils, against published springs."""

import pytest

from coilbench.analysis.engine.coil import Coil


def test_solid_height_of_a_published_spring() -> None:
    """An EN 13906-1 calculation sheet: d 5 mm, n 9.5, nt 11.5, ends ground: Lc 57.5 mm.

    Shigley, table 10-1, has the same for squared and ground ends: d Nt, Nt = Na + 2.
    """
    assert Coil(5.0, 9.5).solid_height_mm == pytest.approx(57.5)


def test_smallest_sum_of_gaps() -> None:
    """EN 13906-1: Sa = n (0.0015 D^2/d + 0.1 d), times 1.5 under dynamic load; worked by hand.

    The same spring, D = 39.6 - 5 mm: 9.5 (0.0015 * 34.6^2 / 5 + 0.5) = 8.162 mm.
    """
    assert Coil(5.0, 9.5, 34.6).smallest_gap_mm == pytest.approx(1.5 * 8.162, abs=0.001)
    assert Coil(5.0, 9.5).smallest_gap_mm is None
