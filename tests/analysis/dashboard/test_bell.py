"""The bell: each thing sounds different without a look, old news doesn't ring, STOP goes on."""

from __future__ import annotations

from itertools import pairwise

import pytest

from coilbench.analysis.dashboard.bell import QUICK_S, RHYTHMS, SLOW_S, Bell
from coilbench.capture.running.commands import Event, EventKind, Snapshot
from coilbench.capture.running.kinds import COUNTS

START = Snapshot("larch", "x", link="up", load_n=100.0, sample_age_s=0.1).after(
    Event.of(EventKind.KEPT, "before we looked")
)
KEPT = Event.of(EventKind.KEPT, "stroke_kept", next_label=None)
CHANGE = Event.of(EventKind.KEPT, "stroke_kept", next_label="larch-02")
DONE = Event.of(EventKind.DONE, "set_done")
REFUSED = Event.of(EventKind.REFUSED, "stroke_refused")
WAITS = Event.of(EventKind.WAITS, "stroke_kept", next_label="larch-02")
STEP_S = 0.125  # as often as the screen asks


def heard(snapshots: list[tuple[Snapshot, bool]], quiet_s: float = 4.0) -> list[float]:
    """Ring for snapshots (and whether to stop) in turn, then wait; returns when it rang."""
    bell = Bell()
    bell.rings(START, stop=False, now_s=0.0)
    last = snapshots[-1]
    rang = []
    for at in range(1, round(quiet_s / STEP_S)):
        snapshot, stop = snapshots[at - 1] if at <= len(snapshots) else last
        if bell.rings(snapshot, stop=stop, now_s=at * STEP_S):
            rang.append(at * STEP_S)
    return rang


def rhythm(*events: Event) -> list[float]:
    snapshot = START
    for event in events:
        snapshot = snapshot.after(event)
    rang = heard([(snapshot, False)])
    return [round(after - before, 3) for before, after in pairwise(rang)] if rang else [-1.0]


def test_each_thing_has_a_rhythm_of_its_own() -> None:
    rhythms = [tuple(rhythm(one)) for one in (KEPT, CHANGE, DONE, REFUSED, WAITS)]
    assert len(set(rhythms)) == 5
    assert [len(one) + 1 for one in rhythms] == [1, 2, 3, 4, 3]
    assert rhythms[1] == (SLOW_S,)
    assert rhythms[4] == (SLOW_S, QUICK_S)
    assert rhythms[3] == (QUICK_S, SLOW_S, QUICK_S)  # two quick pairs


@pytest.mark.parametrize(
    "trouble",
    [
        Event.of(EventKind.FAULT, "rig_fault", code=1),
        Event.of(EventKind.LINK, "link_lost"),
        Event.of(EventKind.LINK, "no_sample"),
    ],
)
def test_whatever_asks_for_a_look_rings_as_a_refusal_does(trouble: Event) -> None:
    assert rhythm(trouble) == rhythm(REFUSED)


@pytest.mark.parametrize(
    "waits",
    [
        Event.of(EventKind.QUESTION, "another_spring"),
        Event.of(EventKind.QUESTION, "datum_doubted"),
        Event.of(EventKind.WAITS, "stroke_kept", next_label=None),
        Event.of(EventKind.WAITS, "stroke_refused"),
    ],
)
def test_a_press_that_waits_rings_as_a_question_does_and_as_nothing_else(waits: Event) -> None:
    assert rhythm(waits) == rhythm(WAITS)


@pytest.mark.parametrize("kind", sorted(COUNTS))
def test_once_it_counts_it_rings_as_one_that_was_kept(kind: str) -> None:
    assert rhythm(Event.of(EventKind.TURN, kind, next_label=None)) == rhythm(KEPT)
    assert rhythm(Event.of(EventKind.TURN, kind, next_label="larch-02")) == rhythm(CHANGE)


def test_a_link_that_comes_up_and_old_news_do_not_ring() -> None:
    assert rhythm(Event.of(EventKind.LINK, "connected")) == [-1.0]
    assert heard([(START, False)]) == []


def test_of_several_new_things_the_most_urgent_rings() -> None:
    assert rhythm(CHANGE, DONE) == rhythm(DONE)
    assert rhythm(KEPT, REFUSED, KEPT) == rhythm(REFUSED)
    # and what comes while it rings does not cut it short
    later = START.after(REFUSED)
    assert len(heard([(later, False), (later.after(KEPT), False)])) == 4


def test_another_capture_begins_its_count_anew() -> None:
    assert heard([(Snapshot("larch", "x").after(KEPT), False)]) == []


def test_stop_rings_from_the_first_look_and_until_the_load_has_fallen() -> None:
    rang = heard([(START, True)] * 16 + [(START, False)])
    assert len(rang) == 8  # two seconds, four a second
    assert {after - before for before, after in pairwise(rang)} == {QUICK_S}
    bell = Bell()
    assert bell.rings(START, stop=True, now_s=0.0)


def test_a_load_that_is_no_longer_known_has_not_fallen() -> None:
    unknown = Snapshot("larch", "x", link="lost", load_n=None)
    assert len(heard([(START, True), (unknown, False)], 4.0)) > 10
    assert len(heard([(START, True), (unknown, False), (START, False)], 4.0)) <= 2


def test_the_one_table_says_every_rhythm() -> None:
    rhythms = ("1 ring", "2 slow", "3 slow", "2 quick pairs", "1 ring and a quick pair")
    for words in (*rhythms, "without end"):
        assert words in RHYTHMS
