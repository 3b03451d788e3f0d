"""How long a sweep and a set of 16 x 3 take, against the same fits by general routines.

    python tests/bench/bench_curves.py

Ours: `fit_curve` (both branches, contact, coil bind), and `SpringFindings` on top of it (every
rate, the friction loop, the shape's models, with uncertainties). The general way does the same
fits with SciPy's and statsmodels' own calls on the same samples: lowess for either branch, OLS
with Newey and West's errors and RLM (bisquare) in the window of either, a cubic against a line by
an F-test, a knee by curve_fit on the pooled course, parabolas at both ends. It knows no
uncertainty budget.

Processor time, best of some rounds; a ratio below 1 says ours is quicker.
"""

from __future__ import annotations

import argparse
import time
import warnings
from collections.abc import Callable, Sequence

import numpy as np
import statsmodels.api as sm
from numpy.typing import NDArray
from scipy.optimize import curve_fit

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.report.spring import Given, SpringFindings
from coilbench.analysis.sets.judge import check_set
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep
from coilbench.capture.virtual.spring import OUTER, SpringModel, draw_set

Array = NDArray[np.float64]
SPRINGS, STROKES, SAMPLES = 16, 3, 500
HEIGHTS_MM = (38.5, 27.6)
WINDOW_MM = 1.25  # width of a local line


def stroke(spring: SpringModel, samples: int, rng: np.random.Generator) -> Sweep:
    share = np.linspace(0.0, 1.0, samples // 2)
    top, bottom = spring.free_length_mm + 2.0, spring.solid_height_mm + 1.5
    down = top - (top - bottom) * (share - 0.8 * np.sin(2.0 * np.pi * share) / (2.0 * np.pi))
    path = np.concatenate([down, down[::-1]])
    load = spring.pressed_load_n(path) + rng.normal(0.0, 0.3, path.size)
    half = down.size
    ways = Branch(path[:half], load[:half]), Branch(path[half:], load[half:])
    return Sweep("s", "x", Origin.CONVERTED_FILE, *ways, 0.3, 0.001, 0.02)


def general(sweeps: Sequence[Sweep]) -> float:
    """The same fits by general routines; returns their mean, so that nothing is skipped."""
    slopes = []
    for sweep in sweeps:
        for way in (sweep.loading, sweep.unloading):
            height, load = way.height_mm, way.load_n
            span = float(np.ptp(height))
            sm.nonparametric.lowess(load, height, frac=WINDOW_MM / span, it=0, return_sorted=True)
            inside = (height > 33.5) & (height < 44.5)
            design = sm.add_constant(height[inside])
            lags = int(1.3 * np.sqrt(np.count_nonzero(inside)))
            plain = sm.OLS(load[inside], design)
            errors = plain.fit(cov_type="HAC", cov_kwds={"maxlags": lags}).bse
            robust = sm.RLM(load[inside], design, M=sm.robust.norms.TukeyBiweight()).fit()
            slopes.append((robust.params[1], errors[1]))
        low = sweep.loading.load_n < 0.04 * sweep.loading.load_n.max()
        np.polyfit(sweep.loading.load_n[low], sweep.loading.height_mm[low], 2)
        np.polyfit(sweep.loading.height_mm[-20:], sweep.loading.load_n[-20:], 1)
    course = [np.concatenate([w.height_mm for s in sweeps for w in (s.loading, s.unloading)])]
    course.append(np.concatenate([w.load_n for s in sweeps for w in (s.loading, s.unloading)]))
    inside = (course[0] > 27.5) & (course[0] < 48.5)
    x, y = (column[inside] for column in course)
    line, cubic = (sm.OLS(y, np.vander((x - 38.0) / 10.0, n)).fit() for n in (2, 4))
    cubic.compare_f_test(line)
    curve_fit(_knee, x, y, p0=(16.0, 0.5, 240.0, 38.0))
    return float(np.mean(slopes))


def _knee(x: Array, rate: float, more: float, at_n: float, knee_mm: float) -> Array:
    return at_n - rate * (x - knee_mm) + more * np.maximum(knee_mm - x, 0.0)


def best_s(work: Callable[[], object], rounds: int) -> float:
    """Least processor time of some rounds."""
    times = []
    for _ in range(rounds):
        begin = time.process_time()
        work()
        times.append(time.process_time() - begin)
    return min(times)


def one_sweep(rounds: int) -> None:
    print("One sweep, by its samples (both branches together)\n")
    titles = ("samples", "fit ms", "all ms", "general ms", "all/general", "growth")
    print(" ".join(f"{title:>11}" for title in titles))
    before = None
    for samples in (250, 500, 1000, 2000, 4000, 8000, 16000):
        sweep = stroke(OUTER, samples, np.random.default_rng(1))
        fit_s = best_s(lambda s=sweep: fit_curve("x", [s]), rounds)
        all_s = best_s(lambda s=sweep: SpringFindings.of(fit_curve("x", [s]), Given()), rounds)
        general_s = best_s(lambda s=sweep: general([s]), max(rounds // 3, 1))
        growth = "" if before is None else f"{all_s / before:.2f}"
        before = all_s
        numbers = f"{1e3 * fit_s:.2f}", f"{1e3 * all_s:.2f}", f"{1e3 * general_s:.1f}"
        cells = (str(samples), *numbers, f"{all_s / general_s:.3f}", growth)
        print(" ".join(f"{cell:>11}" for cell in cells))
    print("\ngrowth: of `all` for twice the samples; 2 would be in proportion.\n")


def a_set(rounds: int) -> None:
    rng = np.random.default_rng(2)
    sweeps = [
        [stroke(spring, SAMPLES, rng) for _ in range(STROKES)]
        for spring in draw_set(OUTER, SPRINGS, 3, tired=2)
    ]

    def curves() -> list[SpringCurve]:
        return [fit_curve(f"s-{at:02}", own) for at, own in enumerate(sweeps)]

    fitted = curves()
    fit_s = best_s(curves, rounds)
    check_s = best_s(lambda: check_set("s", fitted, HEIGHTS_MM), rounds)
    all_s = best_s(lambda: [SpringFindings.of(curve, Given()) for curve in curves()], rounds)
    general_s = best_s(lambda: [general(own) for own in sweeps], max(rounds // 3, 1))
    print(f"A set of {SPRINGS} x {STROKES} sweeps of {SAMPLES} samples\n")
    for words, seconds in (
        ("all curves fitted", fit_s),
        ("  and the set judged at two heights", fit_s + check_s),
        ("all curves with every finding", all_s),
        ("the same fits by general routines", general_s),
    ):
        print(f"{words:<38}{1e3 * seconds:9.1f} ms{seconds / general_s:9.3f} of general")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=5)
    rounds = parser.parse_args().rounds
    warnings.simplefilter("ignore")  # curve_fit's, of covariances it can't tell
    one_sweep(rounds)
    a_set(rounds)


if __name__ == "__main__":
    main()
