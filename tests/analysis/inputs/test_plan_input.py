"""What the plan is given of a book's readings."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlite_utils import Database

from coilbench.analysis.engine.build_parsing import parse_build
from coilbench.analysis.inputs.plan_input import read_shop
from coilbench.capture.book.keyed_readings import store_readings
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import SetPlan, find_set, labels_for, new_set
from coilbench.capture.calibration.keyed_setup import KeyedSetup
from coilbench.capture.tables.keyed import KeyedReading

KG = 9.80665
BUILD = """
[cam]
valve_lift = "11 mm"
seat_load = "23 kg"
open_load = "41 kg"
[head]
installed_height = "38.5 mm"
valves = 2
[springs]
outer = ["elm"]
"""


@pytest.fixture
def db(tmp_path: Path) -> Iterator[Database]:
    with open_book(tmp_path / "b.db", create=True) as opened:
        new_set(opened, SetPlan("elm", "single", labels_for("elm", 3), free_length_mm=53.0))
        yield opened


def test_each_press_of_a_height_is_a_reading_so_that_the_plan_can_count_them(db: Database) -> None:
    """A spring is pressed so often and no more to tell whether it is tired."""
    loads_kg = [23.1, 23.0, 23.3, 22.9, 23.2]
    for load_kg in loads_kg:
        record = find_set(db, "elm")
        store_readings(db, record, [KeyedReading("elm-01", load_kg * KG, 38.5)], KeyedSetup())
    read = read_shop(db, parse_build(BUILD, "four.toml")).sets["elm"].readings
    assert sorted(one.load_n / KG for one in read) == pytest.approx(sorted(loads_kg))
