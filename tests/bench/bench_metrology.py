"""How true is a load, and how true what is said of it? Simulated rigs with known springs.

    python tests/bench/bench_metrology.py [--pairs 200] [--worlds all|usual]

For each rig-spring pair: masses, gauges and a pressed block make the calibration, the spring is
pressed, and the load at the seat's and the open height is compared with the simulation's truth.
Bias and RMSE in N; coverage is the share of 95 % intervals that hold the truth, with its binomial
standard error. The simpler ways are read from the very same data:

- two points: zero and the heaviest mass, two gauges, no press flex, no lag;
- no lag: the whole chain, but the ADC's delay left in;
- scale by eye: a bathroom scale off by 0.5 % (k = 1) read to 0.1 kg, the quill to 0.1 mm, on the
  way down, the press's give not known.

The bound of the rate (Cramer-Rao, for errors that add: JCGM 100:2008, 5.1.2): with friction,
lag and the curve's shape known exactly, there remain (1) the masses' common error, (2) how each
mass was placed, (3) the gauges' errors, seating and steps in the slope of the travel, (4) white
noise and steps in the slope of the samples between both heights, each by least squares, which
attains the bound of a linear model.
"""

from __future__ import annotations

import argparse
import math
import time
from collections.abc import Callable, Iterator, Sequence
from typing import NamedTuple

import msgspec
import numpy as np

from bench_days import GAUGE_U_MM, GAUGES_MM, MASS_U, Day, World, draw_day
from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.curves.lag import undo_lag
from coilbench.capture.calibration.model import Calibration
from coilbench.capture.calibration.polynomial import PolynomialFit
from coilbench.capture.calibration.regression import fit_polynomial
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep, read_stroke
from coilbench.capture.unit_factors import KGF_N
from coilbench.capture.virtual.bench import StrokeKind
from coilbench.capture.virtual.spring import SpringModel
from support.virtual_truth import rate_at

LIFT_MM = 10.9
OPEN_MARGIN_MM = 3.0  # the open height is at least so far above solid
SEAT_SHARE = 0.485  # of the way from free to solid, as on the simulated outer spring

S = StrokeKind
USUAL = World("as drawn")
WORLDS = (
    USUAL,
    World("one stroke a spring", strokes=1),
    World("steady strokes only", hands=(S.STEADY,)),
    World("fast strokes only", hands=(S.FAST,)),
    World("slow strokes only", hands=(S.SLOW,)),
    World("paused, pressed twice", hands=(S.PAUSED, S.DOUBLE)),
    World("a machine's steady hand", tremor=0.0),
    World("a motor, even speed", tremor=0.0, even_speed=True),
    World("a motor, always alike", tremor=0.0, even_speed=True, hands=(S.STEADY,), strokes=1),
    World("each mass errs alone", masses_err_together=False),
    World("filter of 1 conversion", filter_conversions=1),
    World("filter of 8 conversions", filter_conversions=8),
    World("one-pole filter", shape="pole"),
    World("a mere delay", shape="delay"),
    World("10 conversions a second", rate_hz=10.0),
    World("10 a second, steady", rate_hz=10.0, hands=(S.STEADY,)),
    World("10 a second, fast", rate_hz=10.0, hands=(S.FAST,)),
    World("10 a second, slow", rate_hz=10.0, hands=(S.SLOW,)),
    World("turns 0.2 to 0.8 mm below", to_margin_mm=2.4),
    World("steps of 0.05 mm", travel_step_counts=10),
    World("4 times the friction", friction=4.0),
    World("cell bent 10 times more", bend=10.0),
    World("5 times the creep", creep=5.0),
    World("10 times the noise", noise=10.0),
    World("press gives as F^0.8", flex="power"),
    World("masses to 20 kg only", masses_kg=(5.0, 10.0, 20.0)),
    World("3 springs, 5 strokes", springs=3, strokes=5),
)


class Result(NamedTuple):
    """One pair: errors and expanded uncertainties at (seat, open), and the rate's error."""

    error_n: tuple[float, float]
    u_n: tuple[float, float]
    rate_error: float = math.nan
    rate_u: float = math.nan
    rate_bound: float = math.nan


Way = Callable[[Day, int], Result]


def heights_mm(spring: SpringModel) -> tuple[float, float]:
    """Return where the valve seats and where it is open."""
    way = spring.free_length_mm - spring.solid_height_mm
    seat = spring.free_length_mm - SEAT_SHARE * way
    return seat, seat - min(LIFT_MM, seat - spring.solid_height_mm - OPEN_MARGIN_MM)


