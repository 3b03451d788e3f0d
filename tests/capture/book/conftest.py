"""A book, a set, a calibration and a stroke to try things on."""

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from sqlite_utils import Database

from coilbench.capture.blocks import RAW_DTYPE
from coilbench.capture.book.calibrations import store_part
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import SetPlan, SetRecord, labels_for, new_set
from coilbench.capture.book.sweeps import NewSweep
from coilbench.capture.calibration.fit import load_part, travel_part
from coilbench.capture.calibration.known_points import GaugePoint, LoadPoint
from coilbench.capture.strokes.judging import Purpose
from coilbench.capture.strokes.stored import CurveRow
from coilbench.capture.strokes.sweep import Origin, SweepStatus
from support.book_changes import calibrates, imports, makes, reads, write
from support.new_books import made_by_the_program, make_template

N_A_COUNT = 9.80665 / 2000.0  # a cell with 2000 counts a kg
MM_A_COUNT = 0.01
TOP_COUNTS = 6000  # height 60 mm at no count, falling


@pytest.fixture
def new_books_are_made() -> Iterator[None]:
    """For tests of what makes a book."""
    with made_by_the_program():
        yield


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "bench.db"


@pytest.fixture
def db(path: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Database]:
    """A new book, open; made once for all who begin with it."""
    shutil.copyfile(make_template(tmp_path_factory), path)
    with open_book(path, create=True) as opened:
        yield opened


@pytest.fixture
def larch(db: Database) -> SetRecord:
    """A set of three springs, 53 mm free."""
    return new_set(db, SetPlan("larch", "outer", labels_for("larch", 3), free_length_mm=53.0))


@pytest.fixture
def weighed() -> list[LoadPoint]:
    return [LoadPoint(kg, 100.0 + 2000.0 * kg) for kg in (0.0, 10.0, 20.0, 40.0)]


@pytest.fixture
def gauged() -> list[GaugePoint]:
    return [GaugePoint(mm, (60.0 - mm) / MM_A_COUNT) for mm in (0.0, 20.0, 40.0, 50.0)]


@pytest.fixture
def calibration_id(db: Database, weighed: list[LoadPoint], gauged: list[GaugePoint]) -> str:
    store_part(db, load_part(weighed, "masses.csv"))
    made = store_part(db, travel_part(gauged, "gauges.csv"))
    assert made is not None
    return made


@pytest.fixture
def stroke() -> np.ndarray:
    """Raw samples, shape (201,): 53 mm down to 33 mm and up, 16.475 N/mm, friction 5 N."""
    samples = np.zeros(201, RAW_DTYPE)
    samples["seq"] = np.arange(201) + 7000
    samples["t_us"] = 5_000_000 + 12_500 * np.arange(201)
    height_mm = 33.0 + np.abs(np.linspace(-20.0, 20.0, 201))
    load_n = 16.475 * (53.0 - height_mm) + np.where(np.arange(201) <= 100, 5.0, -5.0)
    samples["load_counts"] = np.rint(100.0 + load_n / N_A_COUNT)
    samples["travel_counts"] = np.rint((60.0 - height_mm) / MM_A_COUNT)
    return samples


@pytest.fixture
def points_sweep(larch: SetRecord) -> Callable[..., NewSweep]:
    """Return what makes a sweep of two points of the first spring, changed as asked."""

    def make(**changes: Any) -> NewSweep:
        plain: dict[str, Any] = {
            "spring_id": larch.springs[0].spring_id,
            "origin": Origin.POINTS_FILE,
            "status": SweepStatus.COMPLETE,
            "purpose": Purpose.MEASURED,
            "counted": True,
            "rows": [CurveRow("loading", 0, 38.0, 219.7), CurveRow("loading", 1, 27.1, 399.1)],
            "load_u_n": 1.0,
            "load_u_relative": 0.001,
            "height_u_mm": 0.05,
        }
        return NewSweep(**{**plain, **changes})

    return make


@pytest.fixture
def counts(path: Path) -> Callable[[], dict[str, int]]:
    """Return what counts the rows of every table, through a connection of its own."""

    def count() -> dict[str, int]:
        other = Database(path)
        try:
            return {name: other.table(name).count for name in other.table_names()}
        finally:
            other.close()

    return count


@pytest.fixture
def base(tmp_path: Path) -> Path:
    """A book that two benches will copy."""
    return write(
        tmp_path / "base.db",
        calibrates(2000.0),
        makes("larch"),
        reads("larch-01"),
        imports("larch-02"),
    )
