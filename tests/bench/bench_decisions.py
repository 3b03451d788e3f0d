"""Whether what is said of a decision is true, on simulated shops that were read in part.

    python tests/bench/bench_decisions.py [SHOPS]

Each shop has unequal valves, four sets, solid heights that are unknown by chance, and springs of
which some heights were read, or none. The truth is the same program with every height read, and a
brute-force count of the valves that can be inside. It prints how often each thing was said, and how
often it was false.
"""

from __future__ import annotations

import itertools
import sys
from collections import Counter

import numpy as np

from coilbench.analysis.choices import EFFORTS
from coilbench.analysis.engine.assignment_levels import assign
from coilbench.analysis.engine.outcomes import Combination
from coilbench.analysis.engine.pairing import pair_sets
from support.shops import LIFT_MM, OFFSET_MM, Shop, make_shop

MOST_ROUNDS = 60


def all_inside(shop: Shop, each: Combination) -> bool:
    """Whether some way of giving springs to valves brings all inside, by trying every way."""
    cam, change_mm = shop.build.cam, each.choice.height_change_mm
    outers, inners = (list(shop.springs[name].values()) for name in (each.outer, each.inner))
    heights_mm = list(shop.build.head.valve_heights_mm.values())

    def inside(valve_mm: float, outer: int, inner: int) -> bool:
        at_mm = valve_mm + change_mm
        seat_n, open_n = (
            outers[outer].load_n(at_mm - drop) + inners[inner].load_n(at_mm - OFFSET_MM - drop)
            for drop in (0.0, LIFT_MM)
        )
        return bool(cam.fits(seat_n, open_n))

    table = np.array(
        [
            [[inside(mm, o, i) for i in range(len(inners))] for o in range(len(outers))]
            for mm in heights_mm
        ]
    )
    for chosen in itertools.permutations(range(len(outers)), len(heights_mm)):
        free = table[np.arange(len(heights_mm)), list(chosen)]
        if not free.any(axis=1).all():
            continue
        for others in itertools.permutations(range(len(inners)), len(heights_mm)):
            if free[np.arange(len(heights_mm)), list(others)].all():
                return True
    return False


def true_sum(shop: Shop, plans: tuple[object, ...]) -> float:
    """The sum of squared misses of an assignment, from the springs' own formula."""
    cam, total = shop.build.cam, 0.0
    for plan in plans:
        at_mm = plan.valve.height_mm + plan.choice.height_change_mm
        outer = shop.springs[plan.outer.springs.name][plan.outer.label]
        inner = shop.springs[plan.inner.springs.name][plan.inner.label]
        loads_n = [
            outer.load_n(at_mm - drop) + inner.load_n(at_mm - OFFSET_MM - drop)
            for drop in (0.0, LIFT_MM)
        ]
        total += cam.distance(*loads_n)
    return total


def judge(shop: Shop, said: Counter[str]) -> None:
    """Count what is said of one shop, and what of it is false."""
    full = {key: set(heights_mm) for key, heights_mm in shop.all_heights().items()}
    sizes = {name: len(springs) for name, springs in shop.springs.items()}
    for each in pair_sets(shop.build, shop.sets()).combinations:
        said[each.verdict] += 1
        bars = {"binds", "margin_low", "some_bind", "too_few_shims"} & {
            reason.kind for reason in each.reasons
        }
        if each.fits and not all_inside(shop, each):
            said[f"{each.verdict}: false"] += 1
        if each.verdict == "misses" and not bars and all_inside(shop, each):
            said["misses: false"] += 1
    truth = assign(shop.build, shop.sets(full), sizes).levels  # at each level of effort
    for best, level in zip(truth, assign(shop.build, shop.sets(), sizes).levels, strict=True):
        said["proven" if level.proven else "not proven"] += 1
        if level.proven and true_sum(shop, level.valves) > best.objective + 1e-3:
            said["proven: false"] += 1
            said["proven: false, most"] = max(
                said["proven: false, most"],
                round(1000 * (true_sum(shop, level.valves) - best.objective)),
            )
    presses = follow(shop, sizes, truth[EFFORTS.index("shims")].objective, said)
    said["presses followed"] += presses


def follow(shop: Shop, sizes: dict[str, int], best: float | None, said: Counter[str]) -> int:
    """Read what is needed until nothing is; returns the readings it took."""
    presses = 0
    for _ in range(MOST_ROUNDS):
        level = assign(shop.build, shop.sets(), sizes, "shims").chosen
        if not level.needs:
            break
        presses += shop.follow(level.needs)
    said["followed to the end" if not level.needs else "followed without end"] += 1
    found = None if not level.valves else true_sum(shop, level.valves)
    same = found is None if best is None else found is not None and found <= best + 1e-3
    said["end equals full knowledge" if same else "end differs"] += 1
    return presses


def main() -> None:
    shops, said = int(sys.argv[1]) if len(sys.argv) > 1 else 200, Counter[str]()
    for seed in range(shops):
        judge(make_shop(seed), said)
    print(f"{shops} shops, seeds 0 to {shops - 1}")
    for what, count in sorted(said.items()):
        print(f"{what:30} {count:6}")


if __name__ == "__main__":
    main()
