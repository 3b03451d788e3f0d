"""The same springs measured again: what cancels, what does not, and how often it tells right."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from msgspec.structs import replace
from scipy import stats

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.report.document import document, document_text
from coilbench.analysis.report.set_text import compare_document
from coilbench.analysis.sets.compare import compare_sets
from coilbench.capture.calibration.model import Calibration
from coilbench.capture.calibration.polynomial import PolynomialFit
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, RigReading, Sweep

EMPTY = Branch(np.empty(0), np.empty(0))
SEAT_MM, OPEN_MM = 38.5, 27.6
HEIGHTS = [SEAT_MM, OPEN_MM]


def keyed(label: str, *strokes: tuple[float, float], u_n: float = 0.5) -> SpringCurve:
    heights = np.array([SEAT_MM, OPEN_MM])
    return fit_curve(
        label,
        [
            Sweep("s", label, Origin.KEYED, Branch(heights, np.array(loads)), EMPTY, u_n, 0.0, 0.0)
            for loads in strokes
        ],
    )


def fit(slope: float, u_offset: float, u_slope: float) -> PolynomialFit:
    covariance = ((u_offset**2, 0.0), (0.0, u_slope**2))
    return PolynomialFit((0.0, slope), covariance, 0.0, 0.0, 1.0e6, 9)


CALIBRATION = Calibration(  # good to 2 % and some 0.2 mm: rough on purpose
    load=fit(0.001, 0.3, 2.0e-5), travel=fit(0.001, 0.2, 1.0e-6), flex=None, load_u_relative=0.005
)


def pressed(label: str, rate: float, seed: int, rig: RigReading, noise_n: float) -> SpringCurve:
    """Three strokes on a rig, the way down."""
    rng = np.random.default_rng([seed, len(label)])
    sweeps = []
    for number in range(3):
        height = np.linspace(52.0, 26.0, 400)
        load = rate * (53.0 - height) + rng.normal(0.0, noise_n) + rng.normal(0.0, 0.2, 400)
        sweeps.append(
            Sweep(f"{label}{number}", label, Origin.RIG, Branch(height, load), EMPTY, 0, 0, 0,
                  rig=rig)
        )  # fmt: skip
    return fit_curve(label, sweeps)


WEIGHED_ANEW = replace(CALIBRATION, load=fit(0.001, 0.31, 2.0e-5))


def rig(
    calibration_id: str = "a", made: Calibration = CALIBRATION, *, zero_known: bool = True
) -> RigReading:
    return RigReading(made, calibration_id, 0.0, 0.05, zero_known, 0.005)


def test_one_calibration_cancels_and_another_does_not() -> None:
    before = pressed("s", 16.0, 1, rig(), 0.1)

    def change(rate: float, other: RigReading) -> tuple[float, float, bool]:
        after = pressed("s", rate, 2, other, 0.1)
        compared = compare_sets(("b", "a"), [before], [after], HEIGHTS).springs[0].loads[0]
        assert compared is not None
        return compared.measured.value, compared.measured.u, compared.shared == "all"

    value, u, same = change(15.68, rig())  # 2 % softer: 4.6 N of 232 N
    assert same
    assert value == pytest.approx(-0.32 * (53.0 - SEAT_MM), abs=u)
    assert u < 1.0
    # the full uncertainty of both readings where nothing says that the errors are the same
    after = pressed("s", 15.68, 2, rig("b", WEIGHED_ANEW), 0.1)
    both_n = math.hypot(before.load_at(SEAT_MM).load_u_n, after.load_at(SEAT_MM).load_u_n)
    for other in (rig("b", WEIGHED_ANEW), rig(zero_known=False)):
        _, u, same = change(15.68, other)
        assert not same
        assert u == pytest.approx(both_n, rel=0.15)
        assert u > 5.0


def test_a_datum_set_anew_leaves_the_cells_errors_cancelled() -> None:
    """What is left of 232 and 228 N: the datum's 0.2 mm at some 15.8 N/mm both times, k = 2."""
    before, after = pressed("s", 16.0, 1, rig(), 0.1), pressed("s", 15.68, 2, rig("b"), 0.1)
    (change, _) = compare_sets(("b", "a"), [before], [after], HEIGHTS).springs[0].loads
    assert change is not None
    assert change.shared == "load"
    datum_n = 2.0 * math.hypot(0.2 * 16.0, 0.2 * 15.68)
    assert change.measured.u == pytest.approx(datum_n, rel=0.35)
    assert change.measured.u > 1.05 * datum_n  # and the press's give, not measured, in one of them


def test_a_stroke_alone_brings_what_another_would_have_shown() -> None:
    height = np.linspace(52.0, 26.0, 400)
    alone = [
        fit_curve(
            "s",
            [Sweep(name, "s", Origin.RIG, Branch(height, 16.0 * (53.0 - height)), EMPTY, 0, 0, 0,
                   rig=rig())],
        )
        for name in "ba"
    ]  # fmt: skip
    (change, _) = compare_sets(("b", "a"), alone[:1], alone[1:], HEIGHTS).springs[0].loads
    assert change is not None
    repeat_n = 16.0 * rig().repeat.u_mm  # k = 1, both times
    assert change.measured.u >= 2.0 * math.hypot(repeat_n, repeat_n)


