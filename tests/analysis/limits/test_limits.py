"""The whole report: a textbook nest, what isn't given, and the build file's sections."""

import json
import math

import numpy as np
import pytest

from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.engine.build_parsing import parse_build
from coilbench.analysis.engine.coil import Coil
from coilbench.analysis.engine.placed import PlacedSet, SetCurves
from coilbench.analysis.engine.shims import SeatChoice
from coilbench.analysis.limits.limits import LimitsReport, NotGiven, assess_limits
from coilbench.analysis.limits.stress import rate_from_dimensions
from coilbench.analysis.limits.valve_motion import LiftTable, _weakest_force
from coilbench.analysis.report.document import document
from coilbench.analysis.report.limits_text import CAUTIONS, limits_text
from coilbench.analysis.report.units import SI, Units
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep

BASE = """[cam]
name = "card"
valve_lift = "10.2 mm"
seat_load = "34 kg"
seat_tolerance = "2 kg"
open_load = "72 kg"
open_tolerance = "3 kg"
max_rpm = 6200
[head]
installed_height = "39 mm"
[springs]
outer = ["larch"]
"""
FULL = (
    BASE
    + """[wire.larch]
material = "chrome-silicon"
shot_peened = true
[valve_train]
lift_table = "lift.csv"
weighing_u = "0.5 g"
[valve_train.masses]
valve = "60 g"
retainer = "25 g"
"""
)


def spring(label, free, rate, low=15.0):
    h = np.array([low, free])
    none = Branch(np.array([]), np.array([]))
    sweep = Sweep("0", label, Origin.KEYED, Branch(h, rate * (free - h)), none, 1.0, 0.0, 0.0)
    return fit_curve(label, [sweep], "mean", free, None)


def found(report: LimitsReport, units: Units = SI) -> str:
    said = limits_text(report, units)
    return " ".join((*said.verdicts, *said.findings))


LARCH_COIL = Coil(4.0, 5.0, 28.0)


def larch(coil=LARCH_COIL):
    return SetCurves(
        "larch", "outer", (spring("a", 50.0, 30.0), spring("b", 50.0, 33.0)), 28.0, coil
    )


DEG = np.arange(1.0, 120.0)
TABLE = LiftTable("lift.csv", "valve", DEG, np.round(5.1 * (1 - np.cos(np.radians(3 * DEG))), 2))


def test_bhandari_10_19_nest():
    """Bhandari, example 10.19: the inner 15 mm shorter; knee 423.8 N (ours), 1000 N at 24.989."""
    ko, ki = rate_from_dimensions(6, 36, 10, 81370), rate_from_dimensions(5, 30, 8, 81370)
    sets = [
        SetCurves("o", "outer", (spring("o", 100.0, ko, 60.0),), None),
        SetCurves("i", "inner", (spring("i", 85.0, ki, 60.0),), None),
    ]
    lift = np.array([0.0, 15.0, 24.989, 30.0])
    f = _weakest_force([PlacedSet(s, 100.0, 0.0, 0.0) for s in sets], lift)
    # 41 looks over 30 mm are 0.75 mm apart: the knee at 15 lies on one
    assert f.load_n[1] == pytest.approx(423.8, abs=0.1)
    assert f.load_n[2] == pytest.approx(1000.0, abs=0.1)


def test_nothing_given_is_nothing_guessed():
    b = parse_build(BASE.replace("max_rpm = 6200\n", ""), "b.toml")
    r = assess_limits(b, larch(None), None, SeatChoice(), None)
    s = r.sets[0].springs[0]
    assert (s.surge_hz, s.open_mpa, s.fatigue_factor, r.valve) == (None,) * 4
    kinds = [each.kind for each in r.missing]
    assert kinds == [
        "dimensions", "material", "shot_peened", "max_rpm", "lift_table", "masses", "spring_mass",
    ]  # fmt: skip
    assert NotGiven("dimensions", "larch") in r.missing
    said = limits_text(r, SI)
    assert said.cautions == CAUTIONS
    for word in ("active coils of larch", "max_rpm", "lift_table", "masses", "material"):
        assert word in " ".join(said.not_given)


def test_everything_given():
    b = parse_build(FULL, "b.toml")
    r = assess_limits(b, larch(), None, SeatChoice(), TABLE)
    weak, strong = r.sets[0].springs
    assert strong.open_mpa > weak.open_mpa
    assert strong.surge_hz > weak.surge_hz
    assert strong.fatigue_factor < weak.fatigue_factor
    assert weak.surge_ratio == pytest.approx(weak.surge_hz / (6200 / 120))
    mass = 85 + r.sets[0].spring_mass_g / 3
    assert r.valve.mass.mass_g == pytest.approx(mass)
    w = math.sqrt(30 * (11 + 10.2) / (mass * 1e-6 * 5.1 * 9))
    assert r.valve.speed.crank_rpm == pytest.approx(
        w / (2 * math.pi) * 120, abs=r.valve.speed.crank_rpm_u
    )
    json.dumps(document(r), allow_nan=False)


