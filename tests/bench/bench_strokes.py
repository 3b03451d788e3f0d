"""What is seen in odd strokes, and how often a good stroke is called odd.

    python tests/bench/bench_strokes.py [--rigs 12]     the tables, about a minute

Simulated rigs, springs and hands, other ones for each seed. Each spring is worked twice, then
pressed three times; in all lines but the first the second of these is odd. "named" is the share of
odd strokes that were given the finding's name, "left out" the share that the rule left out, "good
left out" that of the two good ones beside it. In the first lines nothing is wrong: what is named or
left out there is a false alarm. A second table has the worlds of bench_metrology.py, where nothing
is wrong either: rigs, springs and hands of many kinds, with a calibration made on the rig.
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from typing import NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from bench_days import draw_day
from bench_metrology import WORLDS, sweeps_of
from coilbench.analysis.curves.lag import undo_lag
from coilbench.capture.blocks import RawBlock
from coilbench.capture.calibration.model import Calibration
from coilbench.capture.calibration.regression import fit_polynomial
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.stroke_choice import JudgedStroke, judge_strokes
from coilbench.capture.strokes.sweep import Origin, Sweep, read_stroke
from coilbench.capture.virtual.bench import Bench, PressSpring, Rest, Step, StrokeKind
from coilbench.capture.virtual.instrument import RigModel
from coilbench.capture.virtual.spring import INNER, OUTER, SpringModel, draw_set

Array = NDArray[np.float64]
SpringT = TypeVar("SpringT", bound=SpringModel)
WORKED = 2
MARGIN_MM = 1.5


class Slipping(SpringModel, frozen=True):
    """A spring whose end slides off by slip_mm once it is pressed by a share of its deflection."""

    slip_share: float = 0.4
    slip_mm: float = 1.0

    def pressed_load_n(self, height_mm: Array, presses_before: int = 1000) -> Array:
        at_mm = self.free_length_mm - self.slip_share * (self.free_length_mm - self.solid_height_mm)
        slipped = np.maximum.accumulate(height_mm < at_mm)
        return super().pressed_load_n(height_mm + self.slip_mm * slipped, presses_before)


class Askew(SpringModel, frozen=True):
    """A spring that stands askew: touched early by one edge, bowed, so that it rubs and gives."""

    early_mm: float = 1.2
    bowed_share: float = 0.02

    def pressed_load_n(self, height_mm: Array, presses_before: int = 1000) -> Array:
        depth = np.maximum(self.free_length_mm + self.early_mm - height_mm, 0.0)
        edge_n = 0.35 * self.rate_n_per_mm * depth * np.exp(-depth / self.early_mm)
        load_n = super().pressed_load_n(height_mm, presses_before)
        return np.asarray(load_n * (1.0 - self.bowed_share) + edge_n)


class Reseated(SpringModel, frozen=True):
    """A spring seated at another height, or a rig that moved."""

    by_mm: float = 0.8

    def pressed_load_n(self, height_mm: Array, presses_before: int = 1000) -> Array:
        return super().pressed_load_n(height_mm + self.by_mm, presses_before)


def turned_into(model: SpringModel, kind: type[SpringT], **more: float) -> SpringT:
    """Return the same spring as one that does something odd."""
    same = {name: getattr(model, name) for name in SpringModel.__struct_fields__}
    return kind(**(same | more))


def true_calibration(rig: RigModel) -> Calibration:
    """As good as one can be, so that whatever is seen comes from the strokes."""
    load_n = np.linspace(0.0, rig.cell_range_n, 15)
    height_mm = np.linspace(0.0, rig.rest_height_mm, 8)
    counts = (rig.rest_height_mm - height_mm) * rig.travel_counts_per_mm
    return Calibration(
        load=fit_polynomial(rig.cell_counts(load_n), load_n, 2),
        travel=fit_polynomial(counts, height_mm, 1),
        flex=None,
        load_u_relative=0.0,
    )


def pressed(
    rig: RigModel, presses: Sequence[tuple[SpringModel, float, StrokeKind]], seed: int
) -> list[Sweep]:
    """Press springs one after another to heights; the raw strokes, in order."""
    steps: list[Step] = [Rest(1.0)]
    for spring, to_mm, kind in presses:
        steps += [PressSpring(spring, to_mm, kind), Rest(0.4)]
    bench = Bench(rig, steps, seed)
    samples = np.concatenate([block.samples for block in bench.blocks()])
    calibration, lead = true_calibration(rig), round(0.3 * rig.rate_hz)
    sweeps = []
    for span in bench.spans:
        if isinstance(span.step, PressSpring):
            raw = RawBlock(samples[span.first_seq - lead : span.end_seq + lead])
            press, reading = read_stroke(raw, calibration, "true")
            down, up = Branch(press.travel_mm + press.flex_mm, press.load_n).split()
            sweeps.append(
                Sweep(str(len(sweeps)), "s", Origin.RIG, down, up, 0.0, 0.0, 0.0, press, reading)
            )
    return sweeps


def judged(
    sweeps: Mapping[str, Sequence[Sweep]], reach_mm: float | None = None
) -> dict[str, tuple[JudgedStroke, ...]]:
    """Judge the strokes of a set as a set check does, without a word of the user's."""
    undone = undo_lag(sweeps)
    numbers = {one.sweep_id: at + 1 for own in sweeps.values() for at, one in enumerate(own)}
    words = dict.fromkeys(numbers)
    return {label: judge_strokes(own, numbers, words, reach_mm) for label, own in undone.items()}


