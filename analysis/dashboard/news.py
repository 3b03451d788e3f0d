"""Which of the things that happened still say what is so. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from coilbench.analysis.dashboard.calls import DOUBTED
from coilbench.analysis.report.bench_text import event_mark
from coilbench.capture.blocks import Finding
from coilbench.capture.running.commands import Event, Snapshot
from coilbench.capture.running.kinds import COUNTS, EventKind

_STANDING = ("datum_lost", "rig_fault")  # faults that the snapshot holds for as long as they are
_MOVES_ON = (
    *(EventKind.KEPT, EventKind.WAITS, EventKind.REFUSED),
    *(EventKind.TURN, EventKind.REDO, EventKind.DONE),
)
# what is said of a press, until the next one
_OF_PRESS = ("redo", "redo_before", "redo_wanted", "nothing_to_redo", "taken_out", "not_counted")
_ANSWERS_LEFT = ("presses_kept", "presses_left")
_WAITS_AGAIN = ("waits_for_stop", "waits_for_next")
_TILL_UP = ("stroke_kept", "waits_for_stop")
_OVER_WHEN: dict[str, Callable[[Snapshot], bool]] = {
    "accept_alone": lambda now: now.question is not None,
    "closing_wanted": lambda _now: True,  # it is called out for as long as it is so
    "gauge_awaited": lambda now: not now.gauge_awaited,
    "held_open": lambda now: now.ends_in_s is None,
    "link_lost": lambda now: now.link == "up",
    "no_question": lambda now: now.question is not None,
    "no_sample": lambda now: now.load_n is not None,
    "set_done": lambda now: now.springs_done < now.springs,
    "spring_pressed": lambda now: now.phase == "idle",
}


def is_over(event: Event, later: Sequence[Event], snapshot: Snapshot) -> bool:
    """Tell whether an event says what is so no more.

    A question is over once another one or none stands. Why a press was refused, and a fault that is
    no alarm any more, are over with the next press, from its touch on, or once a person did
    something; why a key was, once something else happened. That a stroke counts is over once it was
    taken back, or waits; and that it waits once the quill was seen at its stop.
    """
    what = event.what
    if what.kind in _OF_PRESS:
        return any(_is_press(one) for one in later)
    if event.kind is EventKind.RESCUED and what.facts.get("asked"):
        return any(one.what.kind in _ANSWERS_LEFT for one in later)
    if event_mark(event) == "+ ":
        return _is_doubted(later, snapshot) or _taken_back(event, later)
    if what.kind in _TILL_UP and event.kind is EventKind.WAITS and snapshot.quill_low is None:
        return True
    if what.kind in _OVER_WHEN and _OVER_WHEN[what.kind](snapshot):
        return True
    if event.kind is EventKind.QUESTION:
        return what != snapshot.question
    if what.kind == "stroke_kept":  # and it waits
        return _taken_back(event, later)
    if event.kind not in (EventKind.REFUSED, EventKind.WAITS, EventKind.FAULT):
        return False
    if what.kind in _STANDING:
        return what.kind not in {one.kind for one in _stands(snapshot)}
    of_key = event.kind is EventKind.REFUSED and not what.kind.startswith("stroke_")
    pressed = not of_key and snapshot.phase in ("touch", "press", "release")
    now = snapshot.alarm is not None and snapshot.alarm.kind == what.kind
    return not now and (pressed or any(one.kind in _MOVES_ON for one in later))


def _is_press(event: Event) -> bool:
    """Tell whether it says what came of a press."""
    done = event.kind is EventKind.DONE and event.what.kind != "set_done"
    refused = event.kind is EventKind.REFUSED and event.what.kind.startswith("stroke_")
    return done or refused or event.kind in (EventKind.KEPT, EventKind.WAITS)


def is_news(event: Event, later: Sequence[Event]) -> bool:
    """Tell whether a rescue has not been overtaken by a stroke of this capture."""
    ended = any(one.what.kind in ("stroke_kept", "stroke_refused") for one in later)
    return event.kind is EventKind.RESCUED and not ended


def _is_doubted(later: Sequence[Event], snapshot: Snapshot) -> bool:
    """Tell whether nobody knows any more that a press counts of which that was said."""
    doubted = snapshot.datum is not None and snapshot.datum.kind == DOUBTED
    return doubted or any(one.what.kind in _WAITS_AGAIN for one in later)


def _taken_back(kept: Event, later: Sequence[Event]) -> bool:
    """Tell whether a stroke that was kept no longer counts: the newest of its label by a redo."""
    which, counted = kept.what.facts, False
    if "stroke" not in which:
        return False
    for one in reversed(later):
        facts = one.what.facts
        if facts.get("label") != which["label"]:
            continue
        counted |= one.what.kind == "stroke_kept" or one.what.kind in COUNTS
        same = (facts.get("stroke"), facts.get("purpose")) == (which["stroke"], which["purpose"])
        if same and one.what.kind == "stroke_left_out":
            return True
        if one.what.kind in ("redo", "redo_before") and not counted:
            return True
    return False


def _stands(snapshot: Snapshot) -> Iterator[Finding]:
    """Yield what is wrong beside the press."""
    found = (snapshot.datum, snapshot.link_what, snapshot.load_unknown)
    return (one for one in found if one is not None)
