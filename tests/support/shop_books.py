"""Books for sharing: a small measured set; and everything of a book that others are to have."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np

from coilbench.capture.book.by_hand import edit_set, keep_of_springs
from coilbench.capture.book.calibrations import store_part
from coilbench.capture.book.importing import import_table
from coilbench.capture.book.keyed_readings import store_readings
from coilbench.capture.book.merge_rows import RULES
from coilbench.capture.book.nominals import NominalLoad, SetNominal
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.scales import store_scale
from coilbench.capture.book.sets import SetPlan, find_set, labels_for, new_set
from coilbench.capture.calibration.fit import load_part, travel_part
from coilbench.capture.calibration.keyed_setup import KeyedSetup, ScalePoint
from coilbench.capture.calibration.known_points import GaugePoint, LoadPoint
from coilbench.capture.calibration.scale import calibrate_scale
from coilbench.capture.tables.csv_table import read_table
from coilbench.capture.tables.keyed import KeyedReading
from coilbench.capture.tables.spring_lines import SpringEntry


def stroke_csv(shift: int, stiffer: float = 1.0) -> bytes:
    """A stroke of 53 mm down to 30 mm and up, 16 N/mm, as counts."""
    height_mm = 30.0 + np.abs(np.linspace(-25.0, 25.0, 81))
    load_kg = 1.6 * stiffer * np.clip(53.0 - height_mm, 0.0, None)
    rows = "".join(
        f"{i / 80},{round(100 + 2000 * kg) + shift * (i % 5)},{round((60 - mm) * 100)}\n"
        for i, (kg, mm) in enumerate(zip(load_kg, height_mm, strict=True))
    )
    return f"t_s,load_counts,travel_counts\n{rows}".encode()


def press(path: Path, label: str, *shifts: int, set_name: str = "larch") -> None:
    """Import strokes of a spring."""
    with open_book(path) as db:
        for shift in shifts:
            table = read_table(stroke_csv(shift), f"{label}-{shift}.csv")
            import_table(db, find_set(db, set_name), table, label=label)


def make_larch(path: Path) -> None:
    with open_book(path, create=True) as db:
        store_part(
            db, load_part([LoadPoint(kg, 100 + 2000 * kg) for kg in (0, 10, 20, 40)], "m.csv")
        )
        store_part(
            db, travel_part([GaugePoint(mm, (60 - mm) * 100) for mm in (0, 20, 50)], "g.csv")
        )
        points = [ScalePoint(kg, kg + 0.3) for kg in (0.0, 10.0, 20.0, 40.0)]
        store_scale(db, calibrate_scale("bath", points, "scale.csv"))
        larch = new_set(db, SetPlan("larch", "outer", labels_for("larch", 3), free_length_mm=54.0))
        edit_set(db, larch, {"free_length_mm": 53.5, "note": "from the grey box"})
        keep_of_springs(db, larch, [SpringEntry("larch-01", "mark", words="two green dots")])
        keyed = KeyedReading("larch-03", 230.0, height_mm=38.5)
        store_readings(db, find_set(db, "larch"), [keyed], KeyedSetup())
    for number, label in enumerate(("larch-01", "larch-02", "larch-03")):
        press(path, label, 2 * number, 2 * number + 1)


def make_set(path: Path, name: str, stretch: tuple[float, ...]) -> None:
    """Make a bench's book with a calibrated set, two strokes a spring, each this much stiffer."""
    with open_book(path, create=True) as db:
        store_part(
            db, load_part([LoadPoint(kg, 100 + 2000 * kg) for kg in (0, 10, 20, 40)], "m.csv")
        )
        store_part(
            db, travel_part([GaugePoint(mm, (60 - mm) * 100) for mm in (0, 20, 50)], "g.csv")
        )
        nominal = SetNominal((NominalLoad(40.0, 204.0), NominalLoad(31.0, 345.0)))
        labels = labels_for(name, len(stretch))
        record = new_set(db, SetPlan(name, "outer", labels, nominal=nominal))
        for label, factor in zip(record.labels, stretch, strict=True):
            for shift in (0, 1):
                table = read_table(stroke_csv(shift, factor), f"{label}-{shift}.csv")
                import_table(db, record, table, label=label)


def make_empty(path: Path) -> Path:
    """Make the book of a bench that has nothing yet."""
    with open_book(path, create=True):
        return path


def content(path: Path) -> dict[str, list[tuple[Any, ...]]]:
    """Return all that merges and is shared of a book, without places and the digests of these."""
    with closing(sqlite3.connect(path)) as plain:
        return {table: sorted(rows_alike(plain, table), key=repr) for table in RULES}


def rows_alike(plain: sqlite3.Connection, table: str) -> list[tuple[Any, ...]]:
    """Return a table's rows but for their digests, and for which of two sets has a name alone."""
    names = [row[1] for row in plain.execute(f"PRAGMA table_info({table})") if row[1] != "digest"]
    if table == "sets":
        names[names.index("name")] = "substr(name, 1, instr(name || '~', '~') - 1)"
    return plain.execute(f"SELECT {', '.join(names)} FROM {table}").fetchall()
