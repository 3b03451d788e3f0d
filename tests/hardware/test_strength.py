"""The script that reckons every loaded part: its sums, its factors, and the page that shows it."""

import math
import sys
from pathlib import Path

import pytest

HARDWARE = Path(__file__).parents[2] / "hardware"
sys.path.insert(0, str(HARDWARE / "parts"))

import strength  # noqa: E402
from measures import TABLE_OF_SPRINGS_MM, Measures, of_spring  # noqa: E402

LEVER_N = 200 * 250 / 15
PARTS = {part.name: part for part in strength.parts(Measures())}


def test_crosshead_is_reckoned_at_its_hole() -> None:
    # A beam on two supports, its middle less the hole for the shank: M = F s / 4, W = b h^2 / 6.
    by_hand = (LEVER_N * 140 / 4) / ((60 - 12.3) * 15**2 / 6)
    assert PARTS["crosshead, less its hole"].stress == pytest.approx(by_hand, rel=1e-6)
    # A bar of 40 mm: sound on both nuts (factor 2.1), at its limit on one, and weak if uneven.
    narrow = Measures(crosshead_w=40)
    thin = {p.name: p for p in strength.parts(narrow)}
    assert thin["crosshead, less its hole"].factor == pytest.approx(2.09, abs=0.01)
    assert thin["the same, nuts 0.05 mm uneven"].factor < strength.LEAST_FACTOR
    assert strength.on_one_nut(narrow).stress == pytest.approx(224.6, abs=0.1)


def test_crosshead_on_one_nut_and_on_uneven_ones() -> None:
    """One nut: M = F L, twice that on both. Uneven: one alone until its end bent by 0.05 mm."""
    one = strength.on_one_nut(Measures())
    assert one.stress == pytest.approx(LEVER_N * 70 / ((60 - 12.3) * 15**2 / 6), rel=1e-6)
    assert one.factor > 1.5
    alone_n = 0.05 * 3 * 210_000 * (60 * 15**3 / 12) / 70**3
    assert strength.first_nut_n(Measures()) == pytest.approx(alone_n)
    page = " ".join((HARDWARE / "MECHANICS.md").read_text(encoding="utf-8").split())
    assert f"{one.stress:.0f} N/mm², factor {one.factor:.1f}" in page
    tools = (HARDWARE / "PARTS.md").read_text(encoding="utf-8")
    assert "| feeler gauge | 0.05, 1.0 |" in tools
    assert "feeler gauge 1.0" in (HARDWARE / "ASSEMBLY.md").read_text(encoding="utf-8")


def test_plate_formula_against_the_integral_of_its_moments() -> None:
    """Centre of a simply supported plate with load on a small circle, from its equilibrium.

    Kirchhoff's plate: phi'' + phi'/r - phi/r^2 = Q(r)/D, Q the shear. Solved here by finite
    differences, M at the centre = D (1 + nu) phi'(0); sigma = 6 M / t^2.
    """
    import numpy as np

    force, edge, load, t, nu = 1000.0, 20.0, 5.0, 8.0, 0.3
    n = 4000
    r = np.linspace(0, edge, n + 1)[1:]
    h = r[1] - r[0]
    inside = np.minimum(r, load) ** 2 / load**2
    shear = force * inside / (2 * math.pi * r)
    matrix = np.zeros((3, n))
    matrix[0, 1:] = 1 / h**2 + 1 / (2 * r[:-1] * h)
    matrix[1] = -2 / h**2 - 1 / r**2
    matrix[2, :-1] = 1 / h**2 - 1 / (2 * r[1:] * h)
    # At the rim M_r = D (phi' + nu phi / r) = 0, by a ghost point beyond it.
    ghost = 1 / h**2 + 1 / (2 * r[-1] * h)
    matrix[1, -1] -= ghost * 2 * h * nu / edge
    matrix[2, -2] += ghost
    from scipy.linalg import solve_banded

    phi = solve_banded((1, 1), matrix, -shear)
    moment = (1 + nu) * abs(phi[0]) / h
    assert strength.plate(force, edge, load, t) == pytest.approx(6 * moment / t**2, rel=0.1)


@pytest.mark.parametrize("spring", TABLE_OF_SPRINGS_MM)
def test_every_part_bears_its_load_twice(spring: tuple[float, float]) -> None:
    m = of_spring(*spring)
    weak = [p.row() for p in strength.parts(m) if p.factor < strength.LEAST_FACTOR]
    assert not weak


def test_page_shows_what_the_script_prints() -> None:
    page = (HARDWARE / "MECHANICS.md").read_text(encoding="utf-8")
    table = "\n".join([strength.HEAD, *(p.row() for p in strength.parts(Measures()))])
    assert table in page
