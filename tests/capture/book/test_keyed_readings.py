"""Keyed readings in the book: each its own row, replaced, removed and put back; none impossible."""

from __future__ import annotations

import json
import math

import pytest
from msgspec.structs import asdict

from coilbench.capture.book.entries import KEYED, Entry
from coilbench.capture.book.keyed_readings import (
    KeyedRow,
    count_again,
    refuse_height,
    remove_readings,
    spring_named,
    store_readings,
)
from coilbench.capture.book.sets import SetPlan, new_set
from coilbench.capture.book.sweeps import load_sweeps
from coilbench.capture.calibration.keyed_setup import KeyedSetup
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes.sweep import Origin
from coilbench.capture.tables.keyed import KeyedReading

KG = 9.80665  # N, exact: 3rd CGPM, 1901
HEIGHT_U_MM = 0.1 * math.sqrt(2.0 / 12.0)  # GUM F.2.2.1: two readings in steps of 0.1 mm


def test_keyed_readings_stand_as_typed_beside_what_follows_from_them(db, larch):
    """By hand: 25.4 kg shown less 3 kg of blocks, times 2 for the lever, is 44.8 kg."""
    readings = [
        KeyedReading("larch-01", 25.4 * KG, depth_mm=15.0, remark="rusty"),
        KeyedReading("larch-02", 25.9 * KG, height_mm=38.0),
        KeyedReading("larch-01", 24.9 * KG, height_mm=38.0, loading=False),
    ]
    setup = KeyedSetup(tare_n=3.0 * KG, lever_ratio=2.0)
    assert store_readings(db, larch, readings, setup) == ("larch-01", "larch-02")
    rows = [
        json.loads(row["keyed_json"]) for row in db.query("SELECT * FROM sweeps ORDER BY rowid")
    ]
    assert [row["readings"] for row in rows] == [[asdict(one)] for one in readings]
    assert rows[0]["setup"] == asdict(setup)
    assert rows[0]["free_length_mm"] == 53.0

    down, up = load_sweeps(db, larch)["larch-01"]
    assert down.origin is Origin.KEYED
    assert down.loading.height_mm.tolist() == [38.0]
    assert down.loading.load_n == pytest.approx([44.8 * KG])
    assert up.unloading.load_n == pytest.approx([43.8 * KG])
    assert (down.load_u_n, down.height_u_mm) == (setup.load_u_n, setup.height_u_mm)


def test_the_same_reading_keyed_again_is_another_measurement(db, larch):
    for _ in range(2):
        store_readings(db, larch, [KeyedReading("larch-01", 219.7, height_mm=38.0)], KeyedSetup())
    assert len(load_sweeps(db, larch)["larch-01"]) == 2


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        (KeyedReading("birch-01", 219.7, height_mm=38.0), "has no spring 'birch-01'"),
        (KeyedReading("larch-02", 219.7, height_mm=53.1), "above the free length"),
        (KeyedReading("larch-02", 0.0, height_mm=38.0), "no more than the tare"),
        (KeyedReading("larch-02", -1.0, height_mm=38.0), "no more than the tare"),
        (KeyedReading("larch-02", math.nan, height_mm=38.0), "not a number"),
        (KeyedReading("larch-02", math.inf, height_mm=38.0), "not a number"),
    ],
)
def test_one_wrong_reading_keeps_all_out(db, larch, counts, wrong, words):
    before = counts()
    good = KeyedReading("larch-01", 219.7, height_mm=38.0)
    with pytest.raises(CoilbenchError) as caught:
        store_readings(db, larch, [good, wrong], KeyedSetup())
    assert words in str(caught.value)
    assert counts() == before


def test_keyed_depths_need_a_free_length(db, counts):
    record = new_set(db, SetPlan("yew", "single", ("a",)))
    with pytest.raises(CoilbenchError, match="needs the spring's free length"):
        store_readings(db, record, [KeyedReading("a", 219.7, depth_mm=15.0)], KeyedSetup())
    assert counts()["sweeps"] == 0


@pytest.mark.parametrize(("beyond", "taken"), [(0.99, True), (1.01, False)])
def test_solid_may_be_passed_by_the_heights_uncertainty_and_no_more(db, beyond, taken):
    record = new_set(db, SetPlan("yew", "single", ("a",), solid_height_mm=24.0))
    readings = [KeyedReading("a", 219.7, height_mm=24.0 - beyond * 2.0 * HEIGHT_U_MM)]
    if taken:
        assert store_readings(db, record, readings, KeyedSetup()) == ("a",)
        return
    with pytest.raises(CoilbenchError, match="below the solid height"):
        store_readings(db, record, readings, KeyedSetup())


