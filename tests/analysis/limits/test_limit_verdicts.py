"""Where a build's limits turn over: a case to either side of each, and how grave it is."""

from __future__ import annotations

import math
import re
from typing import get_args

import numpy as np
import pytest
from msgspec.structs import asdict, replace

from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.curves.lengths import FoundHeight
from coilbench.analysis.engine.build_file import BuildFile, WireGiven
from coilbench.analysis.engine.build_parsing import parse_build
from coilbench.analysis.engine.cam import cam_hz
from coilbench.analysis.engine.coil import Coil
from coilbench.analysis.engine.placed import PlacedSet, SetCurves
from coilbench.analysis.engine.shims import SeatChoice
from coilbench.analysis.limits.limits import LimitsReport, assess_limits, set_findings
from coilbench.analysis.limits.spring_limits import (
    LIMIT_RULES,
    HandbookRate,
    LimitFinding,
    LimitKind,
    SetLimits,
    SpringLimits,
)
from coilbench.analysis.limits.stress import PEENED, UNPEENED, coil_mass_g, handbook_rate, masses_g
from coilbench.analysis.limits.valve_motion import LiftTable
from coilbench.analysis.report.document import describe, document
from coilbench.analysis.report.limits_text import SOURCES, handbook_text, limits_text
from coilbench.analysis.report.units import SI, Units
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep

NOTHING = SpringLimits("a", *(None,) * 9)
COIL = Coil(4.0, 5.0, 28.0)
CHROME_SILICON = WireGiven(material="chrome-silicon")


def found(
    spring: SpringLimits,
    rate: HandbookRate | None = None,
    given: WireGiven = CHROME_SILICON,
    margin_mm: float = 9.0,
) -> dict[LimitKind, str]:
    """What is found of one spring of 1000 MPa at a set's heights: kind and severity."""
    one = SetLimits("larch", given, None, 1000.0, None, False, None, rate, (spring,))
    solid = {"a": FoundHeight(20.0, 0.0)}
    larch = SetCurves("larch", "outer", (), None, missing=("a",), solid_by_hand=solid)
    placed = PlacedSet(larch, 39.0, 29.0, 20.0 + margin_mm)
    return {each.kind: each.severity for each in set_findings(one, placed, 1.2)}


def pressed(open_mpa: float, given: WireGiven = CHROME_SILICON) -> dict[LimitKind, str]:
    return found(replace(NOTHING, open_mpa=open_mpa), given=given)


def sound(**known: float) -> dict[LimitKind, str]:
    return found(replace(NOTHING, **({"open_mpa": 500.0} | known)))


def rated(share: float) -> dict[LimitKind, str]:
    """A share of the most that is plausible above the rate of the dimensions."""
    middle = handbook_rate(4.0, 28.0, 5.0, 1.0, 0.0)
    measured = middle.rate_n_per_mm + share * middle.rate_u_n_per_mm
    return found(replace(NOTHING, open_mpa=500.0), handbook_rate(4.0, 28.0, 5.0, measured, 0.0))


@pytest.mark.parametrize(
    ("inside", "outside", "beyond"),
    [
        # A401's elastic limit in torsion, 65 to 75 % of Rm: Shigley, table 10-5
        (pressed(649.0), pressed(651.0), {"stress_near": "unknown"}),
        (pressed(500.0), pressed(751.0), {"stress_elastic": "fails"}),
        # 0.67 Rm, the modulus of rupture in torsion, of a wire that isn't named: Shigley, ch. 10
        (pressed(669.0, WireGiven()), pressed(671.0, WireGiven()), {"stress_rupture": "fails"}),
        # 0.56 Rm, uncorrected, at solid: EN 13906-1
        (
            sound(solid_plain_mpa=559.0),
            sound(solid_plain_mpa=561.0),
            {"stress_solid": "fails"},
        ),
        (sound(fatigue_factor=1.01), sound(fatigue_factor=0.99), {"fatigue_low": "caution"}),
        (
            sound(surge_hz=755.0, surge_ratio=15.1),  # Shigley's fifteen
            sound(surge_hz=745.0, surge_ratio=14.9),
            {"surge_near": "caution"},
        ),
        (rated(0.99), rated(1.01), {"rate_differs": "caution"}),
        (rated(-0.99), rated(-1.01), {"rate_differs": "caution"}),
        (
            found(replace(NOTHING, open_mpa=500.0), margin_mm=1.2),
            found(replace(NOTHING, open_mpa=500.0), margin_mm=1.19),
            {"margin_low": "fails"},
        ),
        (sound(), found(NOTHING), {"stress_unknown": "unknown"}),
    ],
)
def test_a_limit_turns_over_and_is_as_grave_as_it_is(
    inside: dict[LimitKind, str], outside: dict[LimitKind, str], beyond: dict[LimitKind, str]
) -> None:
    assert inside == {}
    assert outside == beyond


