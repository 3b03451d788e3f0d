"""Whether what one spring's curve tells is true: contact, rates, friction, shape, on drawn rigs.

    python tests/bench/bench_curve_truth.py [--days 40]

Rigs, springs and hands of bench_days, one spring a day, read through the whole chain as
`coilbench set spring` does. A row a finding: how often it could be told, the mean error, its RMSE,
the mean expanded uncertainty, and how often the interval held the truth (95: right, 100: too wide).
All springs drawn have one rate: "two rates" is false. Only in "turns 0.3 mm below solid" do strokes
reach coil bind: a solid height told elsewhere is false.
"""

from __future__ import annotations

import argparse
from collections import Counter, defaultdict
from collections.abc import Sequence

import msgspec
import numpy as np

from bench_days import World, draw_day
from bench_metrology import WORLDS, heights_mm, sweeps_of
from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.curves.lag import undo_lag
from coilbench.analysis.report.spring import Given, SpringFindings

NAMES = (
    "as drawn",
    "one stroke a spring",
    "fast strokes only",
    "paused, pressed twice",
    "a mere delay",
    "10 a second, slow",
    "steps of 0.05 mm",
    "4 times the friction",
    "10 times the noise",
    "press gives as F^0.8",
)
BOUND = World("turns 0.3 mm below solid", to_margin_mm=-0.3)


class Truths(msgspec.Struct):
    """Errors and expanded uncertainties by finding, and the shapes named."""

    days: int
    pairs: dict[str, list[tuple[float, float]]] = msgspec.field(
        default_factory=lambda: defaultdict(list)
    )
    shapes: Counter[str] = msgspec.field(default_factory=Counter)

    def coverage(self, finding: str) -> float:
        """Share of intervals that held the truth."""
        return float(np.mean([abs(error) <= u for error, u in self.pairs[finding]]))


def truths(world: World, seeds: Sequence[int]) -> Truths:
    """Simulate some days and compare each finding with the truth."""
    found = Truths(len(seeds))
    for seed in seeds:
        day = draw_day(world, seed)
        spring = day.springs[0]
        curve = fit_curve("00", undo_lag(sweeps_of(day, day.calibration()))["00"])
        told = SpringFindings.of(curve, Given(), heights_mm=heights_mm(spring))
        if curve.contact is not None:
            error = curve.contact.height_mm - spring.free_length_mm
            found.pairs["contact, mm"].append((error, curve.contact.height_u_mm))
        for each in told.rates:
            top, bottom = (float(spring.load_n(mm)) for mm in (each.top_mm, each.bottom_mm))
            error = each.rate.rate_n_per_mm - (bottom - top) / (each.top_mm - each.bottom_mm)
            found.pairs[f"{each.method}, N/mm"].append((error, each.rate.rate_u_n_per_mm))
        if told.loop is not None:
            error = told.loop.share - 2.0 * spring.friction_fraction
            found.pairs["loop, share"].append((error, told.loop.share_u))
        found.shapes[told.shape.kind] += 1
        if curve.bind is not None:
            error = curve.bind.height_mm - spring.solid_height_mm
            found.pairs["solid, mm"].append((error, curve.bind.height_u_mm))
    return found


def show(name: str, found: Truths) -> None:
    """Print one world's table."""
    shapes = ", ".join(f"{kind} {count}" for kind, count in found.shapes.most_common())
    print(f"\n{name}: {shapes}")
    print(f"  {'':22}{'told %':>8}{'bias':>10}{'RMSE':>10}{'U95':>10}{'held %':>8}")
    for finding, pairs in found.pairs.items():
        error, u = np.array(pairs).T
        told, held = 100.0 * len(pairs) / found.days, 100.0 * found.coverage(finding)
        rmse = float(np.sqrt(np.mean(error**2)))
        numbers = "".join(f"{number:10.4f}" for number in (error.mean(), rmse, u.mean()))
        print(f"  {finding:22}{told:8.0f}{numbers}{held:8.1f}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=40)
    days = parser.parse_args().days
    for world in WORLDS:
        if world.name in NAMES:
            show(world.name, truths(world, range(3000, 3000 + days)))
    show(BOUND.name, truths(BOUND, range(3000, 3000 + days)))


if __name__ == "__main__":
    main()
