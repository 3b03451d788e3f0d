"""What a stroke is worth while its spring is still in the press, and what helps. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import msgspec
from msgspec.structs import replace

from coilbench.capture.blocks import Finding
from coilbench.capture.strokes.judging import Turn, Verdict
from coilbench.capture.strokes.shape import Stroke
from coilbench.capture.strokes.sweep import Sweep, SweepStatus

# With these heights may have moved in the press.
HEIGHTS_IN_DOUBT = frozenset({"slipped", "travel_jumped", "stop_moved"})
_CURES = {
    "touched_low": "look_at_it",
    "datum_lost": "set_datum",
    "datum_doubted": "set_datum",
    "quill_low": "let_up",
    "stop_moved": "set_datum",
    "travel_jumped": "set_datum",
    "too_fast": "press_slower",
    "hasty": "press_slower",
    "overload": "press_less",
    "coils_bind": "press_shorter",
    "below_solid": "look_at_it",
    "above_free": "look_at_it",
} | dict.fromkeys(
    (
        "amplifier_at_limit",
        "below_faces",
        "load_dead",
        "load_reversed",
        "load_still",
        "travel_dead",
        "travel_reversed",
        "travel_steps_missed",
    ),
    "mend_rig",
)


def cure(findings: Sequence[Finding]) -> str:
    """Return what helps against why a stroke was refused: a word for a screen."""
    return next((_CURES[one.kind] for one in findings if one.kind in _CURES), "press_again")


class LeftOut(NamedTuple):
    """An earlier stroke of the spring that turned out to be the odd one."""

    sweep_id: str
    number: int
    findings: tuple[Finding, ...]


class Judged(msgspec.Struct, frozen=True):
    """What a stroke is worth.

    Attributes:
        question: what a person must say before it counts; None: nothing.
        left_out: earlier strokes that no longer count because of it, once it does.
        haste: see Press; None where it does not matter.
        settles: it shows that a datum that was in doubt has not moved.
        waits: it would count if it were known that the datum has not.
        agrees_with: presses of the spring that were refused, and agree with it.
        times: how often running a stroke of this spring was refused for the same reason.
    """

    verdict: Verdict
    question: Finding | None = None
    left_out: tuple[LeftOut, ...] = ()
    times: int = 0
    haste: float | None = None
    settles: bool = False
    waits: bool = False
    agrees_with: tuple[Rival, ...] = ()


class Waiting(NamedTuple):
    """A stroke that counts if the answer is yes."""

    turn: Turn
    sweep_id: str
    stroke: Stroke


class Rival(NamedTuple):
    """A press that was refused because it slipped beside one before, which may be the odd one.

    Attributes:
        gauged: a gauge has agreed since with the heights by which it was read.
    """

    press: Waiting
    sweep: Sweep
    gauged: bool = False


def refused_for(verdict: Verdict, findings: Sequence[Finding]) -> Verdict:
    """Return a verdict as that of a stroke which does not count, for these reasons."""
    whole = verdict.status in (SweepStatus.COMPLETE, SweepStatus.GAPPED)
    status = SweepStatus.ABORTED if whole else verdict.status
    return replace(verdict, status=status, counted=False, findings=tuple(findings))
