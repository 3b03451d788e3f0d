"""What a closing press says of a set in which heights slipped, or of another spring in its place.

    PYTHONPATH=tests python tests/bench/bench_closing.py [--tries N]

Whole captures of three springs on simulated rigs, not in real time (rig_clock.py); another rig,
springs and hand for each seed. A slip comes between the first spring and the second. A softer
spring, worked in, is put in at the end in the first one's place. "covered" is the share of closed
sets in which what slipped is within what the closing press says that it may be.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from msgspec.structs import replace

from bench_repeats import HANDS, TO_MM, _as_it_is, _rig, _slipping
from coilbench.capture.blocks import Finding
from coilbench.capture.strokes.pressed_again import widened_by_mm
from coilbench.capture.virtual.bench import Bench, PressSpring, Rest, Step
from coilbench.capture.virtual.spring import INNER, OUTER, draw_set
from rig_clock import watch_capture
from support.capture_books import book_maker

RIGS = (
    ("80/s, filter of 4", "steady"),
    ("80/s, filter of 1", "slow"),
    ("10/s, filter of 1", "slow"),
)
SLIPS_MM = (0.0, 0.03, 0.05, 0.08)
SOFTER = (0.001, 0.002, 0.003, 0.004, 0.006)
SAID = ("as at first", "widened", "asked", "again", "nothing")


def closing(rig_name: str, hand: str, seed: int, slip_mm: float, softer: float) -> Finding | None:
    """Return what the last press of a set was found to be; None where it was not judged."""
    rig, nominal = _rig(rig_name, seed), OUTER if seed % 2 else INNER
    steps: list[Step] = [Rest(2.0)]
    ends = []
    springs = draw_set(nominal, 3, seed)
    for spring in springs:
        steps += [PressSpring(spring, TO_MM, HANDS[hand]), Rest(1.0)] * 3
        ends.append(len(steps))
    first = springs[0].after(3)
    last = replace(first, rate_n_per_mm=first.rate_n_per_mm * (1.0 - softer))
    steps += [Rest(2.0), PressSpring(last, TO_MM, HANDS[hand]), Rest(3.0)]
    until = [block.samples["t_us"][-1] for block in Bench(rig, steps[: ends[0]], seed).blocks()]
    alter = _slipping(rig, 1e-6 * float(until[-1]), slip_mm, 0.1) if slip_mm else _as_it_is
    with TemporaryDirectory() as folder:
        book = book_maker(Path(folder))(
            rig, springs=3, measured=2, device_id=rig.device_id, name="b.db"
        )
        seen = watch_capture(book, rig, steps, alter=alter, seed=seed, closes=True)
    found = [event.what for _, event in seen.events]
    kinds = ("set_closed", "strokes_in_doubt", "stroke_refused")
    return next((one for one in reversed(found) if one.kind in kinds), None)


def said(found: Finding | None) -> str:
    """Return what that is in the table."""
    if found is None or found.kind != "set_closed":
        kind = None if found is None else found.kind
        return {"strokes_in_doubt": "asked", "stroke_refused": "again"}.get(kind or "", "nothing")
    return "widened" if widened_by_mm(found["moved_mm"], found["u_mm"]) else "as at first"


def row(name: str, found: Sequence[Finding | None], slip_mm: float | None) -> str:
    """Return a line of the table."""
    many = Counter(map(said, found))
    closed = [one for one in found if one is not None and one.kind == "set_closed"]
    most = [(abs(one["moved_mm"]) + one["u_mm"], one["u_mm"], one["load_u_n"]) for one in closed]
    shares = [] if slip_mm is None else [mm >= abs(slip_mm) for mm, _, _ in most]
    covered = f"{np.mean(shares):.0%}" if shares else "-"
    u = " | ".join(f"{value:.3f}" for value in np.median(most, axis=0)[1:]) if most else "- | -"
    return f"| {name} | {' | '.join(str(many[one]) for one in SAID)} | {covered} | {u} |"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--tries", type=int, default=10)
    tries = range(1, parser.parse_args().tries + 1)
    for rig, hand in RIGS:
        print(f"\n| {rig}, {hand} | {' | '.join(SAID)} | covered | ± mm | ± N |\n{'|---' * 9}|")
        for slip_mm in SLIPS_MM:
            ways = [slip_mm, -slip_mm] if slip_mm else [0.0]
            found = [closing(rig, hand, seed, mm, 0.0) for seed in tries for mm in ways]
            print(row(f"slips by ±{slip_mm:g} mm", found, slip_mm), flush=True)
        for softer in SOFTER:
            found = [closing(rig, hand, seed, 0.0, softer) for seed in tries]
            print(row(f"softer by {softer:.1%}", found, None), flush=True)


if __name__ == "__main__":
    main()
