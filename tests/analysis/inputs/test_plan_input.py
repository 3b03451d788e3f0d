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


@pytest.mark.parametrize(("again", "doubted"), [(0, True), (3, False)])
def test_a_spring_flagged_by_a_slip_is_pressed_again_not_left_out(
    db: Database, again: int, doubted: bool
) -> None:
    """One press of a tired spring typed for a sound one; pressed often, it is what it seems."""
    new_set(db, SetPlan("oak", "single", labels_for("oak", 8), free_length_mm=53.0))
    record = find_set(db, "oak")
    load = lambda mm: 1.7 * (53.0 - mm) * KG  # noqa: E731
    reads = [
        KeyedReading(f"oak-0{n}", load(mm) * (1 + 0.003 * (-1) ** n), mm)
        for n in range(1, 9)
        for mm in (38.5, 27.5)
        if (n, mm) != (7, 38.5)
    ]
    reads += [KeyedReading("oak-07", 0.8 * load(38.5), 38.5)] * (1 + again)
    store_readings(db, record, reads, KeyedSetup())
    one = read_shop(db, parse_build(BUILD.replace("elm", "oak"), "four.toml")).sets["oak"]
    assert (one.doubted == ("oak-07",)) == doubted
    assert (one.left_out == ("oak-07",)) != doubted
    assert ("oak-07" in one.labels) == doubted
    assert not any(read.label == "oak-07" for read in one.readings)