def surging(ratio: float) -> str:
    facts = {"set": "larch", "spring": "a", "surge_hz": 500.0, "ratio": ratio}
    return re.sub(r"[\d.]+ times", "", describe(LimitFinding("surge_near", facts), SI))


def test_the_usual_range_of_surge_is_said() -> None:
    """Ordinary valve springs 6 to 11 times the cam's highest frequency: common practice."""
    assert surging(6.1) == surging(10.9)
    assert len({surging(5.9), surging(6.1), surging(11.1)}) == 3
    assert "6 to 11" in surging(8.0)
    assert "no source" in surging(8.0)


HANDBOOK = asdict(handbook_rate(4.0, 28.0, 5.0, 40.0, 0.1))
FACTS = {
    "set": "larch", "spring": "a", "stress_mpa": 900.0, "tensile_mpa": 1000.0, "limit_mpa": 750.0,
    "limit_from_mpa": 650.0, "solid_height_mm": 20.0, "margin_mm": 0.5, "limit_mm": 1.2,
    "valve": "3", "clearance_mm": 0.9, "max_rpm": 6000.0, "speed_rpm": 5000.0, "speed_u_rpm": 90.0,
    "table": "lift.csv", "table_lift_mm": 9.0, "card_lift_mm": 10.0, "fatigue_factor": 0.9,
    "surge_hz": 500.0, "ratio": 8.0, "springs": ("a",), "registered_mm": 20.0, "pressed_mm": 18.0,
    "measured_mm": 21.0,
}  # fmt: skip


@pytest.mark.parametrize("kind", get_args(LimitKind))
def test_every_finding_is_said_in_plain_letters_with_its_rule_and_source(kind: LimitKind) -> None:
    facts = {"set": "larch", **HANDBOOK} if kind == "rate_differs" else FACTS
    finding = LimitFinding(kind, facts)
    words = describe(finding, Units())
    assert finding.rule in words
    assert SOURCES[finding.source] in words
    assert not set(re.findall(r"\b[A-Z]{3,}\b", words)) - {"ISO"}
    told = document(finding)
    assert (told["kind"], told["severity"]) == (kind, LIMIT_RULES[kind].severity)
    assert told["rule"] == finding.rule


# ------------------------------------------------------- a whole build: lift, speed, clearance

BUILD = """[cam]
name = "card"
valve_lift = "10.2 mm"
seat_load = "34 kg"
seat_tolerance = "2 kg"
open_load = "72 kg"
open_tolerance = "3 kg"
max_rpm = 6200
[head]
installed_height = "39 mm"
retainer_clearance = "13 mm"
[springs]
outer = ["larch"]
[wire.larch]
material = "chrome-silicon"
[valve_train]
lift_table = "lift.csv"
weighing_u = "0.5 g"
[valve_train.masses]
valve = "85 g"
"""
DEG = np.arange(1.0, 120.0)
TABLE = LiftTable("lift.csv", "valve", DEG, np.round(5.1 * (1 - np.cos(np.radians(3 * DEG))), 2))


def larch(solid_mm: float = 26.0) -> SetCurves:
    heights_mm = np.array([solid_mm, 50.0])
    down = Branch(heights_mm, 23.0 * (50.0 - heights_mm))
    none = Branch(np.array([]), np.array([]))
    sweep = Sweep("0", "a", Origin.KEYED, down, none, 1.0, 0.0, 0.0)
    return SetCurves("larch", "outer", (fit_curve("a", [sweep], "mean", 50.0),), solid_mm, COIL)