def sweeps_of(day: Day, calibration: Calibration) -> dict[str, list[Sweep]]:
    """Return the strokes as the book gives them."""
    sweeps: dict[str, list[Sweep]] = {}
    for number, strokes in enumerate(day.strokes):
        label = f"{number:02d}"
        for at, raw in enumerate(strokes):
            press, rig = read_stroke(raw, calibration, "rig")
            down, up = Branch(press.travel_mm + press.flex_mm, press.load_n).split()
            sweeps.setdefault(label, []).append(
                Sweep(f"{label}/{at}", label, Origin.RAW_FILE, down, up, 0.0, 0.0, 0.0, press, rig)
            )
    return sweeps


def judged(day: Day, number: int, curve: SpringCurve) -> Result:
    """Compare a curve with the truth."""
    spring = day.springs[number]
    seat, opened = heights_mm(spring)
    readings = [curve.load_at(h) for h in (seat, opened)]
    true = [float(spring.load_n(h)) for h in (seat, opened)]
    rate = curve.rate_between(seat, opened)
    true_rate = (true[1] - true[0]) / (seat - opened)
    return Result(
        (readings[0].load_n - true[0], readings[1].load_n - true[1]),
        (readings[0].load_u_n, readings[1].load_u_n),
        rate.rate_n_per_mm - true_rate,
        rate.rate_u_n_per_mm,
        rate_bound(day, number, true_rate),
    )


def whole_chain(day: Day, number: int) -> Result:
    """Read as the program does."""
    curves = undo_lag(sweeps_of(day, day.calibration()))
    return judged(day, number, fit_curve("", curves[f"{number:02d}"]))


def without_lag(day: Day, number: int) -> Result:
    """Leave the lag in."""
    sweeps = sweeps_of(day, day.calibration())
    return judged(day, number, fit_curve("", sweeps[f"{number:02d}"]))


def two_points(day: Day, number: int) -> Result:
    """Calibrate by zero and the heaviest mass, by two gauges, without flex and lag."""
    top = max(day.load_points, key=lambda p: p.mass_kg)
    ends = [day.load_points[0], top]
    gauges = [day.gauge_points[0], day.gauge_points[-1]]
    simple = Calibration(
        _through([p.counts for p in ends], [p.mass_kg * KGF_N for p in ends]),
        _through([p.counts for p in gauges], [p.length_mm for p in gauges]),
        None,
        MASS_U / 2.0,
    )
    return judged(day, number, fit_curve("", sweeps_of(day, simple)[f"{number:02d}"]))


def by_eye(day: Day, number: int) -> Result:
    """Read a bathroom scale and the quill; what is claimed is half a step of each, even law."""
    rng = np.random.default_rng(number + round(1e9 * day.rig.counts_per_n) % 2**31)
    spring = day.springs[number]
    gain = 1.0 + 0.005 * rng.normal()
    errors, claims = [], []
    for height in heights_mm(spring):
        shown = round(height / 0.1) * 0.1
        give = float(day.rig.flex_mm(float(spring.load_n(height))))
        at = shown + give + rng.uniform(-0.05, 0.05)
        pushed = float(spring.load_n(at)) * (1.0 + spring.friction_fraction)
        read = round(gain * pushed / KGF_N / 0.1) * 0.1 * KGF_N
        errors.append(read - float(spring.load_n(shown)))
        step = math.hypot(0.1 * KGF_N, 0.1 * rate_at(spring, shown)) / math.sqrt(12.0)
        claims.append(2.0 * step)
    return Result((errors[0], errors[1]), (claims[0], claims[1]))


def _through(x: Sequence[float], y: Sequence[float]) -> PolynomialFit:
    return fit_polynomial(x, y, 1, np.ones(len(x)) * 1e-9)


