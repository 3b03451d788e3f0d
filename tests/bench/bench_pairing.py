"""How long pairing takes: 8 x 8 sets x 30 stacks, and what reading each height once saves.

    python tests/bench/bench_pairing.py

Simulated sets of twelve dense sweeps each, from fixed seeds. "readings" are loads read off a
curve, the work that cannot be spared: one for each spring at each height it may stand at. Their
time alone, measured in the same run, is the bound; the ratio is what all else adds: judging,
ranking, reasons, exact shims and cuts.
"""

from __future__ import annotations

import time

import msgspec
import numpy as np

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.curves.not_measured import HeightNotMeasured
from coilbench.analysis.curves.readings import Reading
from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.build_parsing import parse_build
from coilbench.analysis.engine.pairing import pair_sets
from coilbench.analysis.engine.placed import SetCurves
from coilbench.analysis.engine.shims import SeatOptions
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep

SETS, SPRINGS, SAMPLES = 8, 12, 400
SHIMS_MM = (0.25, 0.5, 1.0)


class Counter(msgspec.Struct):
    """Counts the loads that are read, and remembers them."""

    asked: list[tuple[SpringCurve, float]] = msgspec.field(default_factory=list)


def sets_of(role: str, free_mm: float, rate: float, seed: int) -> list[SetCurves]:
    rng = np.random.default_rng([seed, SETS])
    found = []
    for number in range(SETS):
        curves = []
        for spring in range(SPRINGS):
            own_free = free_mm + rng.normal(0.0, 0.5)
            own_rate = rate * rng.normal(1.0, 0.03)
            heights = np.linspace(own_free, 22.0, SAMPLES)
            loads = own_rate * (own_free - heights) + rng.normal(0.0, 0.2, SAMPLES)
            branches = Branch(heights, loads), Branch(heights[::-1], loads[::-1])
            label = f"{role}-{number}-{spring:02}"
            sweep = Sweep("0", label, Origin.CONVERTED_FILE, *branches, 0.5, 0.001, 0.02)
            curves.append(fit_curve(label, [sweep]))
        found.append(SetCurves(f"{role}-{number}", role, tuple(curves), 20.0))
    return found


def plan(outers: list[SetCurves], inners: list[SetCurves]) -> BuildFile:
    stock = "\n".join(f'[[shims]]\nthickness = "{thick} mm"' for thick in SHIMS_MM)
    return parse_build(
        f"""
        [cam]
        name = "card"
        valve_lift = "10 mm"
        seat_load = "330 N"
        seat_tolerance = "20 N"
        open_load = "600 N"
        open_tolerance = "30 N"
        [head]
        installed_height = "40 mm"
        inner_offset = "2 mm"
        max_seat_cut = "1.8 mm"
        [limits]
        coil_bind_margin = "1.2 mm"
        max_shims = 3
        {stock}
        [springs]
        outer = {[each.name for each in outers]}
        inner = {[each.name for each in inners]}
        """,
        "bench.toml",
    )


def count_readings(counter: Counter) -> None:
    """Make SpringCurve.load_at count what it is asked."""
    read = SpringCurve.load_at

    def counted(curve: SpringCurve, height_mm: float) -> Reading:
        counter.asked.append((curve, height_mm))
        return read(curve, height_mm)

    SpringCurve.load_at = counted  # type: ignore[method-assign]


def main() -> None:
    outers, inners = sets_of("outer", 52.0, 18.0, 1), sets_of("inner", 48.0, 9.0, 2)
    build = plan(outers, inners)
    sets = {each.name: each for each in (*outers, *inners)}
    choices = len(SeatOptions.of(build, SPRINGS).alike())
    start = time.perf_counter()
    pairing = pair_sets(build, sets)
    whole_s = time.perf_counter() - start

    counter, read = Counter(), SpringCurve.load_at
    count_readings(counter)
    pair_sets(build, sets)
    SpringCurve.load_at = read  # type: ignore[method-assign]
    start = time.perf_counter()
    for curve, height_mm in counter.asked:
        try:
            curve.load_at(height_mm)
        except HeightNotMeasured:
            continue
    reading_s = time.perf_counter() - start
    blunt = 2 * len(pairing.combinations) * 2 * SPRINGS
    print(f"{len(outers)} x {len(inners)} sets of {SPRINGS} springs x {choices} stacks and cuts")
    print(f"combinations judged       {len(pairing.combinations)}")
    print(f"whole pairing             {whole_s:8.2f} s")
    print(f"readings                  {len(counter.asked)}, in {reading_s:.2f} s (the bound)")
    print(f"whole / bound             {whole_s / reading_s:8.2f}")
    print(f"readings, not remembered  {blunt} for the combinations alone, ", end="")
    print(f"{blunt / len(counter.asked):.1f} times as many")
    fits = sum(each.fits for each in pairing.combinations)
    print(f"fits {fits}, steps of effort {len(pairing.trades)}, pairs answered ", end="")
    print(len(pairing.answers))


if __name__ == "__main__":
    main()
