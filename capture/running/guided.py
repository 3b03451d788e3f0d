"""Calibration readings from a live source, hands free."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from typing import Literal, TypeVar

from coilbench.capture.blocks import Finding, Item, RawBlock, Restarted, SampleFlag
from coilbench.capture.calibration.guide import Guide
from coilbench.capture.calibration.overload import OverloadWatch
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.sources.base import Source

Say = Callable[[Finding], None]
AGuide = TypeVar("AGuide", bound=Guide)
_REDO = int(SampleFlag.REDO_PRESSED)
PIECE = 16  # samples: a step that ends inside a large block leaves the rest for the next step
SILENCE_S = 3.0
# What the user may ask while a calibration is under way; "take": the reading in question is right;
# "store": all is read, do not wait.
Wish = Literal["", "undo", "take", "store"]


def sample_stream(
    source: Source, seen: Sequence[Item] = (), *, clock: Callable[[], float] = time.monotonic
) -> Iterator[RawBlock]:
    """Yield the source's samples in small pieces, without end.

    Args:
        seen: what arrived while it was identified; used first.

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
                "the rig restarted, and its travel counts from 0 again",
                where=source.url,
                hint="Check its power, then start this calibration again",
            )


def follow(
    stream: Iterator[RawBlock],
    guide: AGuide,
    say: Say,
    *,
    watch: OverloadWatch,
    asked: Callable[[], Wish] = lambda: "",
    show: Say | None = None,
    keep: Callable[[], None] = lambda: None,
    grace_s: float = 0.0,
) -> AGuide:
    """Feed a guide until everything is read, and return it.

    The rig's redo button discards the last point, as `asked` may.

    Args:
        say: called with what to do, what was read, and at once where too much is on the cell.
        watch: the judge of that; while its alarm stands it is what is shown.
        asked: what the user asks for now.
        show: called repeatedly with what the rig reads; None: nobody looks.
        keep: called whenever the points have changed.
        grace_s: how long the last point can still be discarded, by the rig's clock.

    Raises:
        CoilbenchError: the samples ended before everything was read.
    """
    say(guide.task)
    done_us: int | None = None
    for block in stream:
        wish = _wish(block, asked())
        if wish == "undo":
            undone = guide.undo()
            keep()  # before it is said: what is said has happened
            say(undone)
            say(guide.task)
            done_us = None
        before = guide.taken
        alarms = watch.look(block.samples)
        read = [*alarms, *(guide.take() if wish == "take" else ()), *guide.feed(block)]
        if guide.taken != before:
            keep()
        for finding in read:
            say(finding)
        _show(show, watch, guide)
        if guide.done and len(block):
            now_us = int(block.samples["t_us"][-1])
            if done_us is None:
                done_us = now_us
                if grace_s > 0.0:
                    say(Finding.of("stored_soon", task=guide.task.to_document(), grace_s=grace_s))
            if now_us - done_us >= grace_s * 1e6 or wish == "store":
                return guide
    if not guide.done:
        raise CoilbenchError(
            "the samples ended before everything was read", hint="Check the rig, then start again"
        )
    return guide


def _show(show: Say | None, watch: OverloadWatch, guide: Guide) -> None:
    if show is not None:  # else the state need not be worked out
        show(watch.alarm or guide.state)


def _wish(block: RawBlock, asked: Wish) -> Wish:
    pressed = bool((block.samples["flags"] & _REDO).any())
    return "undo" if pressed else asked
