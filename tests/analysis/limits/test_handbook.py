"""A handbook's rate beside a measured one: textbook examples, and what wrong dimensions do."""

from __future__ import annotations

import math

import pytest

from coilbench.analysis.limits.stress import handbook_rate
from coilbench.analysis.report.limits_text import handbook_text
from coilbench.analysis.report.units import Units
from coilbench.capture.unit_factors import INCH_MM, LBF_N

LBF_PER_IN = LBF_N / INCH_MM


@pytest.mark.parametrize(
    ("wire_in", "coil_in", "active", "rate_lbf_per_in"),
    [(0.037, 0.400, 10.5, 4.13), (0.092, 9 / 16 - 0.092, 21.0, 48.1)],
    ids=["Shigley 10-1", "Shigley 10-4"],
)
def test_shigleys_springs_are_plausible(wire_in, coil_in, active, rate_lbf_per_in) -> None:
    """Shigley, examples 10-1 (4.13 lbf/in; music wire, G 11.85 Mpsi) and 10-4 (48.1 lbf/in).

    Music wire of 0.94 mm has G 81.7 GPa there, a little above the span taken for unknown steel.
    """
    measured = rate_lbf_per_in * LBF_PER_IN
    found = handbook_rate(wire_in * INCH_MM, coil_in * INCH_MM, active, measured, 0.0)
    assert found.agrees
    assert found.rate_n_per_mm == pytest.approx(measured, rel=0.04)
    assert "is plausible" in handbook_text(found, Units("lbf", "in"))


def test_en_13906_sheet_is_inside_what_is_published() -> None:
    """d 5, De 39.6, n 9.5, G 81 500 (the upper end of the span): 16.18 N/mm."""
    found = handbook_rate(5.0, 34.6, 9.5, 16.18, 0.05)
    assert found.agrees
    assert found.rate_n_per_mm * 81_500.0 / 79_350.0 == pytest.approx(16.18, abs=0.005)
    assert found.rate_u_n_per_mm > 16.18 * (81_500.0 - 79_350.0) / 81_500.0


def test_wrong_dimensions_are_named() -> None:
    right = handbook_rate(4.2, 31.0, 4.5, 10.0, 0.0).rate_n_per_mm
    outside = handbook_rate(4.2, 31.0 + 4.2, 4.5, right, 0.1)
    assert not outside.agrees
    assert "outside less wire" in handbook_text(outside, Units())
    coils = handbook_rate(4.2, 31.0, 5.4, right, 0.1)
    words = handbook_text(coils, Units("N", "mm"))
    assert "4.50 active coils" in words
    assert "outside less wire" not in words
    wire = handbook_rate(4.0, 31.0, 4.5, right, 0.1)
    assert "4.20 mm wire" in handbook_text(wire, Units())
    assert math.isclose(wire.rate_n_per_mm / right, (4.0 / 4.2) ** 4)


def test_how_sure_the_handbook_is_by_hand() -> None:
    """G between 77.2 and 81.5 GPa (a rectangle), d to 0.02, D to 0.1 mm, n to 0.1, all k = 1."""
    found = handbook_rate(4.2, 31.0, 4.5, 30.0, 0.0)
    shares = (4.3 / 79.35 / 12**0.5, 4 * 0.02 / 4.2, 3 * 0.1 / 31.0, 0.1 / 4.5)
    assert found.rate_u_n_per_mm / found.rate_n_per_mm == pytest.approx(2.0 * math.hypot(*shares))
