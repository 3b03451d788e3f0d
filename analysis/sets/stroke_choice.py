"""Which of a spring's strokes are read, and why: the rule, and the user's word above it. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from coilbench.analysis.sets.stroke_findings import Finding, StrokeKind, stroke_findings
from coilbench.analysis.sets.stroke_mates import beside_the_others
from coilbench.capture.strokes.judging import REACH_SLACK_MM
from coilbench.capture.strokes.sweep import Sweep
from coilbench.capture.units import Units

StrokeRuling = Literal["use", "leave"]

RULE = (
    "A stroke that slipped, or was too fast for the rig, is left out where another is left; one "
    "that cocked or lies apart, where most of the spring's strokes agree"
)


@dataclass(frozen=True)
class JudgedStroke:
    """One stroke of a spring.

    Attributes:
        number: from 1, oldest first.
        sweep_id: its id in the book.
        findings: what was seen.
        ruling: what the user decided; None leaves it to the rule.
        kept: whether the spring's curve is read from it.
        why: in a word or two.
    """

    number: int
    sweep_id: str
    findings: tuple[Finding, ...]
    ruling: StrokeRuling | None
    kept: bool
    why: str

    @property
    def spoilt_by(self) -> tuple[StrokeKind, ...]:
        """What speaks against its loads."""
        return tuple(one.kind for one in self.findings if one.spoils)

    def words(self) -> str:
        """Say what becomes of it and what was seen, without a full stop."""
        seen = "; ".join(f"{one.kind}: {one.text}" for one in self.findings)
        told = f"{'kept' if self.kept else 'left out'}, {self.why}"
        return f"{told}. {seen}" if seen else told

    def to_document(self) -> dict[str, Any]:
        """Return it for JSON."""
        return {
            "number": self.number,
            "sweep_id": self.sweep_id,
            "kept": self.kept,
            "why": self.why,
            "ruling": self.ruling,
            "findings": [{"kind": one.kind, "text": one.text} for one in self.findings],
        }


def doubt_of(strokes: Sequence[JudgedStroke]) -> str | None:
    """Say why none of a spring's strokes can be relied on; None where one can.

    A stroke that the user ruled in can.
    """
    read = [one for one in strokes if one.kept]
    if not read or any(one.ruling is not None or not one.spoilt_by for one in read):
        return None
    kinds = dict.fromkeys(kind for one in read for kind in one.spoilt_by)
    every = "its only stroke" if len(read) == 1 else f"each of its {len(read)} strokes"
    return f"{every} is doubtful ({', '.join(kinds)})"


def uncounted(number: int, sweep_id: str, note: str | None) -> JudgedStroke:
    """Return a stroke that the capture did not count."""
    why = "the capture did not count it" + ("" if note is None else f": {note}")
    return JudgedStroke(number, sweep_id, (), None, kept=False, why=why)


def judge_strokes(
    sweeps: Sequence[Sweep],
    numbers: Mapping[str, int],
    rulings: Mapping[str, StrokeRuling | None],
    units: Units,
    reach_mm: float | None = None,
) -> tuple[JudgedStroke, ...]:
    """Judge all strokes of one spring, oldest first.

    Args:
        sweeps: the lag undone where it is known.
        numbers, rulings: each stroke's number and the user's word on it, by sweep id.
        units: of the words.
        reach_mm: the lowest height that is asked for; None where nobody asks.
    """
    found = [[*_short(one, reach_mm, units), *stroke_findings(one, units)] for one in sweeps]
    sound = [at for at, own in enumerate(found) if not any(one.spoils for one in own)]
    beside = beside_the_others([sweeps[at] for at in sound], units)
    for at, finding in zip(sound, beside, strict=True):
        found[at] += [] if finding is None else [finding]
    spoilt = _spoilt(found)
    judged = []
    for at, (sweep, findings) in enumerate(zip(sweeps, found, strict=True)):
        one = sweep.sweep_id
        kept, why = _verdict(findings, rulings[one], spoilt=at in spoilt)
        judged.append(
            JudgedStroke(numbers[one], one, tuple(findings), rulings[one], kept=kept, why=why)
        )
    return tuple(judged)


def _short(sweep: Sweep, reach_mm: float | None, units: Units) -> list[Finding]:
    heights = np.concatenate([sweep.loading.height_mm, sweep.unloading.height_mm])
    if reach_mm is None or not sweep.dense or heights.size == 0:
        return []
    lowest_mm = float(np.min(heights))
    if lowest_mm <= reach_mm + REACH_SLACK_MM:
        return []
    text = f"stopped at {units.length_text(lowest_mm)}, asked for {units.length_text(reach_mm)}"
    return [Finding("short", f"{text}: read only above")]


def _spoilt(found: Sequence[Sequence[Finding]]) -> set[int]:
    """Indices of the strokes that the rule leaves out."""
    surely = {
        at
        for at, findings in enumerate(found)
        if any(one.spoils and one.kind in ("slipped", "too fast") for one in findings)
    }
    if len(surely) == len(found):
        surely = set()
    apart = {
        at
        for at, findings in enumerate(found)
        if any(one.spoils and one.kind in ("cocked", "apart") for one in findings)
    }
    left = len(found) - len(surely)
    return surely | apart if 2 * len(apart) < left else surely


def _verdict(
    findings: Sequence[Finding], ruling: StrokeRuling | None, *, spoilt: bool
) -> tuple[bool, str]:
    if ruling is not None:
        return ruling == "use", "you said so"
    names = ", ".join(one.kind for one in findings if one.spoils)
    if spoilt:
        return False, names
    if names:
        return True, f"{names}, but too few others to go by"
    return True, "nothing against it"
