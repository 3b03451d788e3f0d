"""What a build sheet is made of, out of the book: for `report` and `export --sheet`."""

from __future__ import annotations

import platform
from collections.abc import Iterator
from importlib.metadata import version
from pathlib import Path

from sqlite_utils import Database

from coilbench.analysis.cli.common import read_build
from coilbench.analysis.engine.assignment import Effort, valves_of
from coilbench.analysis.engine.assignment_levels import assign
from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.pairing import pair_sets
from coilbench.analysis.engine.shims import SeatChoice
from coilbench.analysis.inputs.lift_file import lift_table_beside
from coilbench.analysis.inputs.measured import Measurement, candidate_sets
from coilbench.analysis.inputs.rig_record import calibration_card, rig_warnings
from coilbench.analysis.limits.limits import assess_limits
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.set_text import set_notes
from coilbench.analysis.report.sheet import RigPart, ScalePart, SetPart, Sheet
from coilbench.analysis.report.sheet_making import Circumstances, Worked, make_sheet
from coilbench.analysis.report.units import Units
from coilbench.analysis.rig.check import days_between
from coilbench.capture.blocks import Finding
from coilbench.capture.book.calibrations import find_scale, newest_part
from coilbench.capture.book.rows import utc_now
from coilbench.capture.book.state import good_for_days
from coilbench.capture.book.sweeps import scale_made_utc, set_provenance


def read_sheet(
    db: Database, build_path: Path, effort: Effort, use_flagged: bool, units: Units, book: str
) -> Sheet:
    """Work out a build file's sheet.

    Args:
        db: the open book.
        build_path: the build file.
        effort: what may be done under the springs.
        use_flagged: count weak, stiff, short and odd springs in.
        units: for the words.
        book: the book's name, for the record.

    Raises:
        CoilbenchError: the build file or a set that it names can't be used.
    """
    build = read_build(build_path)
    table = lift_table_beside(build, build_path)
    worked = _work_out(db, build, effort, use_flagged, units)
    chosen = worked.chosen
    limits = [
        assess_limits(build, pair.outer, pair.inner, pair.choice, build.given, table)
        for pair in chosen.pairs
    ]
    about = Circumstances(build_path.read_text("utf-8-sig"), utc_now(), book, dict(_versions()))
    return make_sheet(worked, chosen, limits, _rig(db, worked, about.made_utc), about, units)


def _work_out(
    db: Database, build: BuildFile, effort: Effort, use_flagged: bool, units: Units
) -> Worked:
    found, parts = candidate_sets(db, build, use_flagged), {}
    sets, sizes = found.sets, found.sizes
    seat_mm, lift_mm = build.head.installed_height_mm, build.cam.valve_lift_mm
    for name, judged in found.judged.items():
        record, measured = judged.record, judged.measured
        at_mm = seat_mm - (build.head.inner_offset_mm if name in build.springs.inner else 0.0)
        parts[name] = SetPart(
            record.set_id,
            name,
            record.role,
            judged.check,
            "" if judged.unjudged is None else describe(judged.unjudged, units),
            measured.missing,
            set_provenance(db, record),
            (
                *set_notes(measured.curves, (at_mm, at_mm - lift_mm), units),
                *_strokes_left_out(measured, units),
            ),
        )
    assignment = assign(build, sets, sizes, effort, units)
    best = None
    if not assignment.chosen.valves:
        ranked = pair_sets(build, sets, units).combinations
        best = next(each for each in ranked if _allowed(each.choice, effort))
    return Worked(assignment, best, valves_of(build, sizes), sets, parts, tuple(found.left_out))


def _allowed(choice: SeatChoice, effort: Effort) -> bool:
    """Tell whether a level of effort may do it; nothing under the springs it always may."""
    if choice.seat_cut_mm > 0.0:
        return effort == "cuts"
    return effort != "none" or not choice.shims_mm


def _strokes_left_out(measured: Measurement, units: Units) -> Iterator[str]:
    """Name the strokes that the capture counted and no curve is read from, and why."""
    for label, strokes in measured.strokes.items():
        for one in strokes:
            if not one.kept and (one.findings or one.ruling is not None):
                yield f"{label}, stroke {one.number}: {describe(one, units)}"


def _rig(db: Database, worked: Worked, now_utc: str) -> RigPart:
    names = dict.fromkeys(
        came.scale for part in worked.parts.values() for came in part.came if came.scale is not None
    )
    scales = []
    for name in names:
        made_utc = scale_made_utc(db, name)
        if made_utc is not None:
            age_days = days_between(made_utc, now_utc)
            scales.append(ScalePart(find_scale(db, name), made_utc, age_days))
    card = None if newest_part(db, "load") is None else calibration_card(db)
    limit = good_for_days(db)
    stale = [
        Finding.of("scale_old", scale=one.scale.name, age_days=one.age_days, limit_days=limit)
        for one in scales
        if one.age_days > limit
    ]
    return RigPart(card, tuple(scales), (*rig_warnings(db, now_utc), *stale))


def _versions() -> Iterator[tuple[str, str]]:
    yield "coilbench", version("coilbench")
    yield "Python", platform.python_version()
    for name in ("numpy", "scipy"):
        yield name, version(name)
