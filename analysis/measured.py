"""A set's curves out of the book."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from sqlite_utils import Database

from coilbench.analysis.curves.curve import BranchChoice, SpringCurve, fit_curve
from coilbench.analysis.curves.lag_undo import undo_lag
from coilbench.analysis.engine.coil import Coil
from coilbench.analysis.engine.placed_sets import SetCurves
from coilbench.analysis.sets.check import check_set
from coilbench.analysis.sets.result import SetCheck
from coilbench.analysis.sets.stroke_choice import JudgedStroke, doubt_of, judge_strokes, uncounted
from coilbench.capture.book.rereading import OWN
from coilbench.capture.book.sets import SetRecord
from coilbench.capture.book.stroke_rulings import StrokeRow, stroke_rows
from coilbench.capture.book.sweeps import load_sweeps
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.units import Units


@dataclass(frozen=True)
class Measurement:
    """A set as it is measured.

    Attributes:
        curves: one a measured spring, of the strokes that are kept.
        missing: labels not measured yet.
        strokes: every stroke of each spring by label, those left out too.
    """

    curves: tuple[SpringCurve, ...]
    missing: tuple[str, ...]
    strokes: Mapping[str, tuple[JudgedStroke, ...]]

    @property
    def doubts(self) -> dict[str, str]:
        """Why no stroke of a spring can be relied on, by label, where that is so."""
        found = {label: doubt_of(own) for label, own in self.strokes.items()}
        return {label: doubt for label, doubt in found.items() if doubt is not None}


def measured_set(
    db: Database,
    record: SetRecord,
    branch: BranchChoice = "mean",
    calibration: str = OWN,
    *,
    reach_mm: float | None = None,
    units: Units | None = None,
) -> Measurement:
    """Return a set's curves, and what became of each stroke.

    Args:
        db: the open book.
        record: the set.
        branch: which branch loads are read from.
        calibration: what raw strokes are read with, as in load_sweeps.
        reach_mm: the lowest height that is asked for; strokes that stopped above it are named.
        units: of the words; kg and mm where None.

    Raises:
        CoilbenchError: no spring of the set is measured, or there is no such calibration.
    """
    raw = load_sweeps(db, record, calibration)
    rows = stroke_rows(db, record)
    sweeps, judged = undo_lag(raw), {}
    for label, own in rows.items():
        judged[label] = judge_strokes(
            sweeps[label],
            {row.sweep_id: row.number for row in own},
            {row.sweep_id: row.ruling for row in own},
            Units() if units is None else units,
            reach_mm,
        )
    left_out = {one.sweep_id for own in judged.values() for one in own if not one.kept}
    if left_out:  # the lag too is told by those that are kept
        kept = {
            label: [sweep for sweep in own if sweep.sweep_id not in left_out]
            for label, own in raw.items()
        }
        sweeps = undo_lag(kept)
    curves = tuple(
        fit_curve(
            spring.label,
            sweeps[spring.label],
            branch,
            free_length_mm=record.free_length_mm,
            solid_height_mm=record.solid_height_mm
            if spring.solid_height_mm is None
            else spring.solid_height_mm,
        )
        for spring in record.springs
        if sweeps[spring.label]
    )
    if not curves:
        raise CoilbenchError(
            f"no spring of set {record.name!r} is measured yet",
            mend=f"Measure it with: coilbench daemon --port PORT --set {record.name}, "
            f"or by hand: coilbench note --set {record.name}",
        )
    missing = tuple(label for label in record.labels if not sweeps[label])
    return Measurement(
        curves, missing, {label: _all(judged[label], own) for label, own in rows.items()}
    )


def _all(judged: Sequence[JudgedStroke], rows: Sequence[StrokeRow]) -> tuple[JudgedStroke, ...]:
    """Put the strokes that the capture did not count among the others, in their order."""
    known = {one.sweep_id: one for one in judged}
    return tuple(
        known[row.sweep_id]
        if row.sweep_id in known
        else uncounted(row.number, row.sweep_id, row.note)
        for row in rows
    )


def measured_curves(
    db: Database, record: SetRecord, branch: BranchChoice = "mean", calibration: str = OWN
) -> tuple[tuple[SpringCurve, ...], tuple[str, ...]]:
    """Return the curves of a set's measured springs, and the labels not measured yet.

    As measured_set, which tells of the strokes too.
    """
    measured = measured_set(db, record, branch, calibration)
    return measured.curves, measured.missing


def free_length_mm(db: Database, record: SetRecord) -> float | None:
    """Return a set's free length: as registered, else the mean of what was measured, else None."""
    if record.free_length_mm is not None:
        return record.free_length_mm
    try:
        curves, _ = measured_curves(db, record)
    except CoilbenchError:
        return None
    known = [curve.free_length_mm for curve in curves if curve.free_length_mm is not None]
    return sum(known) / len(known) if known else None


def set_curves(
    db: Database, record: SetRecord, heights_mm: Sequence[float] | None
) -> tuple[SetCurves, list[str]]:
    """Return a set's curves for pairing, and the labels left out because they are flagged.

    Args:
        db: the open book.
        record: the set.
        heights_mm: where the set is checked to find the flagged ones; None takes every spring.

    Raises:
        CoilbenchError: no spring of the set is measured, or every one is flagged.
    """
    curves, _ = measured_curves(db, record)
    if heights_mm is None:
        return usable_curves(record, curves, ())
    return usable_curves(record, curves, set_apart(check_set(record.name, curves, heights_mm)))


def set_apart(check: SetCheck) -> tuple[str, ...]:
    """Return the labels that a check found weak, stiff, short or odd."""
    return tuple(spring.label for spring in check.springs if spring.set_apart)


def usable_curves(
    record: SetRecord, curves: Sequence[SpringCurve], flagged: Collection[str]
) -> tuple[SetCurves, list[str]]:
    """Return measured curves for pairing without the flagged ones, and those, ordered.

    Raises:
        CoilbenchError: every one is flagged.
    """
    kept = tuple(curve for curve in curves if curve.label not in flagged)
    if not kept:
        raise CoilbenchError(
            f"every measured spring of set {record.name!r} is flagged",
            mend="See: coilbench set check, or count them in with --use-flagged",
        )
    coil = None
    if record.wire_mm is not None and record.active_coils is not None:
        coil = Coil(record.wire_mm, record.active_coils, record.coil_diameter_mm)
    springs = SetCurves(record.name, record.role, kept, record.solid_height_mm, coil)
    return springs, sorted(flagged)
