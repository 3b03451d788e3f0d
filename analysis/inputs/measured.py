"""A set out of the book: its curves and its judgement."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, TypedDict

import msgspec
from msgspec.structs import replace

from coilbench.analysis.choices import DEFAULT_ALPHA, DEFAULT_TOLERANCE
from coilbench.analysis.curves.curve import BranchChoice, SpringCurve
from coilbench.analysis.curves.lengths import FoundHeight
from coilbench.analysis.curves.not_measured import HeightNotMeasured, NotMeasured
from coilbench.analysis.inputs.by_hand import free_by_hand, solid_by_hand, usable
from coilbench.analysis.inputs.kept import kept
from coilbench.analysis.inputs.unasked import default_heights_mm
from coilbench.analysis.sets.judge import SetCheck, check_set
from coilbench.analysis.sets.rulings import Doubt, Nominal, NominalAt, Target
from coilbench.capture.book.connection import Database
from coilbench.capture.book.depends import depends_on
from coilbench.capture.book.nominals import SAME_HEIGHT_MM, SetNominal
from coilbench.capture.book.notes import (
    borne_out,
    closing_press,
    counts_in_doubt,
    waits,
)
from coilbench.capture.book.sets import SetRecord, SpringRecord
from coilbench.capture.book.sweeps import StrokeRow, load_sweeps
from coilbench.capture.choices import OWN
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.plain import as_typed
from coilbench.capture.strokes.stroke_choice import JudgedStroke, Why, judge_strokes
from coilbench.capture.strokes.sweep import Sweep
from coilbench.capture.tables.points_file import FILE_HEIGHT_U_MM

if TYPE_CHECKING:
    from coilbench.analysis.engine.build_file import BuildFile
    from coilbench.analysis.engine.reasons import SolidContradicted


class ByHand(TypedDict):
    """What was measured of one spring by hand, expanded uncertainties, as fit_curve takes it."""

    by_hand: FoundHeight | None
    solid_u_mm: float | None


class NothingMeasured(CoilbenchError):
    """No spring of a set was measured."""


class Measurement(msgspec.Struct, frozen=True):
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
    def doubts(self) -> dict[str, Doubt]:
        """Why no stroke of a spring can be relied on, by label, where that is so."""
        return {label: d for label, own in self.strokes.items() if (d := doubt_of(own)) is not None}

    def refuse_waiting(self, set_name: str, label: str) -> None:
        """Refuse to speak of a spring of which no press counts yet, while some wait.

        Raises:
            CoilbenchError: says so.
        """
        if label in self.missing and any(one.why == "waits" for one in self.strokes[label]):
            raise CoilbenchError(
                f"no press of spring {label!r} of set {set_name!r} counts yet",
                hint=f"See what they wait for: coilbench set strokes {as_typed(set_name)}",
            )


def doubt_of(strokes: Sequence[JudgedStroke]) -> Doubt | None:
    """Say why none of a spring's strokes can be relied on; None where one can.

    A stroke that the user ruled in can.
    """
    read = [one for one in strokes if one.kept]
    if not read or any(one.ruling is not None or not one.spoilt_by for one in read):
        return None
    return Doubt(len(read), tuple(dict.fromkeys(kind for one in read for kind in one.spoilt_by)))


def measured_set(
    db: Database,
    record: SetRecord,
    branch: BranchChoice = "mean",
    calibration: str = OWN,
    *,
    reach_mm: float | None = None,
) -> Measurement:
    """Return a set's curves, and what became of each stroke.

    Args:
        branch: which branch loads are read from.
        calibration: what raw strokes are read with, as in load_sweeps.
        reach_mm: the lowest height that is asked for; strokes that stopped above it are named.

    Raises:
        CoilbenchError: no spring of the set is measured, or there is no such calibration.
    """
    return kept(
        Measurement,
        lambda: depends_on(db, record),
        (branch, calibration, reach_mm),
        lambda: _measured(db, record, branch, calibration, reach_mm),
    )


def strokes_of(
    db: Database, record: SetRecord, *, reach_mm: float | None = None
) -> dict[str, tuple[JudgedStroke, ...]]:
    """Return what became of each stroke of a set by its spring's label, also where none counts.

    Raises:
        CoilbenchError: it has no stroke.
    """
    try:
        return dict(measured_set(db, record, reach_mm=reach_mm).strokes)
    except NothingMeasured:
        judged = _judged_of(db, record, load_sweeps(db, record), reach_mm)
        if not any(judged.values()):
            raise
        return judged


def _measured(
    db: Database, record: SetRecord, branch: BranchChoice, calibration: str, reach_mm: float | None
) -> Measurement:
    """Work out what measured_set returns."""
    # imported late: what is kept needs none of it
    from coilbench.analysis.curves.between import with_set_shape
    from coilbench.analysis.curves.curve_fit import fit_curve
    from coilbench.analysis.curves.hand_repeats import with_repeats
    from coilbench.analysis.curves.lag import undo_lag

    raw = load_sweeps(db, record, calibration)
    sweeps = undo_lag(raw)
    judged = _judged_of(db, record, sweeps, reach_mm)
    kept = {one.sweep_id for own in judged.values() for one in own if one.kept}
    if any(sweep.sweep_id not in kept for own in raw.values() for sweep in own):
        # the lag too is estimated from those that are kept
        sweeps = undo_lag({k: [s for s in own if s.sweep_id in kept] for k, own in raw.items()})
    sweeps = with_repeats(sweeps)
    curves = [
        fit_curve(
            spring.label,
            own,
            branch,
            record.free_length_mm,
            spring.solid_height_mm,
            registered_solid_mm=record.solid_height_mm,
            **by_hand(spring),
        )
        for spring in record.springs
        if (own := sweeps[spring.label])
    ]
    waits = sum(one.why == "waits" for own in judged.values() for one in own)
    if not curves and waits:
        raise NothingMeasured(
            f"no stroke of set {record.name!r} counts yet: {waits} waiting",
            hint=f"See what for: coilbench set strokes {as_typed(record.name)}",
        )
    if not curves and any(judged.values()):
        raise NothingMeasured(
            f"no stroke of set {record.name!r} counts",
            hint=f"See why, and count one again: coilbench set strokes {as_typed(record.name)}",
        )
    if not curves:
        raise NothingMeasured(
            f"no spring of set {record.name!r} is measured yet",
            hint=f"Measure it with: coilbench daemon --port PORT --set {as_typed(record.name)}, "
            f"or by hand: coilbench note --set {as_typed(record.name)}",
        )
    missing = tuple(label for label in record.labels if not sweeps[label])
    return Measurement(with_set_shape(curves), missing, judged)


def _judged_of(
    db: Database,
    record: SetRecord,
    sweeps: Mapping[str, Sequence[Sweep]],
    reach_mm: float | None,
) -> dict[str, tuple[JudgedStroke, ...]]:
    rows = StrokeRow.of_set(db, record)
    return {label: _judged(sweeps[label], own, reach_mm) for label, own in rows.items()}


def _judged(
    sweeps: Sequence[Sweep], rows: Sequence[StrokeRow], reach_mm: float | None
) -> tuple[JudgedStroke, ...]:
    """Judge a spring's strokes, those that the capture did not count among them in their order."""
    numbers = {row.sweep_id: row.number for row in rows}
    rulings = {row.sweep_id: row.ruling for row in rows}
    known = {one.sweep_id: one for one in judge_strokes(sweeps, numbers, rulings, reach_mm)}
    return tuple(
        _with_doubt(known[row.sweep_id], row.note) if row.sweep_id in known else _not_counted(row)
        for row in rows
    )


