"""Simulated workshops: a head with unequal valves, sets of springs, and what was read of them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import msgspec
import numpy as np

from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.build_parsing import parse_build
from coilbench.analysis.engine.placed import SetCurves
from coilbench.analysis.engine.reasons import Need
from coilbench.analysis.engine.shims import SeatOptions
from coilbench.analysis.engine.valve_loads import valves_of
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep

LIFT_MM, OFFSET_MM = 10.0, 2.0
OUTER, INNER = ("larch", "rowan"), ("heron", "plover")
U_N = 0.05  # expanded, of a reading: the shops' readings are exact


class Spring(msgspec.Struct, frozen=True):
    """A spring whose load is its rate times its depth, and grows faster by `bend` per mm below."""

    free_mm: float
    rate: float
    bend: float
    knee_mm: float

    def load_n(self, height_mm: float) -> float:
        depth_mm = max(self.free_mm - height_mm, 0.0)
        below_mm = max(self.knee_mm - height_mm, 0.0)
        return self.rate * depth_mm + self.bend * below_mm


class Shop(msgspec.Struct):
    """A shop; `read` are the heights at which each spring was read, by set and label."""

    build: BuildFile
    springs: dict[str, dict[str, Spring]]
    solid_mm: dict[str, float | None]
    read: dict[tuple[str, str], set[float]] = msgspec.field(default_factory=dict)

    def sets(
        self, read: Mapping[tuple[str, str], Iterable[float]] | None = None
    ) -> dict[str, SetCurves]:
        """Return the sets as they were read."""
        known = self.read if read is None else read
        found = {}
        for name, springs in self.springs.items():
            curves, missing = [], []
            for label, spring in springs.items():
                heights_mm = sorted(known.get((name, label), ()), reverse=True)
                if not heights_mm:
                    missing.append(label)
                    continue
                loads_n = [spring.load_n(mm) for mm in heights_mm]
                down = Branch(np.array(heights_mm), np.array(loads_n))
                none = Branch(np.array([]), np.array([]))
                sweep = Sweep("0", label, Origin.KEYED, down, none, U_N / 2, 0.0, 0.0)
                curves.append(fit_curve(label, [sweep], free_length_mm=spring.free_mm))
            role = "outer" if name in OUTER else "inner"
            found[name] = SetCurves(
                name, role, tuple(curves), self.solid_mm[name], None, None, tuple(missing)
            )
        return found

    def all_heights(self) -> dict[tuple[str, str], set[float]]:
        """Return every height at which pairing or assignment may read each spring."""
        valves = valves_of(self.build, 1)
        choices = SeatOptions.of(self.build, len(valves)).mixed()
        found: dict[tuple[str, str], set[float]] = {}
        for name, springs in self.springs.items():
            offset_mm = OFFSET_MM if name in INNER else 0.0
            heights_mm = {
                round(valve.height_mm + choice.height_change_mm - offset_mm - lift_mm, 6)
                for valve in valves
                for choice in choices
                for lift_mm in (0.0, LIFT_MM)
            }
            found |= {(name, label): heights_mm for label in springs}
        return found

    def follow(self, needs: Iterable[Need]) -> int:
        """Read what is asked for; returns how many readings that were."""
        count = 0
        for need in needs:
            if need.kind == "reading" and need.label is not None and need.height_mm is not None:
                self.read.setdefault((need.set_name, need.label), set()).add(need.height_mm)
                count += 1
        return count


def make_shop(seed: int) -> Shop:
    """Make a shop: 3 or 4 valves of unequal height, two outer and two inner sets.

    Read was, of each spring by chance: nothing, the two nominal heights, some heights of the
    plan, or all.
    """
    rng = np.random.default_rng([seed, 12])
    valves = int(rng.integers(3, 5))
    heights = 38.5 + np.round(rng.normal(0.0, 0.3, valves), 1)
    listed = "\n".join(f'"{n + 1}" = "{mm:.1f} mm"' for n, mm in enumerate(heights))
    tolerance = rng.uniform(15.0, 40.0, 2)
    build = parse_build(
        f"""
        [cam]
        name = "card"
        valve_lift = "{LIFT_MM} mm"
        seat_load = "330 N"
        seat_tolerance = "{tolerance[0]:.1f} N"
        open_load = "680 N"
        open_tolerance = "{tolerance[1]:.1f} N"
        [head]
        inner_offset = "{OFFSET_MM} mm"
        {'max_seat_cut = "0.4 mm"' if rng.random() < 0.3 else ""}
        seat_cut_step = "0.2 mm"
        [head.valves]
        {listed}
        [[shims]]
        thickness = "0.5 mm"
        {f"count = {rng.integers(1, 5)}" if rng.random() < 0.5 else ""}
        [limits]
        coil_bind_margin = "1.2 mm"
        [springs]
        outer = {list(OUTER)}
        inner = {list(INNER)}
        """,
        "shop.toml",
    )
    springs = {
        name: _spring_set(rng, name, valves + int(rng.integers(0, 2))) for name in (*OUTER, *INNER)
    }
    solid_mm = {
        name: None if rng.random() < 0.4 else float(rng.uniform(20.0, 24.5)) for name in springs
    }
    shop = Shop(build, springs, solid_mm)
    way = rng.choice(["nominal", "some", "mixed", "all"])
    for key, heights_mm in shop.all_heights().items():
        nominal = 36.5 if key[0] in INNER else 38.5
        own = rng.choice(["none", "nominal", "some", "all"]) if way == "mixed" else way
        picked = {
            "none": set[float](),
            "nominal": {nominal, nominal - LIFT_MM},
            "some": {mm for mm in heights_mm if rng.random() < 0.4},
            "all": heights_mm,
        }[str(own)]
        shop.read[key] = set(picked)
    return shop


def _spring_set(rng: np.random.Generator, name: str, count: int) -> dict[str, Spring]:
    outer = name in OUTER
    free_mm, rate = rng.normal(48.0 if outer else 46.0, 0.5), rng.normal(23.0 if outer else 12.0, 1)
    bend = rng.choice([0.0, 0.0, 0.3]) * rate
    return {
        f"{name}-{n:02}": Spring(
            float(free_mm + rng.normal(0, 0.15)),
            float(rate * rng.normal(1.0, 0.015)),
            float(bend),
            33.0,
        )
        for n in range(1, count + 1)
    }
