"""The chain against a Monte Carlo of its inputs (JCGM 101) and the `uncertainties` package."""

from __future__ import annotations

import math

import numpy as np
import pytest
from msgspec.structs import replace
from numpy.typing import NDArray
from uncertainties import correlated_values, ufloat

from bench_days import Day, World, draw_day
from bench_metrology import sweeps_of
from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.curves.lag import _corrected, _Stroke, undo_lag
from coilbench.analysis.curves.not_measured import HeightNotMeasured
from coilbench.analysis.curves.uncertainty import Budget, split
from coilbench.analysis.sets.judge import check_set
from coilbench.capture.calibration.lag import Lag, Presses
from coilbench.capture.calibration.model import Calibration
from coilbench.capture.calibration.polynomial import PolynomialFit
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep, read_stroke

Array = NDArray[np.float64]
WORLD = World("a day", bend=4.0, friction=0.0)  # without friction the turn needs no guess


@pytest.fixture(scope="module")
def day() -> Day:
    """A drawn day whose gauges and masses are rough, so that every input counts."""
    return draw_day(WORLD, 11)


@pytest.fixture(scope="module")
def calibration(day: Day) -> Calibration:
    made = day.calibration()
    assert made.flex is not None
    rough = np.array(made.flex.covariance) * 20.0
    return replace(made, flex=replace(made.flex, covariance=tuple(map(tuple, rough.tolist()))))


@pytest.fixture(scope="module")
def sweeps(day: Day, calibration: Calibration) -> list[Sweep]:
    return undo_lag(sweeps_of(day, calibration))["00"]


@pytest.fixture(scope="module")
def curve(sweeps: list[Sweep]) -> SpringCurve:
    return fit_curve("00", sweeps)


def without(budget: Budget, *sources: str) -> float:
    lines = [line for line in budget.lines if not any(s in line.source for s in sources)]
    return Budget(tuple(lines)).combined_u_n


def drawn(fit: PolynomialFit, rng: np.random.Generator) -> PolynomialFit:
    """The fit as it might have come out: its coefficients from their covariance."""
    covariance = np.array(fit.covariance) / fit.widened**2
    scale = np.sqrt(np.diag(covariance))
    scale[scale == 0.0] = 1.0
    correlation = covariance / np.outer(scale, scale)
    off = rng.multivariate_normal(np.zeros(scale.size), correlation, method="eigh") * scale
    coefficients = np.array(fit.coefficients) + off
    if fit.hidden_bend:
        bend = np.array(fit.hidden_bend) * rng.normal()
        coefficients = np.append(coefficients, 0.0) + bend if bend.size > off.size else coefficients
    return replace(fit, coefficients=tuple(coefficients.tolist()), hidden_bend=())


def monte_carlo(day: Day, calibration: Calibration, lag: Lag, draws: int) -> tuple[Array, Array]:
    """Read the same counts with calibrations and lags as they might be.

    Returns:
        loads at 34 mm and the rates between 40 and 30 mm, shape (draws,) each.
    """
    rng = np.random.default_rng(1)
    loads, rates = np.empty(draws), np.empty(draws)
    assert calibration.flex is not None
    strokes = list(zip(sweeps_of(day, calibration)["00"], day.strokes[0], strict=True))
    for at in range(draws):
        gain = 1.0 + calibration.load_u_relative * rng.normal()
        load = drawn(calibration.load, rng)
        other = Calibration(
            replace(load, coefficients=tuple(gain * c for c in load.coefficients)),
            drawn(calibration.travel, rng),
            drawn(calibration.flex, rng),
            0.0,
        )
        delay_s, spread_s2 = rng.multivariate_normal(
            (lag.delay_s, lag.spread_s2), np.array(lag.covariance)
        )
        other_lag = replace(lag, delay_s=delay_s, spread_s2=max(spread_s2, 0.0))
        read = []
        for sweep, raw in strokes:
            press, _ = read_stroke(raw, other, "other")
            read += _corrected([_Stroke("00", 0, sweep, press)], Presses.of([press]), other_lag)
        curve = fit_curve("00", read)
        loads[at] = curve.load_n_at(34.0)
        rates[at] = curve.rate_between(40.0, 30.0).rate_n_per_mm
    return loads, rates