def report(text: str = BUILD, table: LiftTable = TABLE, solid_mm: float = 26.0) -> LimitsReport:
    return assess_limits(build(text), larch(solid_mm), None, SeatChoice(), table)


def build(text: str) -> BuildFile:
    return parse_build(text, "b.toml")


def graves(report: LimitsReport) -> dict[LimitKind, str]:
    return {one.kind: one.severity for one in report.findings if one.severity != "caution"}


def closed_form_rpm() -> float:
    """The harmonic law's greatest slowing is at full lift: w^2 = F/(m a), a = 5.1 * 3^2 mm."""
    mass_kg = 1e-3 * (85.0 + coil_mass_g(4.0, 28.0, 7.0) / 3.0)
    return math.sqrt(23.0 * (50.0 - 28.8) / (mass_kg * 5.1e-3 * 9.0)) / (2.0 * math.pi) * 120.0


def test_a_shortfall_at_the_cards_speed_fails_and_what_is_near_is_not_known() -> None:
    speed = report().valve
    assert speed is not None
    assert speed.speed is not None
    found_rpm, u_rpm = speed.speed.crank_rpm, speed.speed.crank_rpm_u
    assert found_rpm == pytest.approx(closed_form_rpm(), abs=u_rpm)

    def at(rpm: float) -> dict[LimitKind, str]:
        return graves(report(BUILD.replace("max_rpm = 6200", f"max_rpm = {rpm:.3f}")))

    assert at(found_rpm - 1.05 * u_rpm) == {}
    assert at(found_rpm - 0.95 * u_rpm) == {"speed_unsure": "unknown"}
    assert at(found_rpm + 0.95 * u_rpm) == {"speed_unsure": "unknown"}
    assert at(found_rpm + 1.05 * u_rpm) == {"speed_low": "fails"}


def test_what_is_not_given_is_a_verdict_of_its_own() -> None:
    for line in (
        "max_rpm = 6200\n",
        'lift_table = "lift.csv"\n',
        '[valve_train.masses]\nvalve = "85 g"\n',
    ):
        assert line in BUILD
        table = None if "lift_table" in line else TABLE
        without = assess_limits(build(BUILD.replace(line, "")), larch(), None, SeatChoice(), table)
        assert graves(without) == {"speed_unknown": "unknown"}
        assert not without.fails
    no_clearance = report(BUILD.replace('retainer_clearance = "13 mm"\n', ""))
    assert graves(no_clearance)["clearance_unknown"] == "unknown"


@pytest.mark.parametrize(
    ("shut_mm", "solid_mm", "kinds"),
    [
        (11.5, 26.0, set()),  # 1.3 mm left at full lift, the limit
        (11.49, 26.0, {"clearance_low"}),
        (13.0, 27.6, set()),  # 28.8 - 27.6 is the limit of 1.2 mm
        (13.0, 27.61, {"margin_low"}),
        (13.0, 28.81, {"binds"}),
    ],
)
def test_a_margin_that_is_not_kept_fails(
    shut_mm: float, solid_mm: float, kinds: set[LimitKind]
) -> None:
    text = BUILD.replace("6200", "2000").replace('"13 mm"', f'"{shut_mm} mm"')
    one = report(text, solid_mm=solid_mm)
    failures = assess_limits(build(text), larch(solid_mm), None, SeatChoice(), TABLE).failures
    assert {each.kind for each in failures} == kinds
    assert one.failures == failures
    assert one.fails == bool(kinds)


def test_each_valve_may_have_its_own_clearance() -> None:
    own = '[head]\n[head.retainer_clearances]\n"3" = "11.4 mm"\n[head.valves]\n"1" = "39 mm"\n'
    text = BUILD.replace("6200", "2000").replace("[head]\n", own + '"3" = "39 mm"\n')
    text = text.replace('installed_height = "39 mm"\nretainer_clearance = "13 mm"\n', "")
    found = {
        each.kind: each.facts["valve"] for each in report(text).findings if "valve" in each.facts
    }
    assert found == {"clearance_low": "3", "clearance_unknown": ""}
    both = text.replace('"3" = "11.4 mm"', '"3" = "11.4 mm"\n"1" = "13 mm"')
    (low,) = report(both).failures
    assert (low.facts["valve"], low.facts["clearance_mm"]) == ("3", pytest.approx(1.2))
    assert "valve 3" in describe(low, SI)