def test_a_rate_that_the_dimensions_do_not_make_is_said_once_for_all_reports():
    """4.0 mm wire, 28 mm coil, 5 coils: G d^4/(8 D^3 n), G 79.35 GPa, is 23.13 N/mm by hand."""
    b = parse_build(BASE, "b.toml")
    (wrong,) = assess_limits(b, larch(), None, SeatChoice(), None).sets
    assert wrong.rate_check.rate_n_per_mm == pytest.approx(23.13, abs=0.01)
    assert wrong.rate_check.measured_n_per_mm == pytest.approx(31.5, rel=1e-3)
    assert not wrong.rate_check.agrees
    thick = larch(Coil(4.0 * (31.5 / 23.13) ** 0.25, 5.0, 28.0))
    right = assess_limits(b, thick, None, SeatChoice(), None)
    assert right.sets[0].rate_check.agrees
    assert "dimensions make" not in found(right)
    one = assess_limits(b, larch(), None, SeatChoice(), None)
    assert "its dimensions make 23.13" in found(one)
    assert "lbf/in" in found(one, Units("lbf", "in"))


def test_a_shim_never_lowers_the_stress():
    b = parse_build(FULL, "b.toml")
    bare, shimmed = (
        assess_limits(b, larch(), None, c, TABLE)
        for c in (SeatChoice(), SeatChoice(shims_mm=(0.5,)))
    )
    assert shimmed.sets[0].springs[0].open_mpa > bare.sets[0].springs[0].open_mpa


def test_mass_of_cam_side_parts():
    """Kinetic energy: a part at 1/1.5 of the valve's speed counts 1/2.25 of its mass."""
    b = parse_build(
        FULL.replace("[valve_train.masses]", "rocker_ratio = 1.5\n[valve_train.masses]")
        + '[valve_train.cam_side_masses]\ntappet = "45 g"\n',
        "b.toml",
    )
    r = assess_limits(b, larch(), None, SeatChoice(), TABLE)
    assert r.valve.mass.mass_g == pytest.approx(85 + 20 + r.sets[0].spring_mass_g / 3)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("[wire.larch]", "[wire.pine]", "wire.pine"),
        ('"chrome-silicon"', '"cheese"', "'cheese' is not in the table"),
        ("shot_peened = true", 'shot_peened = "yes"', "'yes' is not true or false"),
        ('"60 g"', '"60"', "no unit"),
        ('"60 g"', '"-1 g"', "above 0"),
        ("lift_table", "lift_tabel", "unknown key"),
        ("[valve_train.masses]", "[valve_train.cam_side_masses]", "rocker ratio"),
        ('"60 g"', '"60 mm"', "valve_train.masses.valve"),
        ("[wire.larch]", "[wire.larch]\npeened = true", "shot_peened is meant"),
    ],
)
def test_bad_sections(old, new, said):
    with pytest.raises(CoilbenchError) as error:
        parse_build(FULL.replace(old, new), "b.toml")
    assert said in str(error.value)
    assert "line" in str(error.value)


def test_a_sharp_turn_of_the_acceleration_is_said():
    b = parse_build(FULL, "b.toml")
    u = DEG / 60
    rise = np.where(u < 1, np.where(u < 0.5, 2 * u**2, 1 - 2 * (1 - u) ** 2), 0)
    lift = 10.2 * np.where(u < 1, rise, rise[::-1])
    lift[DEG == 60] = 10.2
    step = LiftTable("lift.csv", "valve", DEG, np.round(lift, 2), 0.01)
    said = [found(assess_limits(b, larch(), None, SeatChoice(), t)) for t in (TABLE, step)]
    assert ["turns within less than" in words for words in said] == [False, True]


def test_stress_counts_at_the_lowest_valve_and_force_at_the_highest():
    """Each as if every valve stood at that height, by the same functions."""
    valves = '[head]\n[head.valves]\n"1" = "38.6 mm"\n"2" = "39.4 mm"\n'
    text = FULL.replace('[head]\ninstalled_height = "39 mm"\n', valves)
    b = parse_build(text, "b.toml")
    both = assess_limits(b, larch(), None, SeatChoice(), TABLE)
    low, high = (
        assess_limits(each, larch(), None, SeatChoice(), TABLE)
        for each in (
            parse_build(FULL.replace('"39 mm"', h), "b") for h in ('"38.6 mm"', '"39.4 mm"')
        )
    )
    assert both.sets == low.sets
    assert both.valve == high.valve
    assert low.sets[0].springs[0].open_mpa > high.sets[0].springs[0].open_mpa
    assert low.valve.speed.crank_rpm > high.valve.speed.crank_rpm
    assert "least installed height, 38.60 mm" in found(both)
    assert "installed height" not in found(low)
