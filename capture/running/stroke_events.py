"""What is said of a press that has ended: kept, with what its rig knows, or refused. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from coilbench.capture.blocks import Finding
from coilbench.capture.calibration.model import InstrumentUncertainty
from coilbench.capture.running.commands import Event
from coilbench.capture.running.judged import Judged, cure
from coilbench.capture.running.kinds import EventKind
from coilbench.capture.strokes.judging import Turn
from coilbench.capture.strokes.shape import Stroke


def kept(
    stroke: Stroke,
    turn: Turn,
    judged: Judged,
    next_label: str | None,
    rests_n: float,
    rig: InstrumentUncertainty,
    *,
    give_known: bool,
    waits: bool,
) -> Event:
    """Return that a press counts.

    Its load and height come with the expanded uncertainty (k = 2) that the calibration leaves; how
    a spring repeats, and how late the load came, only its other strokes tell.

    Args:
        next_label: whose turn it is then, where it is another's.
        rests_n: part of the load that the cell does not see.
        give_known: whether the press's give was measured; else no height under load is known.
        waits: whether it counts for good only once the quill is seen at its stop.

    Returns:
        An event of the kind KEPT, or WAITS.
    """
    verdict = judged.verdict.noted(Finding("counts_once_up") if waits else None)
    peak_n = stroke.peak_n + rests_n
    peak_u_n = 2.0 * math.hypot(rig.load_u_n, rig.load_u_relative * peak_n)
    facts = _facts(turn, verdict.findings) | {
        "peak_n": peak_n,
        "peak_u_n": peak_u_n,
        "lowest_mm": stroke.lowest_mm,
        "lowest_u_mm": 2.0 * rig.height_u_mm if give_known else None,
        "next_label": next_label,
    }
    return Event(EventKind.WAITS if waits else EventKind.KEPT, Finding("stroke_kept", facts))


def refused(turn: Turn, judged: Judged, *, asked: bool = False) -> Event:
    """Return that a press does not count, or waits till more is known, and what helps.

    Args:
        asked: whether it is asked about other presses, and that comes first.
    """
    verdict, waits = judged.verdict, judged.waits
    facts = _facts(turn, verdict.findings) | {"status": verdict.status, "times": judged.times}
    helps = cure(verdict.findings)
    helps = "answer" if waits and helps == "set_datum" else helps
    facts |= {"cure": "answer_first" if asked else helps, "waits": waits}
    return Event(EventKind.WAITS if waits else EventKind.REFUSED, Finding("stroke_refused", facts))


def counts(press: Turn, why: Finding, next_label: str | None, *, waits: bool) -> Event:
    """Return that a press counts which did not, and why; or that it waits, as `kept`."""
    what = Finding("waits_for_stop", {"presses": 1}) if waits else why
    which = {"label": press.label, "purpose": press.purpose, "stroke": press.number}
    facts = {**what.facts, **which, "next_label": next_label}
    return Event(EventKind.WAITS if waits else EventKind.TURN, Finding(what.kind, facts))


def left_out(turn: Turn, number: int, findings: Sequence[Finding]) -> Event:
    """Return that an earlier stroke of the spring no longer counts."""
    why = [finding.to_document() for finding in findings]
    facts = {"label": turn.label, "purpose": turn.purpose, "stroke": number, "findings": why}
    return Event(EventKind.REFUSED, Finding("stroke_left_out", facts))


def _facts(turn: Turn, findings: Sequence[Finding]) -> dict[str, Any]:
    return {
        "label": turn.label,
        "purpose": turn.purpose,
        "stroke": turn.number,
        "strokes": turn.wanted,
        "findings": [finding.to_document() for finding in findings],
    }
