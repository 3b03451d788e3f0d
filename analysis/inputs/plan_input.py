"""What a plan of presses goes by, out of the book: each reading of each set, and its errors.

A stroke that was recorded whole counts as readings at the heights that the plan asks for.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Collection, Iterator, Sequence

from coilbench.analysis.choices import DEFAULT_TOLERANCE
from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.hand_budget import own_point_u_n
from coilbench.analysis.curves.not_measured import HeightNotMeasured
from coilbench.analysis.curves.sweep_fit import SweepFit
from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.coil import SpringSize
from coilbench.analysis.engine.loads import Load
from coilbench.analysis.engine.placed import SetCurves
from coilbench.analysis.engine.press_model import PressReading
from coilbench.analysis.engine.press_shop import PressHeights, Shop, ShopSet, press_heights
from coilbench.analysis.inputs.by_hand import usable
from coilbench.analysis.inputs.keying import Desk
from coilbench.analysis.inputs.measured import JudgedSet, NothingMeasured, judge_set
from coilbench.capture.book.connection import Database
from coilbench.capture.book.keyed_readings import last_setup
from coilbench.capture.book.provenance import set_provenance
from coilbench.capture.book.sets import SetRecord, find_set
from coilbench.capture.calibration.keyed_setup import SCALE_U_RELATIVE, KeyedSetup
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes.sweep import Origin

PRESSED_OFTEN = 4  # readings of a spring, as the plan needs to tell whether it is tired
LEAST_U_N = 0.02  # of one reading, k = 1: no reading is better
WEIGHED_U = 0.001  # once it was, or a load cell; common practice, no source


def read_shop(db: Database, build: BuildFile) -> Shop:
    """Read a build file's candidate sets as far as they are measured; it may be nothing.

    Springs that the one judgement sets apart are left out, as in pairing.

    Raises:
        CoilbenchError: a set is not in the book, or has another role than the build file says.
    """
    records: dict[str, SetRecord] = {}
    for role, names in (("outer", build.springs.outer), ("inner", build.springs.inner)):
        for name in names:
            records[name] = find_set(db, name)
            _refuse_role(build, records[name], role)
    sets, cam = {}, build.cam
    judged = {name: _judged(db, build, record) for name, record in records.items()}
    doubted = {name: _doubted(db, records[name], one) for name, one in judged.items()}
    springs = {name: _springs(records[name], one, doubted[name]) for name, one in judged.items()}
    sizes = {name: _size(own) for name, own in springs.items()}
    heights = press_heights(build, sizes)
    for name, one in judged.items():
        curves = () if one is None else one.measured.curves
        read = [
            reading
            for curve in springs[name].curves
            for reading in _readings(curve, heights[name], cam.implied_rate_n_per_mm)
        ]
        sets[name] = ShopSet(
            springs[name],
            tuple(read),
            sum(_presses(sweep) for curve in curves for sweep in curve.sweeps),
            sizes[name],
            () if one is None else tuple(x for x in one.set_apart if x not in doubted[name]),
            _tolerance(records[name]),
            doubted[name],
        )
    set_sizes = {name: len(record.springs) for name, record in records.items()}
    load_u_n, height_u_mm = _next_reading(sets.values(), build.scale.step_n)
    common_u = _common_u(db, list(records.values()))
    return Shop(build, sets, set_sizes, load_u_n, height_u_mm, common_u)


def _next_reading(sets: Collection[ShopSet], step_n: float | None) -> tuple[float, float]:
    """Return the standard uncertainties of one more reading: as of those there are.

    Before any, those of a scale of that step.
    """
    keyed = [fit for one in sets for fit in _by_points(one.springs.curves)]
    read = [reading.u_n for one in sets for reading in one.readings]
    if read and not keyed:
        return statistics.median(read), 0.0
    setup = KeyedSetup() if step_n is None else KeyedSetup(scale_resolution_n=float(step_n))
    return (
        max((fit.load_u_n for fit in keyed), default=setup.load_u_n),
        max((fit.height_u_mm for fit in keyed), default=setup.height_u_mm),
    )


def _refuse_role(build: BuildFile, record: SetRecord, role: str) -> None:
    fitting = (role, "single") if role == "outer" and not build.springs.inner else (role,)
    if record.role not in fitting:
        raise CoilbenchError(
            f"the set {record.name!r} is registered as {record.role}, not as "
            f"{' or '.join(fitting)}",
            where=f"{build.name}, springs.{role}",
            hint="Name it under its own role, or name another set",
        )


def _judged(db: Database, build: BuildFile, record: SetRecord) -> JudgedSet | None:
    """Judge a set where it will stand; None where nothing of it was read."""
    offset_mm = build.head.inner_offset_mm if record.name in build.springs.inner else 0.0
    shut_mm = build.head.installed_height_mm - offset_mm
    asked = [(shut_mm, None), (shut_mm - build.cam.valve_lift_mm, None)]
    try:
        return judge_set(db, record, asked, must_reach=False)
    except NothingMeasured:
        return None


def _doubted(db: Database, record: SetRecord, judged: JudgedSet | None) -> tuple[str, ...]:
    """Return the springs that are set apart by a reading which may be a slip: to be pressed again.

    One that was pressed so often and still is set apart is what it seems.
    """
    if judged is None or not judged.set_apart:
        return ()
    desk = Desk(db, record, (last_setup(db, record) or (KeyedSetup(), ""))[0])
    return tuple(
        label
        for label in judged.set_apart
        if sum(row.counts for row in desk.rows[label]) < PRESSED_OFTEN and desk.suspects(label)
    )


def _springs(
    record: SetRecord, judged: JudgedSet | None, doubted: Collection[str] = ()
) -> SetCurves:
    if judged is None:
        return usable(record, (), record.labels)
    kept = [each for each in judged.measured.curves if each.label not in judged.set_apart]
    return usable(record, kept, (*judged.measured.missing, *doubted))


def _tolerance(record: SetRecord) -> float:
    """Return from which share lower the check of a set calls a spring weak.

    It compares with the other springs by the usual tolerance, and with the nominal by its own.
    """
    kept = None if record.nominal is None else record.nominal.tolerance_relative
    return DEFAULT_TOLERANCE if kept is None else min(kept, DEFAULT_TOLERANCE)


def _size(springs: SetCurves) -> SpringSize:
    known = [c.free_length_mm for c in springs.curves if c.free_length_mm is not None]
    measured_mm = sum(known) / len(known) if known else None
    free_mm = springs.free_length_mm
    own_mm = {label: free.height_mm for label, free in springs.free_by_hand.items()}
    free_mm = measured_mm if free_mm is None else free_mm
    return SpringSize(free_mm, springs.highest_solid_mm, own_free_mm=own_mm)


def _by_points(curves: Sequence[SpringCurve]) -> Iterator[SweepFit]:
    yield from (fit for curve in curves for fit in curve.sweeps if not fit.dense)


def _presses(sweep: SweepFit) -> int:
    """Count a stroke as one press, points as one each."""
    ways = sweep.points("both")
    return 1 if sweep.dense else sum(len(node) for way in ways for node in way.readings)


def _readings(
    curve: SpringCurve, heights: PressHeights, rough_rate: float
) -> Iterator[PressReading]:
    """Yield a spring's readings: its points, and its strokes where the plan would press it."""
    for fit in _by_points([curve]):
        for way in fit.points("both"):
            for at, node in enumerate(way.readings):
                height_mm, load_n = float(way.height_mm[at]), float(way.load_n[at])
                rate = _rate(curve, height_mm, load_n, rough_rate)
                # each press is one, so that they can be counted; together they tell as their mean
                u_n = own_point_u_n(way.weighted(height_mm), rate) * math.sqrt(len(node))
                for one in node:
                    u = math.hypot(u_n, LEAST_U_N)
                    yield PressReading(curve.label, height_mm, one.load_n, u)
    if not any(fit.dense for fit in curve.sweeps):
        return
    found = list(_along(curve, heights.all_mm))
    for height_mm, load in found:
        # A stroke's own errors are much the same all along it: together they tell as one reading.
        u_n = 0.5 * load.own_u_n * math.sqrt(len(found))
        yield PressReading(curve.label, height_mm, load.load_n, math.hypot(u_n, LEAST_U_N))


def _along(curve: SpringCurve, heights_mm: Sequence[float]) -> Iterator[tuple[float, Load]]:
    for height_mm in heights_mm:
        try:
            yield height_mm, Load.of(curve.load_at(height_mm))
        except HeightNotMeasured:
            continue


def _rate(curve: SpringCurve, height_mm: float, load_n: float, rough_rate: float) -> float:
    """Return about the rate at a point: of the readings, else from the free length, else rough."""
    known, free_mm = curve.rate, curve.free_length_mm
    rate = None if known is None else known.rate_n_per_mm
    if rate is None and free_mm is not None and free_mm > height_mm:
        return load_n / (free_mm - height_mm)
    return rough_rate if rate is None else abs(rate)


def _common_u(db: Database, records: Sequence[SetRecord]) -> float:
    """Return what all readings may be off in common: that of the worst way they came."""
    ways = [way for record in records for way in set_provenance(db, record)]
    known = [
        WEIGHED_U
        if way.origin is Origin.RIG or way.calibration_id or way.scale
        else SCALE_U_RELATIVE
        for way in ways
    ]
    return max(known, default=SCALE_U_RELATIVE)
