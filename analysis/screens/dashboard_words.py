"""What the dashboard says about the link, the turn and the last events. Pure."""

from __future__ import annotations

import textwrap

from rich.text import Text

from coilbench.capture.running.snapshot import Snapshot

SAFETY = "Eye protection on, press unplugged, spring captive; stop before coil bind."
STALE_S = 2.0
# Shares of samples lost at which the link is called fair and poor; common practice, no source.
FAIR_SHARE, POOR_SHARE = 0.0005, 0.01
_PHASES = {"idle": "free", "touch": "touched", "press": "pressing", "release": "letting up"}
_MARKS = {"kept": ("+ ", "green"), "refused": ("! ", "bold red"), "fault": ("! ", "bold red")}


def link_line(snapshot: Snapshot) -> Text:
    """Say how the link is, in words; the state never hangs on the colour alone."""
    age_s = snapshot.sample_age_s
    if snapshot.link != "up":
        state, style = f"LINK {snapshot.link.upper()}: {snapshot.link_words}", "bold red"
    elif age_s is None:
        state, style = "link up, no sample yet", "bold"
    elif age_s > STALE_S:
        state, style = f"NO SAMPLE for {age_s:.1f} s: check the cable", "bold red"
    else:
        grade, style = _grade(snapshot)
        state = f"link {grade}, last sample {age_s:.1f} s ago"
    counts = (
        f"  {snapshot.rate_hz:.1f}/s  lost {snapshot.samples_lost}  "
        f"bad {snapshot.lines_bad}  restarts {snapshot.restarts}"
    )
    return Text.assemble((state, style), counts)


def _grade(snapshot: Snapshot) -> tuple[str, str]:
    sent = snapshot.samples + snapshot.samples_lost
    share = snapshot.samples_lost / sent if sent else 0.0
    if share >= POOR_SHARE:
        return "poor: look at the cable", "bold red"
    return ("fair", "bold") if share >= FAIR_SHARE else ("good", "green")


def turn_words(snapshot: Snapshot) -> tuple[str, str]:
    """Return whose turn it is and which stroke, or how the set's end is held open."""
    if snapshot.label is None or snapshot.turn is None:
        left_s = snapshot.ends_in_s
        ends = "" if left_s is None else f"; ends by itself in {left_s:.0f} s"
        done = snapshot.springs > 0
        return ("DONE", f"the set is done{ends}") if done else ("WAIT", snapshot.link_words)
    return snapshot.label, snapshot.turn.removeprefix(f"{snapshot.label}, ")


def phase_words(snapshot: Snapshot) -> str:
    """Say where in a stroke the spring is."""
    return _PHASES.get(snapshot.phase, snapshot.phase)


def event_lines(snapshot: Snapshot, room: int, width: int) -> list[Text]:
    """Return the last things that happened in `room` lines, the latest last, whole and in words.

    + is a stroke kept, ! one refused or a fault.
    """
    lines: list[Text] = []
    for _, kind, words in reversed(snapshot.events):
        mark, style = _MARKS.get(kind, ("  ", ""))
        pieces = textwrap.wrap(words, max(20, width - 2)) or [""]
        if lines:
            pieces = [words]  # cut where it is too long: the latest alone is told whole
        first, *rest = pieces
        own = [Text.assemble((mark, style), first), *(Text(f"  {piece}") for piece in rest)]
        lines = own + lines
        if len(lines) >= room:
            break
    return [Text("") for _ in range(room - len(lines))] + lines[-room:]
