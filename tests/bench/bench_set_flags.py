"""How many tired springs a set check finds, and how often it flags a sound spring.

    python tests/bench/bench_set_flags.py [--sets 200]   the tables, some minutes
    python tests/bench/bench_set_flags.py --levels       the level ratios of sets/outliers.py

Simulated sets, the same ones for every rule, from fixed seeds. Sound springs scatter in rate and
free length; a tired spring's loads are low by a given per cent. Every load is read at two heights
with an error of 0.3 % (k = 1) of its own, which the check is told. Compared with two rules in
use: farther than two standard deviations from the mean (no source), and Grubbs' test
applied once a height at half of 5 % each (SciPy's Student t).

"found" is the share of tired springs called weak; "alarm" the share of sets in which a sound
spring was called weak or stiff. "ESD" is our outlier test alone, without the tolerance; "unsure"
the share of tired springs that the check would not decide on. In the loose set most alarms of
the check are true ones: a sound spring in 300 is more than 5 % from the middle there.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import stats
from scipy.special import stdtr

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.sets.judge import SpringCheck, check_set
from coilbench.analysis.sets.outliers import _most_outliers
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep
from coilbench.capture.virtual.spring import SpringModel, draw_set

Array = NDArray[np.float64]

HEIGHTS_MM = (38.5, 27.6)
FREE_MM, RATE_N_PER_MM = 53.0, 16.0
READING_SHARE = 0.003
EMPTY = Branch(np.empty(0), np.empty(0))


class Scatter(NamedTuple):
    """Standard deviations of sound springs; both sets are invented."""

    name: str
    rate_share: float
    free_mm: float


CLOSE = Scatter("close set (loads within 0.8 %, k = 1)", 0.006, 0.08)
LOOSE = Scatter("loose set (loads within 1.7 %, k = 1)", 0.013, 0.16)


def draw_loads(scatter: Scatter, count: int, tired: int, low: float, seed: int) -> Array:
    """Loads of one set as read, N, shape (count, heights); the first `tired` springs are tired."""
    rng = np.random.default_rng([seed, count, tired, round(1000 * low), 0x5E7])
    rate = RATE_N_PER_MM * rng.normal(1.0, scatter.rate_share, count)
    free = rng.normal(FREE_MM, scatter.free_mm, count)
    loads = rate[:, None] * (free[:, None] - np.array(HEIGHTS_MM))
    loads[:tired] *= 1.0 - low
    return np.asarray(loads * rng.normal(1.0, READING_SHARE, loads.shape))


def curves_of(loads: Array) -> list[SpringCurve]:
    heights = np.array(HEIGHTS_MM)
    return [
        fit_curve(
            f"s{at:02d}",
            [Sweep("", "", Origin.KEYED, Branch(heights, row), EMPTY, 0.0, READING_SHARE, 0.0)],
        )
        for at, row in enumerate(loads)
    ]


# ------------------------------------------------------------------------- the rules
# each says -1 weak, +1 stiff, 0 neither, for every spring


def two_sigma(loads: Array) -> Array:
    away = stats.zscore(loads, axis=0, ddof=1)
    return _sides(np.where(np.abs(away) > 2.0, away, 0.0))


def grubbs_once(loads: Array) -> Array:
    count, heights = loads.shape
    t = stats.t.ppf(1.0 - 0.05 / heights / (2.0 * count), count - 2)
    limit = (count - 1) / np.sqrt(count) * np.sqrt(t**2 / (count - 2 + t**2))
    away = stats.zscore(loads, axis=0, ddof=1)
    farthest = np.abs(away) == np.abs(away).max(axis=0)
    return _sides(np.where(farthest & (np.abs(away) > limit), away, 0.0))


def _sides(away: Array) -> Array:
    worst = np.argmax(np.abs(away), axis=1)
    return np.sign(np.take_along_axis(away, worst[:, None], axis=1)[:, 0])


def ours(springs: tuple[SpringCheck, ...]) -> Array:
    kinds = [{flag.kind for flag in spring.flags} for spring in springs]
    return np.array([-1 if "weak" in k else 1 if "stiff" in k else 0 for k in kinds])


def esd_alone(springs: tuple[SpringCheck, ...]) -> Array:
    """Standing apart, however near to the middle."""
    return np.array(
        [
            next(
                (
                    int(math.copysign(1.0, r.facts["deviations"]))
                    for r in spring.rulings
                    if r.rule == "set outlier" and r.facts["apart"]
                ),
                0,
            )
            for spring in springs
        ]
    )


class Tally:
    """Counts of one rule over many sets."""

    def __init__(self) -> None:
        self.found, self.alarms = 0.0, 0

    def add(self, sides: Array, tired: int) -> None:
        self.found += float(np.mean(sides[:tired] < 0)) if tired else 0.0
        self.alarms += bool(np.any(sides[tired:] != 0))


def measure(scatter: Scatter, count: int, tired: int, low: float, sets: int) -> dict[str, Tally]:
    tallies = {name: Tally() for name in ("check", "ESD", "2 sigma", "Grubbs", "unsure")}
    for seed in range(sets):
        loads = draw_loads(scatter, count, tired, low, seed)
        springs = check_set("s", curves_of(loads), HEIGHTS_MM).springs
        tallies["check"].add(ours(springs), tired)
        tallies["ESD"].add(esd_alone(springs), tired)
        tallies["2 sigma"].add(two_sigma(loads), tired)
        tallies["Grubbs"].add(grubbs_once(loads), tired)
        open_ones = [-1 if "unsure" in {f.kind for f in s.flags} else 0 for s in springs]
        tallies["unsure"].add(np.array(open_ones), tired)
    return tallies


def print_loads(sets: int) -> None:
    for scatter in (CLOSE, LOOSE):
        print(f"\n{scatter.name}; {sets} sets a line; found / alarm in %")
        print("springs tired  low |  check (unsure)     ESD alone     2 sigma      Grubbs once")
        for count in (8, 12, 16):
            for tired, low in [(0, 0.0)] + [(t, p) for t in (1, 2, 3) for p in (0.05, 0.08, 0.12)]:
                row = measure(scatter, count, tired, low, sets)
                cells = []
                for name in ("check", "ESD", "2 sigma", "Grubbs"):
                    found = f"{100 * row[name].found / sets:4.0f}" if tired else "   -"
                    cells.append(f"{found} /{100 * row[name].alarms / sets:5.1f}")
                unsure = f"({100 * row['unsure'].found / sets:3.0f})" if tired else "  ( -)"
                print(
                    f"{count:7d} {tired:5d} {low:4.0%} | {cells[0]} {unsure:>6}   "
                    + "   ".join(cells[1:])
                )


# ------------------------------------------------------------------------- shapes


def pressed(model: SpringModel, label: str, rng: np.random.Generator) -> SpringCurve:
    """A spring pressed three times, sampled densely, with 0.4 N of noise."""
    sweeps = []
    for _ in range(3):
        height = np.concatenate([np.linspace(54.0, 26.5, 400), np.linspace(26.5, 54.0, 400)])
        load = model.pressed_load_n(height) + rng.normal(0.0, 0.4, height.size)
        down, up = Branch(height[:400], load[:400]), Branch(height[400:], load[400:])
        sweeps.append(Sweep("", label, Origin.RIG, down, up, 0.4, 0.001, 0.02))
    return fit_curve(label, sweeps)


def print_shapes(sets: int) -> None:
    print(f"\nshapes, sets of 12 sampled densely, {sets} sets a line")
    nominal = SpringModel(53.0, 16.0, 24.0)
    for cracked in (0, 1, 2):
        found = alarms = 0
        for seed in range(sets):
            models = draw_set(nominal, 12, seed, cracked=cracked)
            rng = np.random.default_rng([seed, cracked, 0x0DD])
            curves = [pressed(model, f"s{at:02d}", rng) for at, model in enumerate(models)]
            springs = check_set("s", curves, HEIGHTS_MM).springs
            odd = [any(flag.kind == "odd" for flag in spring.flags) for spring in springs]
            is_cracked = [model.crack_rate_ratio != 1.0 for model in models]
            found += sum(o and c for o, c in zip(odd, is_cracked, strict=True))
            alarms += any(o and not c for o, c in zip(odd, is_cracked, strict=True))
        told = f"{found} of {cracked * sets} cracked found, " if cracked else ""
        print(f"{cracked} cracked: {told}a sound one called odd in {alarms} of {sets} sets")


# ------------------------------------------------------------------------- levels


def statistics_of_steps(values: Array, most: int) -> Array:
    """Rosner's statistics of many sorted samples at once, shape (samples, most).

    The farthest from the mean is always the smallest or the largest that is left.
    """
    ordered = np.sort(values, axis=1)
    samples, count = ordered.shape
    rows, low, high = np.arange(samples), np.zeros(samples, int), np.full(samples, count - 1)
    sums = np.cumsum(np.pad(ordered, ((0, 0), (1, 0))), axis=1)
    squares = np.cumsum(np.pad(ordered**2, ((0, 0), (1, 0))), axis=1)
    steps = []
    for step in range(most):
        left = count - step
        mean = (sums[rows, high + 1] - sums[rows, low]) / left
        square = squares[rows, high + 1] - squares[rows, low] - left * mean**2
        below, above = mean - ordered[rows, low], ordered[rows, high] - mean
        steps.append(np.maximum(below, above) / np.sqrt(square / (left - 1)))
        high, low = high - (above > below), low + (above <= below)
    return np.array(steps).T


def print_levels(samples: int = 1_000_000, at_once: int = 100_000) -> None:
    """For each size, the level of critical_values that keeps a level, over that level."""
    levels = np.array([0.05, 0.025, 0.0125, 0.005])
    print("values  ratio at", *levels)
    for count in range(5, 31):
        most = _most_outliers(count)
        left = count - np.arange(1.0, most + 1.0)
        rng = np.random.default_rng([count, 0x15D])
        least = []
        for _ in range(samples // at_once):
            r = statistics_of_steps(rng.normal(size=(at_once, count)), most)
            r = np.minimum(r, left / np.sqrt(left + 1.0) * (1.0 - 1e-12))
            t = np.sqrt((left - 1) * (left + 1) * r**2 / (left**2 - (left + 1) * r**2))
            least.append((2.0 * (left + 1.0) * stdtr(left - 1.0, -t)).min(axis=1))
        ratios = np.quantile(np.concatenate(least), levels) / levels
        print(f"{count:6d} ", *(f"{ratio:7.4f}" for ratio in ratios), flush=True)


def main() -> None:
    assert __doc__ is not None
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sets", type=int, default=200, help="sets a line")
    parser.add_argument("--levels", action="store_true", help="only the level ratios")
    chosen = parser.parse_args()
    run: Callable[[], None] = print_levels
    if not chosen.levels:

        def run() -> None:
            print_loads(chosen.sets)
            print_shapes(max(10, chosen.sets // 5))

    run()


if __name__ == "__main__":
    main()
