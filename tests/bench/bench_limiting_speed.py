"""How often the limiting speed's interval holds the truth, on standard cam laws.

    OPENBLAS_NUM_THREADS=1 python tests/bench/bench_limiting_speed.py --tables 60

The laws, with exact accelerations, and the valves on them are those of
cam_laws.py; a table is a valve's lifts by 1 or 2 degrees of the
cam, rounded to 0.01 mm or 0.001 in. "too high" counts truths below the interval, the costly side.
"""

from __future__ import annotations

import argparse

import numpy as np

import cam_laws as laws

TABLES = ((1.0, 0.01), (1.0, 0.0254), (2.0, 0.01), (2.0, 0.0254))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--tables", type=int, default=20, help="tables of each law and kind")
    count = parser.parse_args().tables
    print("law                     deg  written mm  held %  too high %  error %   ± %  sharp %")
    for law in (*laws.DWELLS, laws.harmonic, *laws.STEPS):
        for step_deg, written_mm in TABLES:
            rows = []
            for seed in range(count):
                case = laws.Case(law, seed)
                found = case.found(step_deg, written_mm)
                error, u = found.crank_rpm / case.crank_rpm - 1.0, found.crank_rpm_u
                half = u / case.crank_rpm
                rows.append((abs(error) <= half, error > half, error, half, found.sharp))
            held, high, error, half, sharp = 100.0 * np.mean(np.array(rows, dtype=float), axis=0)
            print(
                f"{law.__name__:22} {step_deg:4g} {written_mm:11g} {held:7.1f} {high:11.1f} "
                f"{error:8.2f} {half:5.1f} {sharp:8.0f}",
                flush=True,
            )


if __name__ == "__main__":
    main()