def test_a_mean_change_averages_the_springs_own_errors_only() -> None:
    before = [pressed(f"s{i}", 16.0, i, rig(), 0.3) for i in range(8)]
    after = [pressed(f"s{i}", 15.9, 100 + i, rig(), 0.3) for i in range(8)]
    compared = compare_sets(("b", "a"), before, after, HEIGHTS)
    us = [s.loads[0].measured.u for s in compared.springs if s.loads[0] is not None]
    mean = compared.means[0]
    assert mean is not None
    assert mean.measured.u < 0.7 * float(np.mean(us))
    assert mean.verdict == "lower"
    elsewhere = [pressed(f"s{i}", 15.9, 100 + i, rig("b", WEIGHED_ANEW), 0.3) for i in range(8)]
    mean = compare_sets(("b", "a"), before, elsewhere, HEIGHTS).means[0]
    assert mean is not None
    assert mean.measured.u > 5.0
    assert mean.verdict == "cannot_tell"


def test_the_interval_holds_the_true_change_as_often_as_it_says() -> None:
    """Keyed readings with a normal error of 0.5 N: 95.45 % within k = 2, 1 in 10000 out."""
    rng = np.random.default_rng(8)
    held = 0
    count = 600
    for _ in range(count):
        b, a = rng.normal(0.0, 0.5, (2, 2))
        before, after = keyed("s", (230.0 + b[0], 400.0 + b[1])), keyed("s", (227.0 + a[0], 395.0))
        (change, _) = compare_sets(("b", "a"), [before], [after], HEIGHTS).springs[0].loads
        assert change is not None
        held += abs(change.measured.value + 3.0) <= change.measured.u
    low, high = stats.binom.interval(0.9999, count, math.erf(math.sqrt(2.0)))
    assert low <= held <= high


def test_can_not_tell_is_not_unchanged_and_really_is() -> None:
    before = [keyed(f"s{i}", (230.0, 400.0)) for i in range(3)]
    after = [keyed("s0", (229.0, 400.0)), keyed("s1", (220.0, 400.0)), keyed("s2", (230.0, 404.0))]
    compared = compare_sets(("larch", "larch-after"), before, after, HEIGHTS)
    verdicts = [[one and one.verdict for one in spring.loads] for spring in compared.springs]
    # a change of two readings of 0.5 N each, k = 2: 1.41 N
    assert verdicts == [
        ["cannot_tell", "cannot_tell"],
        ["lower", "cannot_tell"],
        ["cannot_tell", "higher"],
    ]
    assert [spring.changed for spring in compared.springs] == [False, True, True]
    rate = compared.springs[1].rate
    assert rate is not None
    assert rate.measured.value == pytest.approx(10.0 / (SEAT_MM - OPEN_MM))
    assert rate.measured.u == pytest.approx(2.0 * 0.5 * 2.0 / (SEAT_MM - OPEN_MM))
    told = compare_document(compared)
    assert told["springs"][1]["readings"][0]["change_n"] == pytest.approx(-10.0)
    assert json.loads(document_text(told)) == document(told)


def test_like_is_compared_with_like() -> None:
    """One was read on the way down only; the other's mean of both would seem softer by 2 N."""
    heights = np.array(HEIGHTS)
    down = Branch(heights, np.array([232.0, 404.0]))
    up = Branch(heights, np.array([228.0, 396.0]))
    sweep = Sweep("s", "s", Origin.KEYED, down, EMPTY, 0.1, 0.0, 0.0)
    before = fit_curve("s", [sweep])
    after = fit_curve("s", [replace(sweep, unloading=up)])
    (change, _) = compare_sets(("b", "a"), [before], [after], HEIGHTS).springs[0].loads
    assert change is not None
    assert change.measured.value == 0.0


def test_springs_and_heights_that_do_not_match() -> None:
    before = [keyed("s0", (230.0, 400.0)), keyed("s1", (230.0, 400.0))]
    after = [keyed("s1", (230.0, 400.0)), keyed("s9", (230.0, 400.0))]
    compared = compare_sets(("b", "a"), before, after, [SEAT_MM, 20.0])
    assert [spring.label for spring in compared.springs] == ["s1"]
    assert compared.springs[0].loads[1] is None
    assert compared.springs[0].rate is None
    assert compared.means[1] is None
    assert compared.unmatched == ("s0", "s9")
    json.dumps(compare_document(compared), allow_nan=False)
    with pytest.raises(CoilbenchError, match="no measured spring of the same label"):
        compare_sets(("b", "a"), before[:1], after, [SEAT_MM])
    with pytest.raises(CoilbenchError, match="no height"):
        compare_sets(("b", "a"), before, after, [])