@pytest.mark.parametrize(
    ("lift_mm", "odd"), [(10.50, False), (10.52, True), (9.90, False), (9.88, True)]
)
def test_a_lift_table_whose_peak_is_not_the_cards_lift_is_found(lift_mm: float, odd: bool) -> None:
    """3 % of 10.2 mm is 0.306 mm; ours. It is found without masses, too."""
    table = replace(TABLE, lift_mm=TABLE.lift_mm / TABLE.lift_mm.max() * lift_mm)
    bare = BUILD.replace('[valve_train.masses]\nvalve = "85 g"\n', "")
    for text in (BUILD.replace("6200", "2000"), bare):
        kinds = [each.kind for each in report(text, table).findings]
        assert ("lift_differs" in kinds) == odd
    lobe = replace(table, of="lobe", lift_mm=table.lift_mm / 1.5)
    geared = BUILD.replace("[valve_train]", '[valve_train]\nrocker_ratio = 1.5\nlash = "0.1 mm"')
    kinds = [each.kind for each in report(geared, lobe).findings]
    assert ("lift_differs" in kinds) == (abs(lift_mm - 0.1 - 10.2) > 0.306)


def test_what_the_results_rest_on_is_said_with_them() -> None:
    lobe = replace(TABLE, of="lobe", lift_mm=(TABLE.lift_mm + 0.1) / 1.5)
    geared = BUILD.replace("[valve_train]", '[valve_train]\nrocker_ratio = 1.5\nlash = "0.1 mm"')
    direct, rocking = report(), report(geared, lobe)
    assert direct.assumed == ("loads_cold",)
    assert rocking.assumed == ("loads_cold", "ratio_constant")
    assert "cold" in limits_text(direct, SI).assumed[0]
    assert "rocker ratio" in limits_text(rocking, SI).assumed[1]


def test_a_rockers_mass_is_explained_where_masses_are_asked_for() -> None:
    bare = BUILD.replace('[valve_train.masses]\nvalve = "85 g"\n', "")
    (asked,) = (one for one in limits_text(report(bare), SI).not_given if "masses" in one)
    assert "moment of inertia" in asked


# ------------------------------------------------------------------------ masses and rates


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
    given = handbook_rate(4.0, 28.0, 5.0, middle, 0.0, 81_500.0)
    assert given.rate_n_per_mm == pytest.approx(middle * 81_500.0 / 79_350.0)
    less = 2.0 * given.rate_n_per_mm * sum(share**2 for share in shares[1:]) ** 0.5
    assert given.rate_u_n_per_mm == pytest.approx(less)


def test_a_shear_modulus_of_the_build_file_makes_the_handbook_rate() -> None:
    """EN 13906-1's sheet: d 5, D 34.6, n 9.5, G 81500: R 16.18 N/mm."""
    text = BUILD.replace("[wire.larch]", '[wire.larch]\nshear_modulus = "81500 MPa"')
    sheet = replace(larch(), coil=Coil(5.0, 9.5, 34.6))
    (one,) = assess_limits(build(text), sheet, None, SeatChoice(), TABLE).sets
    assert one.rate_check is not None
    assert one.rate_check.rate_n_per_mm == pytest.approx(16.18, abs=0.005)
    assert one.geometric_rate_n_per_mm == pytest.approx(16.18, abs=0.005)
    assert "81500 MPa" in handbook_text(one.rate_check, SI)
    (without,) = assess_limits(build(BUILD), sheet, None, SeatChoice(), TABLE).sets
    assert without.rate_check is not None
    assert without.rate_check.rate_n_per_mm == pytest.approx(16.18 * 79_350 / 81_500, abs=0.005)


@pytest.mark.parametrize(
    ("wires", "hinted"), [(0.67, True), (0.63, False), (1.33, True), (1.37, False)]
)
def test_a_mean_coil_off_by_a_wire_is_the_outside_one(wires: float, hinted: bool) -> None:
    middle = 79_350.0 * 4.0**4 / (8.0 * 28.0**3 * 5.0)
    measured = middle * (28.0 / (28.0 - 4.0 * wires)) ** 3
    assert ("outside" in by_hand(measured)) == hinted
