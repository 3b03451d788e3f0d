"""The bell: accepted and refused sound different, and old news doesn't ring."""

from __future__ import annotations

from coilbench.analysis.dashboard.keys import Bell
from coilbench.capture.running.commands import Event, EventKind, Snapshot

START = (
    Snapshot("larch", "x")
    .after(Event.of(EventKind.LINK, "connected"))
    .after(Event.of(EventKind.KEPT, "before we looked"))
)


def test_accepted_rings_once_and_refused_twice() -> None:
    bell = Bell()
    assert bell.rings(START) == 0
    kept = START.after(Event.of(EventKind.KEPT, "stroke 1"))
    assert bell.rings(kept) == 1
    assert bell.rings(kept) == 0
    refused = kept.after(Event.of(EventKind.REFUSED, "too short"))
    assert bell.rings(refused) == 2
    assert bell.rings(refused.after(Event.of(EventKind.LINK, "connected"))) == 0
    both = (
        refused.after(Event.of(EventKind.LINK, "x"))
        .after(Event.of(EventKind.KEPT, "a"))
        .after(Event.of(EventKind.REFUSED, "b"))
        .after(Event.of(EventKind.KEPT, "c"))
    )
    assert bell.rings(both) == 2


def test_another_capture_begins_its_count_anew() -> None:
    bell = Bell()
    bell.rings(START.after(Event.of(EventKind.KEPT, "x")))
    assert bell.rings(Snapshot("larch", "x").after(Event.of(EventKind.KEPT, "y"))) == 0


def test_a_fault_rings_as_a_refusal_does() -> None:
    bell = Bell()
    bell.rings(START)
    assert bell.rings(START.after(Event.of(EventKind.FAULT, "the amplifier is silent"))) == 2
