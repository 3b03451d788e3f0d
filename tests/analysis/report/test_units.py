"""Quantities in the units that a person wants to see."""

from __future__ import annotations

import pytest

from coilbench.analysis.report.units import Units


@pytest.mark.parametrize(
    ("units", "text"),
    [(Units("kg", "mm"), "1034 MPa"), (Units("N", "in"), "150.0 ksi"), (Units("lbf"), "150.0 ksi")],
)
def test_a_stress_is_in_ksi_beside_pounds_or_inches(units: Units, text: str) -> None:
    """1 lbf/in2 is 6.894757 kPa: NIST SP 811, appendix B.8, which rounds it so."""
    assert units.quantity("stress_mpa", 150.0 * 6.894757) == text
    assert units.stress_text(None).startswith("-")
