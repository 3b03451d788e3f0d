"""How often healthy presses are doubted, and how small a slip or shift is that still is seen.

    PYTHONPATH=tests python tests/bench/bench_repeats.py [--healthy N] [--tries N] [--resting N]

Whole captures on simulated rigs, not in real time (rig_clock.py); another rig, spring and hand for
each seed. Healthy: the share of presses with any alarm, question, doubt or refusal. Slips: a set of
one spring, its travel scale slipping either way at a random moment of one press or at rest, or
another spring put in; "seen" is the share of tries in which no press counts that was read wrongly.
With `--no-stop` the quill is taken for one that never comes back to its stop.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from unittest.mock import patch

import numpy as np
from msgspec.structs import replace

from coilbench.capture.blocks import RawBlock
from coilbench.capture.running.stop_watch import StopWatch
from coilbench.capture.virtual.bench import Bench, PressSpring, Rest, Step, StrokeKind, ease
from coilbench.capture.virtual.instrument import RigModel
from coilbench.capture.virtual.spring import INNER, OUTER, draw_set
from rig_clock import Alter, Watched, watch_capture
from support.capture_books import book_maker

TO_MM = 28.0
RIGS = {
    "80/s, filter of 1": (80.0, 1),
    "80/s, filter of 4": (80.0, 4),
    "80/s, filter of 8": (80.0, 8),
    "10/s, filter of 1": (10.0, 1),
    "10/s, filter of 4": (10.0, 4),
}
HANDS = {"steady": StrokeKind.STEADY, "slow": StrokeKind.SLOW}
SIZES_MM = (0.15, 0.2, 0.25, 0.3, 0.5, 0.8)
WEAKER = (0.01, 0.02, 0.03, 0.05)
FINE = {"connected", "rig", "stroke_kept", "set_done"}


def _rig(name: str, seed: int) -> RigModel:
    rate_hz, filtered = RIGS[name]
    true_hz = rate_hz * (1.0 + 0.02 * np.sin(seed))
    return replace(
        RigModel.draw(seed),
        rate_hz=true_hz,
        nominal_rate_hz=rate_hz,
        filter_conversions=filtered,
    )


def _capture(
    rig: RigModel, steps: Sequence[Step], seed: int, *, springs: int, measured: int, alter: Alter
) -> Watched:
    with TemporaryDirectory() as folder:
        book = book_maker(Path(folder))(
            rig, springs=springs, measured=measured, device_id=rig.device_id, name="b.db"
        )
        return watch_capture(book, rig, steps, alter=alter, seed=seed)


def _as_it_is(block: RawBlock) -> RawBlock:
    return block


def healthy(rig_name: str, hand: str, presses: int) -> tuple[int, int, set[str]]:
    """Return presses, how many of them anything was said of, and what."""
    made = doubted = seed = 0
    kinds: set[str] = set()
    while made < presses:
        seed += 1
        rig, nominal = _rig(rig_name, seed), OUTER if seed % 2 else INNER
        steps: list[Step] = [Rest(2.0)]
        for spring in draw_set(nominal, 2, seed):
            steps += [PressSpring(spring, TO_MM, HANDS[hand]), Rest(0.6)] * 5
            steps += [Rest(1.0)]
        seen = _capture(rig, steps, seed, springs=2, measured=4, alter=_as_it_is)
        said = [event.what.kind for _, event in seen.events if event.what.kind not in FINE]
        made, doubted = made + 10, doubted + max(len(said), 10 - seen.counted())
        kinds |= set(said)
    return made, doubted, kinds


LEAST_MM, MOST_MM = 0.2, 3.0  # below its stop, that a hand holds the quill
CHANGE = Rest(2.5)


def resting(rig_name: str, presses: int, *, lets_go: bool) -> tuple[int, int, set[str]]:
    """Return presses of a hand that rests on the lever, how many were lost, and what was asked.

    From the start on, it holds the quill still somewhere below its stop whenever nothing is
    pressed; but at the end, and, where it lets go, at a change of springs.
    """
    made = lost = seed = 0
    kinds: set[str] = set()
    while made < presses:
        seed += 1
        rig = _rig(rig_name, seed)
        kind = StrokeKind.STEADY if rig.rate_hz > 20.0 else StrokeKind.SLOW
        steps: list[Step] = [Rest(2.0)]
        for spring in draw_set(OUTER if seed % 2 else INNER, 2, seed):
            steps += [*[PressSpring(spring, TO_MM, kind), Rest(1.3)] * 5, CHANGE]
        steps[-1] = Rest(4.0)
        up = [CHANGE, Rest(4.0)] if lets_go else [Rest(4.0)]
        held = _held(rig, steps, seed, up)
        seen = _capture(rig, steps, seed, springs=3, measured=4, alter=held)
        made, lost = made + 10, lost + 10 - seen.counted()
        kinds |= {event.what.kind for _, event in seen.events if event.kind == "question"}
    return made, lost, kinds


def _held(rig: RigModel, steps: Sequence[Step], seed: int, up: Sequence[Step]) -> Alter:
    """Return a quill that is held still in each rest but some."""
    rng = np.random.default_rng([seed, 7])
    spans = [one for one in Bench(rig, steps, seed).spans if isinstance(one.step, Rest)]
    held = [
        (one.first_seq / rig.rate_hz, one.end_seq / rig.rate_hz, rng.uniform(LEAST_MM, MOST_MM))
        for one in spans
        if one.step not in up
    ]

    def alter(block: RawBlock) -> RawBlock:
        samples = block.samples.copy()
        t_s = samples["t_us"] * 1e-6
        for from_s, to_s, mm in held:
            share = ease((t_s - from_s) / 0.3) - ease((t_s - to_s) / 0.3)
            least = np.rint(share * mm * rig.travel_counts_per_mm).astype(np.int32)
            samples["travel_counts"] = np.maximum(samples["travel_counts"], least)
        return replace(block, samples=samples)

    return alter


def _slipping(rig: RigModel, from_s: float, by_mm: float, over_s: float) -> Alter:
    def alter(block: RawBlock) -> RawBlock:
        samples = block.samples.copy()
        share = np.clip((samples["t_us"] * 1e-6 - from_s) / over_s, 0.0, 1.0)
        slip = np.rint(share * by_mm * rig.travel_counts_per_mm)
        samples["travel_counts"] -= slip.astype(np.int32)
        return replace(block, samples=samples)

    return alter


Try = Callable[[str, int, float], bool]


def slip_in(press: int, over_s: float) -> Try:
    """Return tries of a scale that slips inside a press, counted from 0; true where it is seen."""

    def made(rig_name: str, seed: int, by_mm: float) -> bool:
        rng, rig = np.random.default_rng(seed), _rig(rig_name, seed)
        spring = draw_set(OUTER if seed % 2 else INNER, 1, seed)[0]
        hand = StrokeKind.STEADY if rig.rate_hz > 20.0 else StrokeKind.SLOW
        steps: list[Step] = [
            Rest(2.0),
            *[PressSpring(spring, TO_MM, hand), Rest(0.8)] * (press + 2),
        ]
        span = [one for one in Bench(rig, steps, seed).spans if isinstance(one.step, PressSpring)]
        begin_s, end_s = span[press].first_seq / rig.rate_hz, span[press].end_seq / rig.rate_hz
        from_s = begin_s + rng.uniform(0.3, 0.7) * (end_s - begin_s)
        slip = _slipping(rig, from_s, by_mm * rng.choice([-1.0, 1.0]), over_s)
        seen = _capture(rig, steps, seed, springs=1, measured=4, alter=slip)
        return seen.counted() <= press

    return made


def shift_at_rest(rig_name: str, seed: int, by_mm: float) -> bool:
    """Try a scale that slips slowly with nothing in the press."""
    rng, rig = np.random.default_rng(seed), _rig(rig_name, seed)
    spring = draw_set(OUTER if seed % 2 else INNER, 1, seed)[0]
    hand = StrokeKind.STEADY if rig.rate_hz > 20.0 else StrokeKind.SLOW
    one: list[Step] = [PressSpring(spring, TO_MM, hand), Rest(0.8)]
    steps: list[Step] = [Rest(2.0), *one * 2, Rest(3.0), *one * 2]
    rests = [span for span in Bench(rig, steps, seed).spans if span.step == Rest(3.0)]
    from_s = rests[0].first_seq / rig.rate_hz
    slip = _slipping(rig, from_s, by_mm * rng.choice([-1.0, 1.0]), 2.0)
    seen = _capture(rig, steps, seed, springs=1, measured=4, alter=slip)
    return seen.counted() == 2


def weaker_spring(rig_name: str, seed: int, share: float) -> bool:
    """Try a weaker spring of the same length in the same label."""
    rig = _rig(rig_name, seed)
    spring = draw_set(OUTER if seed % 2 else INNER, 1, seed)[0]
    other = replace(spring, rate_n_per_mm=(1.0 - share) * spring.rate_n_per_mm)
    hand = StrokeKind.STEADY if rig.rate_hz > 20.0 else StrokeKind.SLOW
    steps: list[Step] = [Rest(2.0)]
    for each in (spring, spring, other):
        steps += [PressSpring(each, TO_MM, hand), Rest(0.8)]
    seen = _capture(rig, steps, seed, springs=1, measured=4, alter=_as_it_is)
    return seen.counted() == 2


TRIES: dict[str, tuple[Try, Sequence[float]]] = {
    "slips at rest, over 2 s": (shift_at_rest, SIZES_MM),
    "slips in the first press, at once": (slip_in(0, 1e-3), SIZES_MM),
    "slips in the first press, over 0.6 s": (slip_in(0, 0.6), SIZES_MM),
    "slips in the third press, at once": (slip_in(2, 1e-3), SIZES_MM),
    "slips in the third press, over 0.6 s": (slip_in(2, 0.6), SIZES_MM),
    "a weaker spring after two presses": (weaker_spring, WEAKER),
}


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--healthy", type=int, default=200)
    parser.add_argument("--tries", type=int, default=40)
    parser.add_argument("--resting", type=int, default=200)
    parser.add_argument("--rig", choices=RIGS, action="append")
    parser.add_argument("--no-stop", action="store_true")
    asked = parser.parse_args()
    rigs = asked.rig or list(RIGS)
    if asked.no_stop:
        patch.object(StopWatch, "look", lambda *_a, **_k: None).start()
    print("| rig | hand | healthy presses | something said | what |\n|---|---|---|---|---|")
    for rig in rigs:
        for hand in HANDS if asked.healthy else ():
            if rig.startswith("80") or hand == "slow":
                made, doubted, kinds = healthy(rig, hand, asked.healthy)
                words = ", ".join(sorted(kinds))
                print(f"| {rig} | {hand} | {made} | {doubted} | {words} |", flush=True)
    print("\n| rig | a hand resting on the lever | presses | lost | asked |")
    print("|---|---|---|---|---|")
    for rig in rigs if asked.resting else ():
        for lets_go, how in ((True, "lets go at a change of springs"), (False, "never lets go")):
            made, lost, kinds = resting(rig, asked.resting, lets_go=lets_go)
            words = ", ".join(sorted(kinds)) or "nothing"
            print(f"| {rig} | {how} | {made} | {lost} | {words} |", flush=True)
    for what, (attempt, sizes) in TRIES.items() if asked.tries else ():
        print(f"\n| {what} | {' | '.join(f'{size:g}' for size in sizes)} |", flush=True)
        print("|---" * (len(sizes) + 1) + "|")
        for rig in rigs:
            shares = [
                np.mean([attempt(rig, seed, size) for seed in range(asked.tries)]) for size in sizes
            ]
            print(f"| {rig} | {' | '.join(f'{share:.0%}' for share in shares)} |", flush=True)


if __name__ == "__main__":
    main()
