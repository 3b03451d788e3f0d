"""Calibration readings taken from a live source, hands free: wait for each steady hold."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence

from coilbench.capture.blocks import UNUSABLE, RawBlock
from coilbench.capture.calibration.points import FlexPoint, GaugePoint, LoadPoint
from coilbench.capture.calibration.regression import PolynomialFit, value
from coilbench.capture.calibration.steady import Hold, SteadyFinder
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.messages import Item, Restarted
from coilbench.capture.sources.base import Source

Say = Callable[[str], None]

PIECE = 16  # samples: a step that ends inside a large block leaves the rest for the next step
SILENCE_S = 3.0
HOLD_S = 1.5
EMPTY_SDS = 10.0  # closer to the empty cell's reading than this is still empty
STOP_COUNTS = 20.0  # closer to the upper stop than this is still there
BLOCK_END_SHARE = 0.05  # of the largest load: below it the block is let go


def sample_stream(
    source: Source, seen: Sequence[Item] = (), *, clock: Callable[[], float] = time.monotonic
) -> Iterator[RawBlock]:
    """Yield the source's samples in small pieces, for ever.

    Args:
        source: an open source.
        seen: what came while it was asked who it is; it is looked at first.
        clock: monotonic, s.

    Raises:
        CoilbenchError: no sample for 3 s, the rig restarted, or the source went away.
    """
    heard_s = clock()
    items = list(seen)
    while True:
        blocks = [item for item in items if isinstance(item, RawBlock)]
        if blocks:
            heard_s = clock()
        elif clock() - heard_s > SILENCE_S:
            raise CoilbenchError(
                f"no sample for {SILENCE_S:g} s",
                where=source.url,
                mend="Check the cable and the rig's power, then: coilbench rig find",
            )
        for block in blocks:
            for start in range(0, len(block), PIECE):
                yield RawBlock(block.samples[start : start + PIECE], block.boot_id)
        items = source.poll(0.1)
        if any(isinstance(item, Restarted) for item in items):
            raise CoilbenchError(
                "the rig restarted, and its travel began to count anew",
                where=source.url,
                mend="Check its power, then begin this calibration again",
            )


def weigh(stream: Iterator[RawBlock], masses_kg: Sequence[float], say: Say) -> list[LoadPoint]:
    """Read the load cell under one mass after the other.

    A mass that is smaller than the one before it is read on the way down. An empty cell between
    two masses is no reading.
    """
    holds = weigh_holds(stream, masses_kg, say)
    before_kg = (*masses_kg[:1], *masses_kg[:-1])
    return [
        LoadPoint(mass_kg, hold.load_counts, "up" if mass_kg >= earlier_kg else "down")
        for mass_kg, earlier_kg, hold in zip(masses_kg, before_kg, holds, strict=True)
    ]


def weigh_holds(stream: Iterator[RawBlock], masses_kg: Sequence[float], say: Say) -> list[Hold]:
    """Return the hold in which each mass stood on the cell; 0 is nothing on it."""
    finder = SteadyFinder(HOLD_S, ("load",))
    holds: list[Hold] = []
    empty: Hold | None = None
    for number, mass_kg in enumerate(masses_kg, start=1):
        task = f"put {mass_kg:g} kg on" if mass_kg else "take everything off"
        say(f"{number} of {len(masses_kg)}: {task}, then hands off")
        hold = _next_hold(stream, finder)
        while mass_kg and empty is not None and _same_load(hold, empty):
            hold = _next_hold(stream, finder)
        if not mass_kg:
            empty = hold
        holds.append(hold)
        say(f"   read {hold.load_counts:.0f} counts, noise {hold.load_sd_counts:.0f}")
    return holds


def gauge(stream: Iterator[RawBlock], lengths_mm: Sequence[float], say: Say) -> list[GaugePoint]:
    """Read the travel with one gauge length after the other between the faces.

    The quill's upper stop is read first, so that a rest there, to change the gauge, is no reading.
    """
    finder = SteadyFinder(HOLD_S, ("travel",))
    say("let the quill rise to its stop")
    stop = _next_hold(stream, finder)
    points: list[GaugePoint] = []
    for number, length_mm in enumerate(lengths_mm, start=1):
        task = "bring the faces together"
        if length_mm:
            task = f"bring the quill down on the {length_mm:g} mm gauge"
        say(f"{number} of {len(lengths_mm)}: {task}, lightly, and hold")
        hold = _next_hold(stream, finder)
        while abs(hold.travel_counts - stop.travel_counts) < STOP_COUNTS:
            hold = _next_hold(stream, finder)
        points.append(GaugePoint(length_mm, hold.travel_counts))
        say(f"   read {hold.travel_counts:.1f} counts")
    return points


def _same_load(hold: Hold, empty: Hold) -> bool:
    return abs(hold.load_counts - empty.load_counts) < EMPTY_SDS * empty.load_sd_counts


def press_block(
    stream: Iterator[RawBlock], load_fit: PolynomialFit, least_n: float, say: Say
) -> list[FlexPoint]:
    """Read load and travel while a solid block is pressed and let go.

    Args:
        stream: the samples.
        load_fit: the load calibration, to know when the press is over.
        least_n: the load the press must reach.
        say: told what to do.
    """
    say(
        f"put a solid block under the quill, press slowly to at least {least_n:.0f} N but never "
        "above what the cell or the press is rated for, and let go slowly"
    )
    points: list[FlexPoint] = []
    largest_n = 0.0
    for block in stream:
        samples = block.samples[(block.samples["flags"] & UNUSABLE) == 0]
        loads_n = value(load_fit, samples["load_counts"])
        for sample, load_n in zip(samples, loads_n.tolist(), strict=True):
            if load_n > BLOCK_END_SHARE * least_n:
                counts = int(sample["load_counts"]), int(sample["travel_counts"])
                points.append(FlexPoint(*counts))
                largest_n = max(largest_n, load_n)
            elif points and largest_n < least_n:
                points, largest_n = [], 0.0  # only touched, or not pressed hard enough
            elif points:
                say(f"   read {len(points)} samples up to {largest_n:.0f} N")
                return points
    raise CoilbenchError("the samples ended while the block was pressed")


def _next_hold(stream: Iterator[RawBlock], finder: SteadyFinder) -> Hold:
    for block in stream:
        holds = finder.feed(block)
        if holds:
            return holds[0]
    raise CoilbenchError("the samples ended before anything stood still")
