"""What a spring's curve answers: load or rate, and what is unsure or to be known of it. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Literal, NamedTuple

import msgspec
from msgspec.structs import replace

from coilbench.analysis.curves.sweep_fit import Side
from coilbench.analysis.curves.uncertainty import SHAPE_SOURCE, Budget, BudgetLine, SourceKind

NoteKind = Literal[
    "fast_strokes_left_out",
    "all_strokes_too_fast",
    "lag_unknown",
    "flex_unknown",
    "beyond_masses",
    "beyond_gauges",
    "zero_unknown",
    "one_branch",
    "no_rate",
    "few_samples",
    "outside_read",
    "repeats_apart",
]


class CurveNote(msgspec.Struct, frozen=True):
    """What the reader of a load should know because of how it was measured.

    Attributes:
        strokes: left out, being too fast.
        side: the one branch that was measured, or that has too few samples to be one.
        load_n, height_mm: the calibration's largest load or lowest height; how far outside; how
            far repeats are apart, and where.
        u: expanded uncertainty (k = 2) of what is unknown: lag s, flex mm/N, zero N.
        delay_s: the typical delay that was undone.
    """

    kind: NoteKind
    strokes: int | None = None
    side: Side | None = None
    load_n: float | None = None
    height_mm: float | None = None
    u: float | None = None
    delay_s: float | None = None


class Reading(msgspec.Struct, frozen=True):
    """The load at a height, what its uncertainty is made of, and what the reader should know.

    The slope is the rate there, N/mm; 0 where none is known, and a note says so.
    """

    height_mm: float
    load_n: float
    budget: Budget
    notes: tuple[CurveNote, ...] = ()
    slope_n_per_mm: float = 0.0

    def at_unsure_height(self, errors: Iterable[tuple[SourceKind, float]]) -> Reading:
        """Return it for a height that is itself unsure: more lines in its budget, rate x u.

        Args:
            errors: of each its source and its expanded uncertainty, k = 2, mm. All springs on
                one bench are taken to share them: what stands on one seat errs together.
        """
        lines = (
            BudgetLine(source, "B", u_mm / 2.0, "mm", self.slope_n_per_mm)
            for source, u_mm in errors
        )
        return replace(self, budget=Budget((*self.budget.lines, *lines)))

    @property
    def shape_u_n(self) -> float:
        """What the spring may do where it was not read, k = 2; 0 where it was read there."""
        shape = (line for line in self.budget.lines if line.source == SHAPE_SOURCE)
        return 2.0 * math.hypot(*(line.contribution_n for line in shape))

    @property
    def load_u_n(self) -> float:
        """Expanded uncertainty, 95 %: k = 2, more where the scatter of few strokes rules."""
        return self.budget.expanded_u_n


class Rate(NamedTuple):
    """A rate and its expanded uncertainty, 95 %; of one branch, or of the mean of both.

    The budget's loads are those of the difference over the span: N/mm where it says N.
    """

    rate_n_per_mm: float
    rate_u_n_per_mm: float
    budget: Budget = Budget(())
    side: Side = "both"