def _not_counted(row: StrokeRow) -> JudgedStroke:
    why: Why = "closing" if closing_press(row.note) else "not_counted"
    note = row.note
    if row.waits_for is not None:
        why, note = "waits", waits(note, row.waits_for)
    return JudgedStroke(row.number, row.sweep_id, False, why, None, (), note)


def _with_doubt(judged: JudgedStroke, note: str | None) -> JudgedStroke:
    """Return it with why the capture doubted it, where it did, shown to be none later or not."""
    if not (counts_in_doubt(note) or borne_out(note)):
        return judged
    doubted: Why = "borne_out" if borne_out(note) else "in_doubt"
    why = doubted if judged.why == "nothing_against" else judged.why
    return replace(judged, note=note, why=why)


class JudgedSet(msgspec.Struct, frozen=True):
    """A measured set with its judgement.

    Attributes:
        asked: each height judged at with the load asked for there; those asked for come first.
        unheld_mm: heights of the kept nominal at which no spring was measured.
        check: None where it could not be judged: `unjudged` says why, or there is no height.
    """

    record: SetRecord
    measured: Measurement
    asked: tuple[NominalAt, ...]
    unheld_mm: tuple[float, ...]
    check: SetCheck | None
    unjudged: NotMeasured | None = None

    @property
    def heights_mm(self) -> tuple[float, ...]:
        """The heights alone."""
        return tuple(height_mm for height_mm, _ in self.asked)

    @property
    def checked(self) -> SetCheck:
        """The check.

        Raises:
            CoilbenchError: there is none.
        """
        if self.check is None:
            raise CoilbenchError("no height to check at", hint="Give one, like --at 38.5mm")
        return self.check

    @property
    def solid_contradicted(self) -> SolidContradicted | None:
        """Springs whose solid height is not the registered one; None where none contradicts it."""
        return usable(self.record, self.measured.curves, ()).solid_contradicted

    @property
    def set_apart(self) -> tuple[str, ...]:
        """Labels of the springs found weak, stiff, short or odd."""
        springs = () if self.check is None else self.check.springs
        return tuple(spring.label for spring in springs if spring.set_apart)

    @property
    def unsure(self) -> tuple[str, ...]:
        """Labels of the springs that could not be judged, and are flagged for nothing else."""
        springs = () if self.check is None else self.check.springs
        return tuple(each.label for each in springs if each.flags and not each.set_apart)