@pytest.mark.parametrize(("height_mm", "asked_for"), [(25.0, True), (24.99, False)])
def test_no_press_is_asked_for_within_a_millimetre_of_solid(db, height_mm, asked_for):
    record = new_set(db, SetPlan("yew", "single", ("a",), solid_height_mm=24.0))
    if asked_for:
        refuse_height(record, "a", height_mm)
        return
    with pytest.raises(CoilbenchError, match="solid height"):
        refuse_height(record, "a", height_mm)


def typed(db, larch, *loads_n: float, height_mm: float = 38.0) -> list[KeyedRow]:
    for load_n in loads_n:
        readings = [KeyedReading("larch-01", load_n, height_mm=height_mm)]
        store_readings(db, larch, readings, KeyedSetup())
    return KeyedRow.of_set(db, larch)["larch-01"]


def counting_n(db, larch) -> list[float]:
    rows = KeyedRow.of_set(db, larch)["larch-01"]
    curve = [one.loading.load_n[0] for one in load_sweeps(db, larch)["larch-01"]]
    loads = [row.load_n for row in rows if row.counts]
    assert loads == pytest.approx(curve)
    return loads


def test_a_replaced_reading_is_kept_and_counts_no_more_until_that_is_undone(db, larch):
    (wrong,) = typed(db, larch, 2100.0)
    right = [KeyedReading("larch-01", 210.0, height_mm=38.0)]
    store_readings(db, larch, right, KeyedSetup(), instead_of=[wrong], entry_id="mended")
    assert counting_n(db, larch) == [210.0]
    rows = KeyedRow.of_set(db, larch)["larch-01"]
    assert [(row.name, row.load_n) for row in rows] == [
        ("larch-01:1", 2100.0),
        ("larch-01:2", 210.0),
    ]
    Entry.undo(db, "mended", KEYED)
    assert counting_n(db, larch) == [2100.0]


def test_one_reading_is_removed_and_counted_again(db, larch):
    first, second, _ = typed(db, larch, 210.0, 211.0, 212.0)
    remove_readings(db, [second])
    assert counting_n(db, larch) == [210.0, 212.0]
    with pytest.raises(CoilbenchError, match="does not count already"):
        remove_readings(db, [first, KeyedRow.named(db, larch, "1:2")])
    assert counting_n(db, larch) == [210.0, 212.0]
    count_again(db, second)
    assert sorted(counting_n(db, larch)) == [210.0, 211.0, 212.0]


def test_a_stroke_of_several_readings_gives_up_one_of_them(db, larch):
    """So the first books have them: one stroke for all that a run brought of a spring."""
    (one,) = typed(db, larch, 210.0)
    both = [
        asdict(KeyedReading("larch-01", 210.0, height_mm=38.0)),
        asdict(KeyedReading("larch-01", 400.0, height_mm=27.0)),
    ]
    keyed = json.dumps({"readings": both, "setup": KeyedSetup().to_document()})
    sweep_id = one.stroke.sweep_id
    db.execute("UPDATE sweeps SET keyed_json = ? WHERE id = ?", [keyed, sweep_id])
    row = [sweep_id, "loading", 1, 27.0, 400.0]
    db.execute("INSERT INTO curve_rows VALUES (?, ?, ?, ?, ?)", row)
    names = [row.name for row in KeyedRow.of_set(db, larch)["larch-01"]]
    assert names == ["larch-01:1.1", "larch-01:1.2"]
    remove_readings(db, [KeyedRow.named(db, larch, "larch-01:1.1")])
    assert counting_n(db, larch) == [400.0]


@pytest.mark.parametrize("text", ["larch-01", "1", "01", "larch-1", "LARCH-01"])
def test_a_spring_is_named_short(larch, text):
    assert spring_named(larch, text) == "larch-01"


@pytest.mark.parametrize("text", ["4", "birch-1", "", "-1", "larch"])
def test_a_name_that_is_none_is_refused(larch, text):
    with pytest.raises(CoilbenchError, match="has no spring"):
        spring_named(larch, text)


def test_a_short_name_that_two_springs_could_bear_is_refused(db):
    record = new_set(db, SetPlan("yew", "single", ("in-1", "ex-1", "ex-2")))
    assert spring_named(record, "2") == "ex-2"
    with pytest.raises(CoilbenchError, match="has no spring"):
        spring_named(record, "1")


@pytest.mark.parametrize("text", ["larch-01", "larch-01:2", "larch-01:", ":1", "larch-01:x"])
def test_a_reading_that_is_none_is_refused(db, larch, text):
    typed(db, larch, 210.0)
    with pytest.raises(CoilbenchError):
        KeyedRow.named(db, larch, text)
