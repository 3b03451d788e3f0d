"""What the screen calls out in large type: the most urgent of what is known. Pure."""

from __future__ import annotations

import msgspec

from coilbench.analysis.dashboard.keys import STOP
from coilbench.analysis.dashboard.scene import Scene
from coilbench.analysis.report.bench_text import (
    AS_LOADED,
    LET_UP,
    WHY_DATUM,
    cure_text,
    stroke_text,
)
from coilbench.analysis.report.document import describe, filled
from coilbench.analysis.report.heights_text import verdict_text
from coilbench.analysis.report.phrases import what_and_hint
from coilbench.analysis.report.question_text import ANY_QUESTION, QUESTIONS, WRONG_SPRING
from coilbench.analysis.report.units import Units
from coilbench.capture.blocks import Finding
from coilbench.capture.running.commands import Snapshot
from coilbench.capture.strokes.shape import StrokeRules
from coilbench.capture.strokes.watching import WITHOUT_TOUCH

DONE = "DONE"
FROM_START = "loaded_from_start"
LET_GO_N = StrokeRules().release_n
CABLE_S = 1.0  # by then a rig whose amplifier is silent has said so
LET_UP_FIRST = f"{LET_UP} and take the spring out first; then "
DATUM_HOW = "press d, bring the quill lightly down on a gauge and type the gauge's length"
GAUGE_HOW = "bring the quill lightly down on the gauge, then type its length and Enter"
GAUGE_TOUCHED = "it touches with {load_n}: hold still there for a second, type its length and Enter"
NO_GAUGE = "Esc: none comes"
STILL_LOW = "the quill reads {moved_mm:abs} below its stop: Esc, and let it up, if it is not up"
DOUBTED = "datum_doubted"
UNSURE_HOW = "if you don't know, press d and set the datum on a gauge"
DOUBT_HOW = f"the travel scale may have slipped; {UNSURE_HOW}"
SAME = (
    "or let the quill up fully and press {label} again: at the heights it had, it counts, and the "
    "datum holds"
)
LOW = "LET IT UP"
LOW_HOW = (
    "the quill reads {moved_mm:abs} below its stop: not let up, or the scale slipped; let it up "
    "fully, no hand on its lever; it is up? press d and set the datum"
)
LOW_ELSE = (
    "what is pressed meanwhile counts for good once it is seen up; a stop that was moved, or a "
    "gauge's length typed wrong, looks the same"
)
ONCE_MORE = "press it once more (f: end without)"
CLOSING_WHY = "it shows whether scale and seat are as at its first press"


class Call(msgspec.Struct, frozen=True):
    """What is called out.

    Attributes:
        large: the words in large type.
        words: what goes with them, and is never cut.
        more: said where there is room.
        urgent: whether it comes before everything else on the screen.
        stop: whether the press must stop.
        question: the one that it asks, and that is answered; None where it asks none.
        verdict: what it says of a set that is done; None else.
    """

    large: str
    words: str
    more: str = ""
    urgent: bool = True
    stop: bool = False
    question: Finding | None = None
    verdict: Finding | None = None

    @property
    def says(self) -> Finding | None:
        """What it says whole, so that nothing else need say it."""
        return self.verdict if self.question is None else self.question


def call(scene: Scene) -> Call:
    """Return the one thing to call out; the scene's snapshot holds only what is known now."""
    snapshot, units = scene.snapshot, scene.units
    if scene.stop:
        return Call(STOP, _stop_words(scene), stop=True)
    unknown = _unknown(snapshot, units)
    loaded = snapshot.load_unknown is not None and snapshot.load_unknown.kind == FROM_START
    if unknown is not None and not (loaded and snapshot.datum):
        return unknown
    alarm = snapshot.alarm
    if alarm is not None and alarm.kind in WRONG_SPRING:
        words = f"{describe(alarm, units)}; {LET_UP} and look"
        return Call(QUESTIONS[alarm.kind], words)
    if snapshot.question is not None:
        return _asked(snapshot.question, units)
    if snapshot.gauge_awaited:
        return _gauge(snapshot, units)
    if snapshot.datum is not None:
        return _no_datum(snapshot, units, loaded=loaded)
    if snapshot.gauge_under:
        return Call("GAUGE OUT", "lift the quill and take the gauge out", urgent=False)
    if snapshot.quill_low is not None and snapshot.phase == "idle":
        return Call(LOW, filled(LOW_HOW, snapshot.quill_low.facts, units), LOW_ELSE)
    return _turn(snapshot, units)


def _gauge(snapshot: Snapshot, units: Units) -> Call:
    """Say how far it has come with a gauge."""
    low, more = snapshot.quill_low, f"{NO_GAUGE}{_ends(snapshot)}"
    if snapshot.phase == "idle" or snapshot.load_n is None:
        still = "" if low is None else f"; {filled(STILL_LOW, low.facts, units)}"
        words = f"{GAUGE_HOW}; no spring in the press{still}"
        return Call("GAUGE", words, more, urgent=False)
    touched = filled(GAUGE_TOUCHED, {"load_n": snapshot.load_n}, units)
    return Call("GAUGE", touched, more, urgent=False)


