"""A set's curves out of the book."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from sqlite_utils import Database

from coilbench.analysis.curves.curve import BranchChoice, SpringCurve, fit_curve
from coilbench.analysis.curves.lag_undo import undo_lag
from coilbench.analysis.engine.coil_geometry import Coil
from coilbench.analysis.engine.placed_sets import SetCurves
from coilbench.analysis.sets.check import check_set
from coilbench.analysis.sets.result import SetCheck
from coilbench.capture.book.rereading import OWN
from coilbench.capture.book.sets import SetRecord
from coilbench.capture.book.sweeps import load_sweeps
from coilbench.capture.errors import CoilbenchError


def measured_curves(
    db: Database, record: SetRecord, branch: BranchChoice = "mean", calibration: str = OWN
) -> tuple[tuple[SpringCurve, ...], tuple[str, ...]]:
    """Return the curves of a set's measured springs, and the labels not measured yet.

    Args:
        db: the open book.
        record: the set.
        branch: which branch loads are read from.
        calibration: what raw strokes are read with, as in load_sweeps.

    Raises:
        CoilbenchError: no spring of the set is measured, or there is no such calibration.
    """
    curves: list[SpringCurve] = []
    missing: list[str] = []
    sweeps = undo_lag(load_sweeps(db, record, calibration))
    for spring in record.springs:
        if not sweeps[spring.label]:
            missing.append(spring.label)
            continue
        own = spring.solid_height_mm
        curves.append(
            fit_curve(
                spring.label,
                sweeps[spring.label],
                branch,
                free_length_mm=record.free_length_mm,
                solid_height_mm=record.solid_height_mm if own is None else own,
            )
        )
    if not curves:
        raise CoilbenchError(
            f"no spring of set {record.name!r} is measured yet",
            mend=f"Measure it with: coilbench daemon --port PORT --set {record.name}, "
            f"or by hand: coilbench note --set {record.name}",
        )
    return tuple(curves), tuple(missing)


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