def three_strokes(
    springs: Sequence[tuple[SpringModel, SpringModel]], kinds: Sequence[StrokeKind], seed: int
) -> list[tuple[JudgedStroke, ...]]:
    """Work each spring twice, then press it three times, the second time as the odd one.

    Args:
        springs: each as it is, and as it is in the odd stroke.
        kinds: how the three are pressed.
        seed: of the rig and the hand.
    """
    presses = []
    for good, odd in springs:
        to_mm = good.solid_height_mm + MARGIN_MM
        presses += [(good, to_mm, StrokeKind.STEADY)] * WORKED
        presses += list(zip((good, odd, good), (to_mm,) * 3, kinds, strict=True))
    sweeps = pressed(RigModel.draw(seed), presses, seed)
    each = WORKED + 3
    by_label = {str(at): sweeps[each * at + WORKED : each * (at + 1)] for at in range(len(springs))}
    reach_mm = max(good.solid_height_mm for good, _ in springs) + MARGIN_MM + 0.5
    return list(judged(by_label, reach_mm).values())


class Case(NamedTuple):
    """A kind of odd stroke, and the name it should get; "" where nothing is wrong."""

    words: str
    name: str
    kinds: tuple[StrokeKind, StrokeKind, StrokeKind]
    odd: type[SpringModel] | None = None
    more: tuple[tuple[str, float], ...] = ()


def _all(kind: StrokeKind) -> tuple[StrokeKind, StrokeKind, StrokeKind]:
    return (kind, kind, kind)


S = StrokeKind.STEADY
STEADY = _all(S)
MIXED = (StrokeKind.FAST, S, StrokeKind.SLOW)
CASES = (
    Case("good, steady", "", STEADY),
    Case("good, fast", "", _all(StrokeKind.FAST)),
    Case("good, slow", "", _all(StrokeKind.SLOW)),
    Case("good, fast, steady and slow", "", MIXED),
    Case("pressed twice", "pressed_twice", (S, StrokeKind.DOUBLE, S)),
    Case("paused", "paused", (S, StrokeKind.PAUSED, S)),
    Case("let go at 45 % of the way", "short", (S, StrokeKind.SHORT, S)),
    Case("slipped by 1 mm", "slipped", STEADY, Slipping),
    Case("slipped by 1 mm, mixed speeds", "slipped", MIXED, Slipping),
    Case("slipped by 0.6 mm", "slipped", STEADY, Slipping, (("slip_mm", 0.6),)),
    Case("askew, rubs three times as much", "cocked", STEADY, Askew, (("rub", 3.0),)),
    Case("askew, gives by 4 %", "cocked", STEADY, Askew, (("bowed_share", 0.04),)),
    Case("sits 0.8 mm lower", "apart", STEADY, Reseated),
    Case("end coils close over 3 mm", "ends_close", STEADY, SpringModel, (("soft_mm", 3.0),)),
)


def odd_one(spring: SpringModel, case: Case) -> SpringModel:
    """Return the spring as it is in the odd stroke."""
    if case.odd is None:
        return spring
    more = dict(case.more)
    rub = more.pop("rub", 1.0)
    more["friction_fraction"] = rub * spring.friction_fraction
    return turned_into(spring, case.odd, **more)


def print_cases(rigs: int) -> None:
    """Odd strokes on drawn rigs."""
    print(f"{4 * rigs} springs a line; shares in %")
    print(f"{'odd stroke':34} named  left out  good: named  left out")
    for case in CASES:
        odd_named = odd_left = good_named = good_left = 0
        for seed in range(rigs):
            drawn = draw_set(OUTER if seed % 2 else INNER, 4, seed, tired=1, cracked=1)
            pairs = [(spring, odd_one(spring, case)) for spring in drawn]
            for one, two, three in three_strokes(pairs, case.kinds, seed):
                odd_named += case.name in {finding.kind for finding in two.findings}
                odd_named += not case.name and bool(two.findings)
                odd_left += not two.kept
                good_named += sum(bool(stroke.findings) for stroke in (one, three))
                good_left += sum(not stroke.kept for stroke in (one, three))
        shares = [100.0 * n / (4 * rigs) for n in (odd_named, odd_left)]
        shares += [100.0 * n / (8 * rigs) for n in (good_named, good_left)]
        print(
            f"{case.words:34} {shares[0]:5.1f} {shares[1]:9.1f} {shares[2]:12.1f} {shares[3]:9.1f}"
        )


def print_worlds(days: int) -> None:
    """Good strokes in worlds of many kinds."""
    print(f"\n{days} days a world; strokes: all, left out, named")
    for world in WORLDS:
        strokes = left = 0
        names: set[str] = set()
        for seed in range(days):
            day = draw_day(world, 900 + seed)
            for own in judged(sweeps_of(day, day.calibration())).values():
                strokes += len(own)
                left += sum(not one.kept for one in own)
                names |= {finding.kind for one in own for finding in one.findings}
        print(f"{world.name:26} {strokes:4d} {left:4d}  {', '.join(sorted(names))}", flush=True)


def main() -> None:
    assert __doc__ is not None
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rigs", type=int, default=12, help="rigs a line, four springs each")
    parser.add_argument("--days", type=int, default=4, help="days a world")
    chosen = parser.parse_args()
    print_cases(chosen.rigs)
    print_worlds(chosen.days)


if __name__ == "__main__":
    main()
