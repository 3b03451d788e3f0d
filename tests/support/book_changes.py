"""What benches do to their books before these are merged."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
from sqlite_utils import Database

from coilbench.capture.book.calibrations import (
    NewCheck,
    store_part,
)
from coilbench.capture.book.counting import uncount
from coilbench.capture.book.importing import import_table
from coilbench.capture.book.keyed_readings import store_readings
from coilbench.capture.book.nominals import NominalLoad, SetNominal
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.scales import store_scale
from coilbench.capture.book.sets import SetPlan, find_set, new_set, set_names
from coilbench.capture.calibration.fit import load_part, travel_part
from coilbench.capture.calibration.keyed_setup import KeyedSetup, ScalePoint
from coilbench.capture.calibration.known_points import GaugePoint, LoadPoint
from coilbench.capture.calibration.scale import calibrate_scale
from coilbench.capture.tables.csv_table import read_table
from coilbench.capture.tables.keyed import KeyedReading

Change = Callable[[Database], object]


def reads(label: str, load_n: float = 220.0) -> Change:
    def change(db: Database) -> None:
        record = next(
            one for one in (find_set(db, name) for name in set_names(db)) if label in one.labels
        )
        store_readings(db, record, [KeyedReading(label, load_n, height_mm=38.5)], KeyedSetup())

    return change


def makes(name: str) -> Change:
    return lambda db: new_set(db, SetPlan(name, "outer", (f"{name}-01", f"{name}-02")))


def calibrates(counts_a_kg: float) -> Change:
    def change(db: Database) -> None:
        masses = [LoadPoint(kg, 100 + counts_a_kg * kg) for kg in (0.0, 10.0, 20.0, 40.0)]
        store_part(db, load_part(masses, "masses.csv", 9.81))
        gauges = [GaugePoint(mm, (60 - mm) * 100) for mm in (0.0, 20.0, 50.0)]
        store_part(db, travel_part(gauges, "gauges.csv"))

    return change


def imports(label: str, shift: int = 0) -> Change:
    """A raw stroke from a file; the same shift is the same file."""
    height_mm = 30.0 + np.abs(np.linspace(-25.0, 25.0, 81))
    load_kg = 1.6 * np.clip(53.0 - height_mm, 0.0, None)
    rows = "".join(
        f"{i / 80},{round(100 + 2000 * kg) + shift + i % 3},{round((60 - mm) * 100)}\n"
        for i, (kg, mm) in enumerate(zip(load_kg, height_mm, strict=True))
    )
    table = read_table(f"t_s,load_counts,travel_counts\n{rows}".encode(), "stroke.csv")

    def change(db: Database) -> None:
        import_table(db, find_set(db, "larch"), table, label=label)

    return change


def weighs(mass_kg: float) -> Change:
    def change(db: Database) -> None:
        part_id = db.execute("SELECT id FROM calibration_parts WHERE kind = 'load'").fetchone()[0]
        numbers = (mass_kg, 9.81, 0.0, 1.0, 0.1, 0.2, 0.1, 1.0)
        NewCheck(part_id, None, *numbers, passed=True).store(db)

    return change


def scales(more_kg: float) -> Change:
    points = [ScalePoint(kg, kg + more_kg) for kg in (0.0, 10.0, 20.0, 40.0)]
    return lambda db: store_scale(db, calibrate_scale("bath", points, "scale.csv"))


def redoes(label: str) -> Change:
    return lambda db: uncount(db, find_set(db, "larch").spring(label).spring_id, last_only=True)


def nominal(load_n: float) -> Change:
    said = SetNominal((NominalLoad(38.5, load_n),))
    return lambda db: find_set(db, "larch").keep_nominal(db, said)


def ruled(word: str) -> Change:
    return lambda db: db.execute("UPDATE sweeps SET ruling = ? WHERE origin = 'keyed'", [word])


def write(path: Path, *changes: Change) -> Path:
    with open_book(path, create=True) as db:
        for change in changes:
            change(db)
            db.conn.commit()
    return path


def copied(path: Path, name: str, *changes: Change) -> Path:
    other = path.with_name(name)
    shutil.copyfile(path, other)
    return write(other, *changes)
