"""What more readings by hand help: ± of a load, and how small a change of a whole set is told.

    python tests/bench/bench_hand.py [SHOPS]

A simulated bathroom scale in 0.1 kg steps with 0.2 kg of repeatability that is 0.5 % out (k = 1),
a quill in 0.1 mm steps; springs of 16 N/mm at 27 mm, some 42 kg. `holds` counts 95 % intervals
that hold the truth. A change is that of ten springs, read again off the same scale on another day.
Worlds the budget was not made for: `tails` (Student's t with three degrees of freedom).
"""

from __future__ import annotations

import sys

import numpy as np
from tests.support.hand_shop import FREE_MM, RATE, shop

from coilbench.analysis.sets.compare import compare_sets
from coilbench.capture.unit_factors import KGF_N

OPEN_MM, SPRINGS = 27.0, 10


def main() -> None:
    """Print both tables."""
    shops = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    print("| world | readings a load | ± kg | holds % | drop | told % | mean change holds % |")
    print("|---|---|---|---|---|---|---|")
    for tails in (False, True):
        for repeats in (1, 2, 4):
            for drop in (0.0, 0.01, 0.015):
                row(shops, repeats, drop, tails=tails)


def row(shops: int, repeats: int, drop: float, *, tails: bool) -> None:
    """Print one line."""
    rng = np.random.default_rng(1)
    u_kg, held, told, change_held = [], 0, 0, 0
    for _ in range(shops):
        rates = RATE * (1.0 + rng.normal(0.0, 0.02, SPRINGS))
        gain = 1.0 + rng.normal(0.0, 0.005)
        before, after = (
            shop(rng, rates=each, gain=gain, repeats=repeats, tails=tails, name=name)[0]
            for each, name in ((rates, "before"), ((1.0 - drop) * rates, "after"))
        )
        read = before[0].load_at(OPEN_MM)
        u_kg.append(read.load_u_n / KGF_N)
        held += abs(read.load_n - rates[0] * (FREE_MM - OPEN_MM)) <= read.load_u_n
        (mean,) = compare_sets(("before", "after"), before, after, [OPEN_MM]).means
        assert mean is not None
        told += mean.verdict != "cannot_tell"
        true_n = -drop * float(np.mean(rates)) * (FREE_MM - OPEN_MM)
        change_held += abs(mean.measured.value - true_n) <= mean.measured.u
    shares = [f"{100.0 * each / shops:.0f}" for each in (held, told, change_held)]
    print(
        f"| {'tails' if tails else 'kin'} | {repeats} | {np.mean(u_kg):.2f} | {shares[0]} | "
        f"{drop:.1%} | {shares[1]} | {shares[2]} |",
        flush=True,
    )


if __name__ == "__main__":
    main()