def judge_set(
    db: Database,
    record: SetRecord,
    asked: Sequence[NominalAt] = (),
    *,
    tolerance: float = DEFAULT_TOLERANCE,
    alpha: float = DEFAULT_ALPHA,
    branch: BranchChoice = "mean",
    calibration: str = OWN,
    must_reach: bool = True,
) -> JudgedSet:
    """Judge a set from all that the book holds of it; the one judgement that every command uses.

    The kept strokes (rulings of the user included) make the curves, strokes that can't be relied
    on make a spring unsure. The springs are compared with each other, the nominal and its tolerance
    kept with the set, and the set's free length.

    Heights: those asked for, then those of the kept nominal where a spring was measured there.
    With neither, those that `default_heights_mm` returns.

    Args:
        asked: heights to judge at, each with the load asked for there or None.
        tolerance: allowed deviation as a fraction, where the nominal keeps none of its own.
        alpha, branch, calibration: as in check_set and measured_set.
        must_reach: raise where no spring was measured at a height; else leave the set unjudged.

    Raises:
        CoilbenchError: no spring of the set is measured, or an impossible tolerance.
        HeightNotMeasured: no spring was measured at a height that was asked for.
    """
    wanted = with_nominal(asked, record.nominal)
    reach_mm = min((height_mm for height_mm, _ in wanted), default=None)
    measured = measured_set(db, record, branch, calibration, reach_mm=reach_mm)
    curves = measured.curves
    every, away = measured_there(wanted, len(asked), curves)
    every = every or [(height_mm, None) for height_mm in default_heights_mm(curves)]
    check, unjudged = None, None

    def work_out(at: Sequence[NominalAt]) -> SetCheck:
        return check_set(
            record.name,
            curves,
            [height_mm for height_mm, _ in at],
            tolerance=tolerance,
            alpha=alpha,
            nominals=[nominal for _, nominal in at],
            nominal_rate=rate_target(record.nominal, tolerance),
            free_length_nominal_mm=record.free_length_mm,
            doubts=measured.doubts,
        )

    def judged(at: Sequence[NominalAt]) -> SetCheck:
        chosen = tuple(at), tolerance, alpha, branch, calibration, reach_mm
        return kept(SetCheck, lambda: depends_on(db, record), chosen, lambda: work_out(at))

    try:
        check = judged(every) if every else None
    except HeightNotMeasured as error:
        if must_reach:
            raise
        unjudged = error.finding
        every = _reached(every, curves)
        check = judged(every) if every else None
    return JudgedSet(record, measured, tuple(every), tuple(away), check, unjudged)