def _asked(question: Finding, units: Units) -> Call:
    """Call out a question in its own words; the keys that answer it are its own, too."""
    words, more = describe(question, units), ""
    if question.kind == DOUBTED:
        words, more = DOUBT_HOW, _why_doubted(question, units)
    elif question.kind == "datum_moved":
        more = UNSURE_HOW
    return Call(QUESTIONS.get(question.kind, ANY_QUESTION), words, more, question=question)


def _why_doubted(datum: Finding, units: Units) -> str:
    label = datum.facts.get("label")
    same = "" if label is None else f"; {SAME.format(label=label)}"
    return f"{describe(datum, units)}{same}"


def _no_datum(snapshot: Snapshot, units: Units, *, loaded: bool) -> Call:
    """Return what to call out where no height is known, and nothing is asked."""
    datum = snapshot.datum
    if datum is not None and datum.kind == DOUBTED:
        why = f"{_why_doubted(datum, units)}{_ends(snapshot)}"
        return Call("SET THE DATUM", DATUM_HOW, why)
    # a touch is what a quill on its gauge is
    first = LET_UP_FIRST if loaded or snapshot.phase not in ("idle", "touch") else ""
    return Call("SET THE DATUM", f"{first}{DATUM_HOW}", WHY_DATUM)


def link_state(snapshot: Snapshot, units: Units) -> str | None:
    """Return what is wrong with the link or the rig, in short; None where nothing is."""
    if snapshot.link != "up":
        return "waiting for the rig" if snapshot.link == "waiting" else "LINK LOST"
    for found in (snapshot.load_unknown, snapshot.link_what):
        if found is not None and found.kind == "rig_fault":
            return f"RIG: {what_and_hint(found, units)[0]}"
    found = snapshot.load_unknown
    if found is None:
        return None
    if found.kind == "no_sample":
        return f"NO SAMPLE for {snapshot.sample_age_s or found.facts['quiet_s']:.1f} s"
    return "LOAD UNKNOWN"


def _stop_words(scene: Scene) -> str:
    alarm = scene.snapshot.alarm
    if alarm is not None and scene.snapshot.stop:
        words = describe(alarm, scene.units)
        # for a moment after the press the alarm stands, and the quill is up
        load_n = scene.snapshot.load_n
        up = scene.snapshot.phase == "idle" or (load_n is not None and load_n < LET_GO_N)
        up = up and alarm.kind not in WITHOUT_TOUCH
        return words if up else f"{LET_UP}: {words}"
    return scene.bar.bind_warning(scene.units) or ""


def _unknown(snapshot: Snapshot, units: Units) -> Call | None:
    """Return what to call out where the load is not known now; None where it is."""
    found = snapshot.load_unknown
    if snapshot.link == "lost":
        why, lost = "the link is lost, check the cable", snapshot.link_what or found
        more = "" if lost is None else describe(lost, units)
    elif found is None:
        return None
    elif found.kind == "rig_fault":
        why, hint = what_and_hint(found, units)
        more = hint or ""
    elif found.kind == "no_sample":
        quiet_s = snapshot.sample_age_s or found.facts["quiet_s"]
        cable = ", check the cable" if quiet_s >= CABLE_S else ""
        why, more = f"{link_state(snapshot, units)}{cable}", ""
    else:
        why, _, more = describe(found, units).partition("; ")
    return Call("LOAD UNKNOWN", f"{why}: {AS_LOADED}", more)


def _turn(snapshot: Snapshot, units: Units) -> Call:
    turn, closing = snapshot.turn, snapshot.closing
    if closing is not None:
        words = f"{ONCE_MORE}{_again(snapshot, closing)}"
        return Call(closing, words, f"{CLOSING_WHY}{_ends(snapshot)}", urgent=False)
    if turn is not None:
        cure = _again(snapshot, turn.label)
        return Call(turn.label, f"{stroke_text(turn)}{cure}", urgent=False)
    if snapshot.springs == 0:
        return Call("WAIT", "waiting for the rig", urgent=False)
    closed = snapshot.closed
    words = f"the set is done{_ends(snapshot)}"
    if closed is not None:
        words += f"; {verdict_text(closed, units)}"
    return Call(DONE, words, urgent=False, verdict=closed)


def _ends(snapshot: Snapshot) -> str:
    left_s = snapshot.ends_in_s
    return "" if left_s is None else f"; ends by itself in {left_s:.0f} s"


def _again(snapshot: Snapshot, label: str) -> str:
    """Return what to do after a stroke of this spring was just refused."""
    if not snapshot.events or snapshot.phase != "idle":
        return ""
    last = snapshot.events[-1][1].what
    refused = last.kind == "stroke_refused" and last.facts["label"] == label
    if not refused or (snapshot.closing and last.facts.get("cure") == "press_again"):
        return ""  # that is said already
    return f": {cure_text(last.facts)}"
