"""Calibration readings taken from a live source, hands free: wait for each steady hold."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from enum import StrEnum

from coilbench.capture.blocks import Finding, Item, RawBlock, Restarted, SampleFlag
from coilbench.capture.calibration.guide import BlockGuide, GaugeGuide, Guide, WeighGuide
from coilbench.capture.calibration.regression import FlexPoint, GaugePoint, LoadPoint, PolynomialFit
from coilbench.capture.calibration.steady import Hold
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.sources.base import Source

Say = Callable[[Finding], None]

PIECE = 16  # samples: a step that ends inside a large block leaves the rest for the next step
SILENCE_S = 3.0


class Asked(StrEnum):
    """What a person may ask while a calibration is under way."""

    NOTHING = ""
    UNDO = "undo"
    STORE = "store"  # all is read, don't wait any longer


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
                hint="Check the cable and the rig's power, then: coilbench rig find",
            )
        for block in blocks:
            for start in range(0, len(block), PIECE):
                yield RawBlock(block.samples[start : start + PIECE], block.boot_id)
        items = source.poll(0.1)
        if any(isinstance(item, Restarted) for item in items):
            raise CoilbenchError(
                "the rig restarted, and its travel began to count anew",
                where=source.url,
                hint="Check its power, then begin this calibration again",
            )


def follow(
    stream: Iterator[RawBlock],
    guide: Guide,
    say: Say,
    *,
    asked: Callable[[], Asked] = lambda: Asked.NOTHING,
    show: Say = lambda _state: None,
    keep: Callable[[], None] = lambda: None,
    grace_s: float = 0.0,
) -> None:
    """Feed a guide until everything is read.

    The rig's redo button discards the last point, as `asked` may.

    Args:
        stream: the samples.
        guide: what is to be read.
        say: told what to do and what was read.
        asked: what the person asks for just now.
        show: told again and again what the rig sees.
        keep: called whenever the points have changed.
        grace_s: how long the last point can still be discarded, by the rig's clock.

    Raises:
        CoilbenchError: the samples ended before everything was read.
    """
    say(guide.task)
    done_us: int | None = None
    for block in stream:
        wish = _wish(block, asked())
        if wish is Asked.UNDO:
            undone = guide.undo()
            keep()  # before it is said: what is said has happened
            say(undone)
            say(guide.task)
            done_us = None
        before = guide.taken
        read = guide.feed(block)
        if guide.taken != before:
            keep()
        for finding in read:
            say(finding)
        show(guide.state)
        if guide.done and len(block):
            now_us = int(block.samples["t_us"][-1])
            if done_us is None:
                done_us = now_us
                if grace_s > 0.0:
                    say(Finding.of("stored_soon", task=guide.task.to_document(), grace_s=grace_s))
            if now_us - done_us >= grace_s * 1e6 or wish is Asked.STORE:
                return
    if not guide.done:
        raise CoilbenchError("the samples ended before everything was read")


def _wish(block: RawBlock, asked: Asked) -> Asked:
    pressed = bool((block.samples["flags"] & SampleFlag.REDO_PRESSED).any())
    return Asked.UNDO if pressed else asked


def weigh(stream: Iterator[RawBlock], masses_kg: Sequence[float], say: Say) -> list[LoadPoint]:
    """Read the load cell under one mass after the other; see WeighGuide and load_points."""
    return load_points(masses_kg, weigh_holds(stream, masses_kg, say))


def weigh_holds(stream: Iterator[RawBlock], masses_kg: Sequence[float], say: Say) -> list[Hold]:
    """Return the hold in which each mass stood on the cell; 0 is nothing on it."""
    guide = WeighGuide(masses_kg)
    follow(stream, guide, say)
    return guide.holds


def load_points(masses_kg: Sequence[float], holds: Sequence[Hold]) -> list[LoadPoint]:
    """Return what was read; a mass smaller than the one before it was reached going down."""
    before_kg = (*masses_kg[:1], *masses_kg[:-1])
    return [
        LoadPoint(mass_kg, hold.load_counts, "up" if mass_kg >= earlier_kg else "down")
        for mass_kg, earlier_kg, hold in zip(masses_kg, before_kg, holds, strict=True)
    ]


def gauge(stream: Iterator[RawBlock], lengths_mm: Sequence[float], say: Say) -> list[GaugePoint]:
    """Read the travel with one gauge length after the other between the faces; see GaugeGuide."""
    guide = GaugeGuide(lengths_mm)
    follow(stream, guide, say)
    return gauge_points(lengths_mm, guide.holds)


def gauge_points(lengths_mm: Sequence[float], holds: Sequence[Hold]) -> list[GaugePoint]:
    """Return what was read."""
    return [
        GaugePoint(length_mm, hold.travel_counts)
        for length_mm, hold in zip(lengths_mm, holds, strict=True)
    ]


def press_block(
    stream: Iterator[RawBlock], load_fit: PolynomialFit, least_n: float, say: Say
) -> list[FlexPoint]:
    """Read load and travel while a solid block is pressed and let go; see BlockGuide."""
    guide = BlockGuide(load_fit, least_n)
    follow(stream, guide, say)
    return guide.points
