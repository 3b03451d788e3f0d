"""What is asked of a reading, which of two is blamed, and what is offered in its place."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlite_utils import Database

from coilbench.analysis.inputs.keying import Desk
from coilbench.capture.book.keyed_readings import store_readings
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import SetPlan, find_set, labels_for, new_set
from coilbench.capture.calibration.keyed_setup import KeyedSetup
from coilbench.capture.tables.keyed import KeyedReading

KG = 9.80665
RATE_KG, FREE_MM = 1.7, 52.0
SHUT_MM, OPEN_MM = 38.5, 27.6


def load_kg(height_mm: float) -> float:
    return RATE_KG * (FREE_MM - height_mm)


@pytest.fixture
def db(tmp_path: Path) -> Iterator[Database]:
    """Six springs of eight read at both heights, all alike but for hairs."""
    with open_book(tmp_path / "b.db", create=True) as opened:
        new_set(opened, SetPlan("oak", "outer", labels_for("oak", 8), free_length_mm=FREE_MM))
        reads = [
            KeyedReading(f"oak-0{n}", load_kg(mm) * (1 + 0.003 * (-1) ** n) * KG, mm)
            for n in range(1, 7)
            for mm in (SHUT_MM, OPEN_MM)
        ]
        store_readings(opened, find_set(opened, "oak"), reads, KeyedSetup())
        yield opened


def desk(db: Database) -> Desk:
    return Desk(db, find_set(db, "oak"), KeyedSetup())


@pytest.mark.parametrize("share", [0.84, 1.22])
@pytest.mark.parametrize(("wrong_mm", "right_mm"), [(SHUT_MM, OPEN_MM), (OPEN_MM, SHUT_MM)])
def test_of_two_that_contradict_the_one_far_from_the_others_is_blamed(
    db: Database, share: float, wrong_mm: float, right_mm: float
) -> None:
    """One of another spring typed first: the right one is asked about, the first may be wrong."""
    wrong = KeyedReading("oak-07", share * load_kg(wrong_mm) * KG, wrong_mm)
    store_readings(db, find_set(db, "oak"), [wrong], KeyedSetup())
    bench = desk(db)
    right = KeyedReading("oak-07", load_kg(right_mm) * KG, right_mm)
    weighed = bench.weigh(right)
    assert not weighed.sound
    assert weighed.may_be_wrong == "oak-07:1"
    bench.keep(right)
    assert list(bench.suspects("oak-07")) == ["oak-07:1"]


def test_a_load_that_rises_nowhere_is_not_offered(db: Database) -> None:
    """A depth typed as a height would stand beside the same load, 1 mm higher."""
    first = KeyedReading("oak-07", load_kg(OPEN_MM) * KG, OPEN_MM)
    store_readings(db, find_set(db, "oak"), [first], KeyedSetup())
    typed = KeyedReading("oak-07", load_kg(OPEN_MM) * KG, FREE_MM - OPEN_MM + 0.9)
    assert desk(db).weigh(typed).meant is None


@pytest.mark.parametrize(("share", "offered"), [(1.02, True), (1.13, False)])
def test_what_is_offered_lies_well_within_what_is_asked_about(
    db: Database, share: float, offered: bool
) -> None:
    """Ten times as much typed; a tenth of it must fit, not just pass."""
    first = KeyedReading("oak-07", load_kg(OPEN_MM) * KG, OPEN_MM)
    store_readings(db, find_set(db, "oak"), [first], KeyedSetup())
    typed = KeyedReading("oak-07", 10.0 * share * load_kg(SHUT_MM) * KG, SHUT_MM)
    assert (desk(db).weigh(typed).meant is not None) == offered