def _reached(asked: Sequence[NominalAt], curves: Sequence[SpringCurve]) -> list[NominalAt]:
    """Return the heights at which some spring was measured, else two inside what all were."""
    near, _ = measured_there(asked, 0, curves)
    if any(curve.lowest_mm <= near[0][0] <= curve.highest_mm for curve in curves):
        return near
    return [(height_mm, None) for height_mm in default_heights_mm(curves)]


def with_nominal(asked: Sequence[NominalAt], kept: SetNominal | None) -> list[NominalAt]:
    """Add what is kept with the set to the heights asked for.

    A height asked for without a load gets the kept one; kept heights that nobody asked for come
    after those that were, so that a set tired as a whole shows wherever it is judged.
    """
    found = list(asked)
    if kept is None:
        return found
    share = kept.tolerance_relative
    for load in kept.loads:
        nominal = Nominal(load.load_n, None if share is None else share * load.load_n)
        at = [i for i, (mm, _) in enumerate(found) if abs(mm - load.height_mm) < SAME_HEIGHT_MM]
        if not at:
            found.append((load.height_mm, nominal))
        for i in at:
            height_mm, given = found[i]
            found[i] = (height_mm, nominal if given is None else given)
    return found


def measured_there(
    asked: Sequence[NominalAt], typed: int, curves: Sequence[SpringCurve]
) -> tuple[list[NominalAt], list[float]]:
    """Leave away kept heights at which no spring was measured; they must not bar the others.

    Args:
        asked: heights that somebody asked for first, then the kept ones.
        typed: how many were asked for: these stay; where there is none, all stay.

    Returns:
        What is left, and the heights left away, mm.
    """
    away = [
        mm
        for mm, _ in asked[typed:]
        if not any(curve.lowest_mm <= mm <= curve.highest_mm for curve in curves)
    ]
    if len(away) == len(asked):
        return list(asked), []
    return [one for one in asked if one[0] not in away], away


def rate_target(kept: SetNominal | None, tolerance: float) -> Target | None:
    """Return the kept rate as something to compare a rate with; None where there is none."""
    if kept is None or kept.rate_n_per_mm is None:
        return None
    share = tolerance if kept.tolerance_relative is None else kept.tolerance_relative
    return Target("nominal", kept.rate_n_per_mm, share * kept.rate_n_per_mm)


def build_heights(build: BuildFile, record: SetRecord) -> list[NominalAt]:
    """Return the heights a build file puts a set at, valve shut and at full lift.

    Where the valves' heights differ it is at one of them, the nearest to their mean.
    With the cam card's loads as nominal where the springs work alone; an outer and an inner share
    them, so that neither has one of its own.
    """
    offset_mm = build.head.inner_offset_mm if record.role == "inner" else 0.0
    return asked_of(build, offset_mm, alone=not build.springs.inner)


def asked_of(build: BuildFile, offset_mm: float, *, alone: bool) -> list[NominalAt]:
    """Return the heights of each card, once where they are the same; nominals where alone."""
    found: dict[float, Nominal | None] = {}
    for card in build.cards:
        cam, seat_mm = card.cam, card.head.middle_height_mm - offset_mm
        for height_mm, load_n, tolerance_n in (
            (seat_mm, cam.seat_load_n, cam.seat_tolerance_n),
            (seat_mm - cam.valve_lift_mm, cam.open_load_n, cam.open_tolerance_n),
        ):
            nominal = Nominal(load_n, tolerance_n) if alone else None
            if height_mm not in found:
                found[height_mm] = nominal
            elif found[height_mm] != nominal:  # two cards ask for different loads there
                found[height_mm] = None
    return list(found.items())


def by_hand(spring: SpringRecord) -> ByHand:
    """Return what was measured of a spring by hand."""
    solid = solid_by_hand(spring)
    # one that was not measured by hand is the height of a row of a file
    return {
        "by_hand": free_by_hand(spring),
        "solid_u_mm": 2.0 * FILE_HEIGHT_U_MM if solid is None else solid.height_u_mm,
    }
