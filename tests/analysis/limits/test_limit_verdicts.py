"""Where the words of a build's limits turn over: a case to either side of each limit.

Only that the sentence is another one is tested, not how it is worded.
"""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from coilbench.analysis.engine.build_file import WireGiven
from coilbench.analysis.engine.coil import Coil
from coilbench.analysis.engine.shims import SeatChoice
from coilbench.analysis.limits.limits import LimitsReport, SetLimits, SpringLimits
from coilbench.analysis.limits.stress import (
    PEENED,
    UNPEENED,
    HandbookRate,
    cam_hz,
    coil_mass_g,
    handbook_rate,
    masses_g,
)
from coilbench.analysis.limits.valve_motion import MovedMass, ValveFloat
from coilbench.analysis.report.limits_text import handbook_text, limits_text
from coilbench.analysis.report.units import Units

NOTHING = SpringLimits("a", *(None,) * 9)


def said(
    spring: SpringLimits, rate: HandbookRate | None = None, lift_mm: float = 10.0
) -> list[str]:
    """The findings without their numbers."""
    larch = SetLimits("larch", WireGiven(), None, 1000.0, None, False, None, rate, (spring,))
    valve = ValveFloat(MovedMass(100.0, 1.0), lift_mm, 0.0, 0.0, None, None)
    report = LimitsReport(
        "b", SeatChoice(), 6000.0, 10.0, (39.0, 39.0), (larch,), valve, ()
    )  # fmt: skip
    return [re.sub(r"[\d.]+", "", words) for words in limits_text(report, Units()).findings]


def surging(ratio: float) -> list[str]:
    return said(replace(NOTHING, surge_hz=50.0 * ratio, surge_ratio=ratio))


def solid(plain_mpa: float) -> list[str]:
    return said(replace(NOTHING, solid_plain_mpa=plain_mpa, solid_mpa=plain_mpa * 1.2))


def tired(factor: float) -> list[str]:
    return said(replace(NOTHING, fatigue_factor=factor))


def rated(share: float) -> list[str]:
    """A share of the most that is plausible above the rate of the dimensions."""
    middle = handbook_rate(4.0, 28.0, 5.0, 1.0, 0.0)
    measured = middle.rate_n_per_mm + share * middle.rate_u_n_per_mm
    return said(NOTHING, handbook_rate(4.0, 28.0, 5.0, measured, 0.0))


@pytest.mark.parametrize(
    ("inside", "outside"),
    [
        (surging(10.1), surging(9.9)),  # common practice's ten
        (surging(15.1), surging(14.9)),  # Shigley's fifteen
        (solid(559.0), solid(561.0)),  # 0.56 of 1000 MPa: EN 13906-1
        (tired(1.01), tired(0.99)),
        (rated(0.99), rated(1.01)),
        (rated(-0.99), rated(-1.01)),
        (said(NOTHING, lift_mm=10.29), said(NOTHING, lift_mm=10.31)),  # 3 %
        (said(NOTHING, lift_mm=9.71), said(NOTHING, lift_mm=9.69)),
    ],
)
def test_another_thing_is_said_beyond_a_limit(inside: list[str], outside: list[str]) -> None:
    assert inside != outside


def test_the_same_is_said_on_one_side_of_a_limit() -> None:
    assert surging(10.1) == surging(14.9)
    assert surging(15.1) == surging(60.0)
    assert surging(1.0) == surging(9.9)
    assert solid(100.0) == solid(559.0)
    assert rated(0.0) == rated(0.99)
    assert said(NOTHING, lift_mm=10.0) == said(NOTHING, lift_mm=10.29)


def test_zimmerlis_strengths_are_shigleys() -> None:
    """35 and 55 kpsi unpeened, 57.5 and 77.5 peened (Shigley, chapter 10), in MPa."""
    strengths = (*UNPEENED, *PEENED)
    assert [round(each) for each in strengths] == [241, 379, 396, 534]


def test_a_camshaft_turns_once_for_two_turns_of_the_crank() -> None:
    assert cam_hz(6000.0) == 50.0


def test_masses_of_coils() -> None:
    """pi^2 d^2 D N rho/4 with 7850 kg/m^3; of a whole spring five coils of seven work."""
    assert coil_mass_g(4.0, 28.0, 7.0) == pytest.approx(
        9.8696 * 16 * 28 * 7 / 4 * 7.85e-3, rel=1e-4
    )
    assert masses_g(COIL, 70.0) == pytest.approx((70.0, 50.0))


COIL = Coil(4.0, 5.0, 28.0)


def by_hand(measured: float) -> str:
    found = handbook_rate(COIL.wire_mm, 28.0, COIL.active_coils, measured, 0.0)
    return handbook_text(found, Units())


def test_a_rate_is_plausible_within_what_steel_and_a_caliper_leave_open() -> None:
    """Moduli from 77 200 to 81 500 MPa; 0.02 mm of wire, 0.1 mm of coil, 0.1 of a coil, k = 1."""
    middle = 79_350.0 * 4.0**4 / (8.0 * 28.0**3 * 5.0)
    shares = (4300 / 79_350 / 12**0.5, 4 * 0.02 / 4.0, 3 * 0.1 / 28.0, 0.1 / 5.0)
    u = 2.0 * middle * sum(share**2 for share in shares) ** 0.5
    found = handbook_rate(4.0, 28.0, 5.0, middle, 0.0)
    assert found.rate_n_per_mm == pytest.approx(middle)
    assert found.rate_u_n_per_mm == pytest.approx(u)
    assert handbook_rate(4.0, 28.0, 5.0, middle + 0.99 * u, 0.0).agrees
    assert not handbook_rate(4.0, 28.0, 5.0, middle + 1.01 * u, 0.0).agrees


@pytest.mark.parametrize(
    ("wires", "hinted"), [(0.67, True), (0.63, False), (1.33, True), (1.37, False)]
)
def test_a_mean_coil_off_by_a_wire_is_the_outside_one(wires: float, hinted: bool) -> None:
    middle = 79_350.0 * 4.0**4 / (8.0 * 28.0**3 * 5.0)
    measured = middle * (28.0 / (28.0 - 4.0 * wires)) ** 3
    assert ("outside" in by_hand(measured)) == hinted