def rate_bound(day: Day, number: int, rate: float) -> float:
    """Return the least standard error of the rate, as told at the top, N/mm."""
    rig = day.rig
    seat, opened = heights_mm(day.springs[number])
    placings = sum(point.mass_kg > 0.0 for point in day.load_points)
    step_mm = rig.travel_step_counts / rig.travel_counts_per_mm
    gauges = np.array([0.0, *GAUGES_MM])
    errors = np.where(gauges > 0.0, math.hypot(GAUGE_U_MM / 2.0, rig.seating_mm), 0.0)
    weight = 1.0 / (errors**2 + step_mm**2 / 12.0)
    middle = float(np.sum(weight * gauges) / np.sum(weight))
    scale2 = 1.0 / float(np.sum(weight * (gauges - middle) ** 2))
    noise2 = (rig.noise_counts / rig.counts_per_n) ** 2 + (rate * step_mm) ** 2 / 12.0
    spread2 = 0.0
    for raw in day.strokes[number]:
        height = rig.rest_height_mm - raw.samples["travel_counts"] / rig.travel_counts_per_mm
        inside = height[(height >= opened) & (height <= seat)]
        spread2 += float(np.sum((inside - inside.mean()) ** 2)) if inside.size else 0.0
    relative2 = (MASS_U / 2.0) ** 2 + rig.placing_fraction**2 / placings + scale2
    return math.sqrt(rate**2 * relative2 + noise2 / spread2)


class Row(msgspec.Struct, frozen=True):
    """What the table says of one way in one world; (seat, open)."""

    bias_n: tuple[float, float]
    rmse_n: tuple[float, float]
    coverage: tuple[float, float]
    u_n: tuple[float, float]
    rate_coverage: float
    rate_ratio: float
    pairs: int


def row_of(results: Sequence[Result]) -> Row:
    """Sum up."""
    error = np.array([r.error_n for r in results])
    u = np.array([r.u_n for r in results])
    rate = np.array([(r.rate_error, r.rate_u, r.rate_bound) for r in results])

    def both(column: np.typing.NDArray[np.float64]) -> tuple[float, float]:
        return float(column[0]), float(column[1])

    return Row(
        both(error.mean(axis=0)),
        both(np.sqrt(np.mean(error**2, axis=0))),
        both(np.mean(np.abs(error) <= u, axis=0)),
        both(u.mean(axis=0)),
        float(np.mean(np.abs(rate[:, 0]) <= rate[:, 1])),
        float(np.sqrt(np.mean(rate[:, 0] ** 2) / np.mean(rate[:, 2] ** 2))),
        len(results),
    )


def run(world: World, pairs: int, way: Way, first_seed: int = 0) -> Row:
    """Draw as many pairs, all springs of each rig counted."""
    return row_of(list(_results(world, pairs, way, first_seed)))


def _results(world: World, pairs: int, way: Way, first_seed: int) -> Iterator[Result]:
    for seed in range(first_seed, first_seed + -(-pairs // world.springs)):
        day = draw_day(world, seed)
        for number in range(world.springs):
            yield way(day, number)


HEAD = (
    f"{'':26}{'bias N':>13}{'RMSE N':>13}{'U95 N':>13}{'coverage %':>13}{'rate':>12}\n"
    f"{'':26}{'seat  open':>13}{'seat  open':>13}{'seat  open':>13}{'seat  open':>13}"
    f"{'cov  x bound':>14}"
)


def line(name: str, row: Row) -> str:
    """One line of the table."""

    def two(pair: tuple[float, float], form: str) -> str:
        return f"{pair[0]:{form}} {pair[1]:{form}}".rjust(13)

    rate = (
        ""
        if math.isnan(row.rate_ratio)
        else f"{100 * row.rate_coverage:6.1f}  {row.rate_ratio:4.2f}"
    )
    covered = 100 * row.coverage[0], 100 * row.coverage[1]
    return (
        f"{name:26}{two(row.bias_n, '+6.2f')}{two(row.rmse_n, '6.2f')}{two(row.u_n, '6.2f')}"
        f"{two(covered, '6.1f')}{rate:>14}"
    )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pairs", type=int, default=200, help="rig-spring pairs a line")
    parser.add_argument("--worlds", choices=("all", "usual"), default="all")
    given = parser.parse_args()
    began = time.monotonic()
    print(
        f"{given.pairs} rig-spring pairs a line; coverage is known to "
        f"{100 * math.sqrt(0.95 * 0.05 / given.pairs):.1f} % (binomial, k = 1)\n{HEAD}"
    )
    for at, world in enumerate(WORLDS if given.worlds == "all" else (USUAL,)):
        row = run(world, given.pairs, whole_chain, first_seed=10_000 * at)
        print(line(world.name, row), flush=True)
    print("\nsimpler ways, as drawn")
    for name, way in (
        ("two points", two_points),
        ("no lag", without_lag),
        ("scale by eye", by_eye),
    ):
        print(line(name, run(USUAL, given.pairs, way)), flush=True)
    print(f"\n{time.monotonic() - began:.0f} s")


if __name__ == "__main__":
    main()