def test_many_budgets_at_once_are_those_of_single_loads(curve: SpringCurve) -> None:
    at_once = replace(curve)
    heights_mm = np.linspace(curve.lowest_mm, curve.highest_mm, 40)[1:-1].tolist()
    at_once.read(heights_mm)
    for height_mm in heights_mm:
        for one, other in zip(
            at_once.load_at(height_mm).budget.lines,
            curve.load_at(height_mm).budget.lines,
            strict=True,
        ):
            numbers = {"value": one.value, "sensitivity": one.sensitivity}
            assert replace(other, **numbers) == one
            assert numbers == pytest.approx(
                {"value": other.value, "sensitivity": other.sensitivity}, rel=1e-9
            )


def test_the_propagation_is_what_a_monte_carlo_gives(
    day: Day, calibration: Calibration, sweeps: list[Sweep], curve: SpringCurve
) -> None:
    """JCGM 101: propagate the inputs' distributions through the very code that reads strokes.

    200 draws know a standard deviation to 5 % (1/sqrt(2 n)); the bounds are 4 of these and 2 %
    for the steps of the travel, which no draw moves.
    """
    assert sweeps[0].lag is not None
    loads, rates = monte_carlo(day, calibration, sweeps[0].lag, 200)
    reading, rate = curve.load_at(34.0), curve.rate_between(40.0, 30.0)
    left_out = ("scatter", "steps")
    load_u = without(reading.budget, *left_out)
    rate_u = without(rate.budget, *left_out)
    assert float(np.std(loads)) == pytest.approx(load_u, rel=0.22)
    assert float(np.std(rates)) == pytest.approx(rate_u, rel=0.22)
    assert float(np.mean(loads)) == pytest.approx(reading.load_n, abs=0.2 * load_u)


def test_the_lines_are_those_of_the_uncertainties_package(
    calibration: Calibration, curve: SpringCurve
) -> None:
    """First order, coefficients correlated: the load's curve from zero, the travel, the flex."""
    reading = curve.load_at(34.0)
    lines = {line.source: line.contribution_n for line in reading.budget.lines}
    rate = float(np.mean([sweep.read("both", 34.0).slope_n_per_mm for sweep in curve.sweeps]))
    flex = calibration.flex
    assert flex is not None

    def polynomial(fit: PolynomialFit, x: float):
        terms = correlated_values(fit.coefficients, np.array(fit.covariance).tolist())
        return sum(term * x**power for power, term in enumerate(terms))

    give = float(calibration.flex_mm(reading.load_n))
    travel = calibration.travel
    counts = (34.0 - give - travel.coefficients[0]) / travel.coefficients[1]
    assert lines["travel_curve"] == pytest.approx(
        rate * polynomial(travel, counts).s / travel.widened, rel=1e-3
    )
    pressed = polynomial(flex, reading.load_n)
    assert lines["press_flex"] == pytest.approx(rate * pressed.s / flex.widened, rel=1e-2)
    assert lines["masses"] == pytest.approx(
        (ufloat(1, calibration.load_u_relative) * reading.load_n).s, rel=1e-9
    )


def test_a_shared_error_leaves_a_rate_but_for_its_share(curve: SpringCurve) -> None:
    """The masses' common error is the same part of load and rate; the datum leaves the rate."""
    reading, rate = curve.load_at(34.0), curve.rate_between(40.0, 30.0)
    of_load = {line.source: line for line in reading.budget.lines}
    of_rate = {line.source: line for line in rate.budget.lines}
    relative = of_load["masses"].contribution_n / reading.load_n
    assert of_rate["masses"].contribution_n / rate.rate_n_per_mm == pytest.approx(relative)
    datum_n = of_load["travel_steps"].contribution_n
    assert of_rate["travel_steps"].contribution_n < 0.05 * datum_n
    assert rate.rate_u_n_per_mm == rate.budget.expanded_u_n


def test_strokes_have_their_own_part_and_the_rig_the_rest(curve: SpringCurve) -> None:
    budget = curve.load_at(34.0).budget
    own = [line.source for line in budget.lines if not line.shared]
    assert own == ["stroke_scatter"]
    assert math.isfinite(budget.effective_dof)
    measured = split(1.0, budget)
    assert measured.own_u < measured.u


