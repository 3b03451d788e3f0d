"""A press that went to where the coils touch teaches the solid height, if a person says so."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from coilbench.capture.blocks import Finding
from coilbench.capture.book.by_hand import keep_of_springs
from coilbench.capture.book.connection import Database
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.running.commands import Event
from coilbench.capture.running.heights import Heights
from coilbench.capture.running.kinds import EventKind
from coilbench.capture.running.not_possible import NotPossible
from coilbench.capture.running.questions import Questions
from coilbench.capture.running.turn_taking import TurnTaking
from coilbench.capture.strokes.bind_seen import solid_seen
from coilbench.capture.strokes.shape import Stroke
from coilbench.capture.strokes.sweep import read_stroke
from coilbench.capture.tables.spring_lines import SpringEntry


class SolidQuestions:
    """Asks, after a press into bind, whether its solid height is to be kept.

    Used by the thread that owns the book.
    """

    def __init__(
        self,
        db: Database,
        heights: Heights,
        turns: TurnTaking,
        questions: Questions,
        say: Callable[[Event], None],
    ) -> None:
        self._db = db
        self._heights = heights
        self._turns = turns
        self._questions = questions
        self._report = say

    def after_press(self, stroke: Stroke, label: str, findings: Sequence[Finding]) -> None:
        """Ask, where the coils touched and nothing else was wrong with the heights."""
        bound = bool(findings) and findings[0].kind == "coils_bind"
        bound = bound and "solid_mm" not in findings[0].facts  # far above it something else leapt
        measured = self._turns.record.spring(label).solid_by_hand_u_mm is not None
        calibration = self._heights.record.calibration
        if not bound or measured or self._heights.unknown is not None or calibration.flex is None:
            return
        read_with = (calibration, self._heights.record.calibration_id)
        press, _ = read_stroke(stroke.raw, *read_with, stroke.zero_counts)
        seen = solid_seen(press, calibration.uncertainty.height_u_mm)
        if seen is None:
            return
        entry = SpringEntry(label, "solid_height_mm", seen.height_mm, seen.u_mm)
        facts = {"label": label, "solid_mm": seen.height_mm, "u_mm": 2.0 * seen.u_mm}
        question = Finding("solid_seen", facts)
        self._questions.ask(question, lambda yes: self._answered(entry, question, yes=yes))

    def _answered(self, entry: SpringEntry, question: Finding, *, yes: bool) -> None:
        if not yes:
            self._report(Event.of(EventKind.TURN, "solid_left", label=entry.label))
            return
        try:
            changed = keep_of_springs(self._db, self._turns.record, [entry], sure=True)
        except CoilbenchError as error:
            raise NotPossible("solid_refused", **question.facts) from error
        self._turns.record = changed.record
        self._report(Event(EventKind.TURN, Finding("solid_kept", question.facts)))
