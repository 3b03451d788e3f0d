"""The bell: accepted and refused sound different, and old news doesn't ring."""

from __future__ import annotations

from coilbench.analysis.dashboard.keys import Bell
from coilbench.capture.running.snapshot import Snapshot

START = Snapshot("larch", "x").after("link", "connected").after("kept", "before we looked")


def test_accepted_rings_once_and_refused_twice() -> None:
    bell = Bell()
    assert bell.rings(START) == 0
    kept = START.after("kept", "stroke 1")
    assert bell.rings(kept) == 1
    assert bell.rings(kept) == 0
    refused = kept.after("refused", "too short")
    assert bell.rings(refused) == 2
    assert bell.rings(refused.after("link", "connected")) == 0
    both = refused.after("link", "x").after("kept", "a").after("refused", "b").after("kept", "c")
    assert bell.rings(both) == 2


def test_another_capture_begins_its_count_anew() -> None:
    bell = Bell()
    bell.rings(START.after("kept", "x"))
    assert bell.rings(Snapshot("larch", "x").after("kept", "y")) == 0


def test_a_fault_rings_as_a_refusal_does() -> None:
    bell = Bell()
    bell.rings(START)
    assert bell.rings(START.after("fault", "the amplifier is silent")) == 2