def test_beyond_the_pressed_block_nothing_is_read(day: Day, calibration: Calibration) -> None:
    """A curve of the press's give is not extended: words, and no number."""
    flex = calibration.flex
    assert flex is not None
    spring = day.springs[0]
    top_n = float(spring.load_n(spring.solid_height_mm + 6.0))
    short = replace(calibration, flex=replace(flex, x_max=top_n / 1.05))
    curve = fit_curve("00", undo_lag(sweeps_of(day, short))["00"])
    assert curve.load_at(spring.solid_height_mm + 7.0).load_n > 0.0
    with pytest.raises(HeightNotMeasured) as refused:
        curve.load_at(spring.solid_height_mm + 4.0)
    assert refused.value.finding.reach_n == pytest.approx(top_n)
    assert "rig flex" in str(refused.value.hint)
    assert curve.lowest_mm == pytest.approx(spring.solid_height_mm + 6.0, abs=0.6)


def test_a_press_whose_give_is_not_measured_is_unsure_and_says_so(
    day: Day, calibration: Calibration, curve: SpringCurve
) -> None:
    blind = fit_curve("00", undo_lag(sweeps_of(day, replace(calibration, flex=None)))["00"])
    reading = blind.load_at(34.0)
    assert "flex_unknown" in {note.kind for note in reading.notes}
    assert reading.load_u_n > 5.0 * curve.load_at(34.0).load_u_n
    true_n = float(day.springs[0].load_n(34.0))
    assert abs(reading.load_n - true_n) < reading.load_u_n


def test_a_stroke_without_its_own_zero_is_unsure_and_says_so(
    day: Day, calibration: Calibration
) -> None:
    sweeps = sweeps_of(day, calibration)["00"]
    blind = [replace(s, rig=replace(s.rig, zero_known=False)) for s in sweeps if s.rig is not None]
    reading = fit_curve("00", blind).load_at(34.0)
    assert "zero_unknown" in {note.kind for note in reading.notes}
    assert reading.load_u_n > 2.0


def test_what_keyed_springs_share_stays_in_their_mean() -> None:
    """A scale that reads 1 % too much does so for twelve springs as for one."""
    heights = np.array([38.0, 30.0])
    none = Branch(np.empty(0), np.empty(0))
    curves = [
        fit_curve(
            label,
            [
                Sweep(
                    label, label, Origin.KEYED, Branch(heights, 10.0 * heights), none,
                    load_u_n=2.0, load_u_relative=0.01, height_u_mm=0.0,
                )
            ],
        )
        for label in [f"larch-{n:02d}" for n in range(12)]
    ]  # fmt: skip
    budget = curves[0].load_at(30.0).budget
    shared = [line for line in budget.lines if line.shared]
    assert budget.combined_u_n == pytest.approx(math.hypot(2.0, 3.0))
    assert [line.contribution_n for line in shared] == [pytest.approx(3.0)]  # 1 % of 300 N
    # a mean of 12: what they have each for itself over 12, what is common as it is (JCGM 100, 5.2)
    mean = check_set("larch", curves, [30.0]).summary[0].centre
    assert mean.mean_u == pytest.approx(2.0 * math.hypot(2.0 / math.sqrt(12.0), 3.0), rel=1e-6)


def test_a_datum_set_anew_leaves_the_cells_errors_common(
    day: Day, sweeps: list[Sweep], curve: SpringCurve
) -> None:
    """Strokes of two evenings: the masses' and the cell's errors are the same in all of them."""
    evenings = [
        replace(sweep, rig=None if sweep.rig is None else replace(sweep.rig, calibration_id=name))
        for name, sweep in zip(("one", *["two"] * len(sweeps)), sweeps, strict=False)
    ]
    mixed = fit_curve("00", evenings)

    def line(of: SpringCurve, source: str) -> float:
        (found,) = [one for one in of.load_at(38.0).budget.lines if one.source == source]
        return found.contribution_n

    for source in ("load_curve", "masses", "press_flex"):
        assert line(mixed, source) == pytest.approx(line(curve, source), rel=1e-9)
    assert line(mixed, "travel_curve") < 0.99 * line(curve, "travel_curve")
