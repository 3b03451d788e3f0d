"""Which calibration is in force: of one rig, its newest, the same wherever its parts come to."""

from __future__ import annotations

from pathlib import Path

import pytest

from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import SI
from coilbench.capture.blocks import Hello
from coilbench.capture.book.calibrations import (
    calibration_on,
    current_calibration,
    newest_part,
    parts,
    store_part,
)
from coilbench.capture.book.importing import import_table
from coilbench.capture.book.in_force import InForce
from coilbench.capture.book.merging import merge_books
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import SetPlan, new_set
from coilbench.capture.calibration.fit import load_part, travel_part
from coilbench.capture.calibration.known_points import GaugePoint, LoadPoint
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.tables.csv_table import read_table
from support.shop_books import make_empty, stroke_csv

ANNS = "ann's load"


def calibrate(path: Path, rig: str | None, *kinds: str, name: str = "") -> Path:
    """Store parts of a rig, None: from a file that names none."""
    with open_book(path, create=True) as db:
        for kind in kinds:
            if kind == "load":
                points = [LoadPoint(kg, 100 + 2000 * kg) for kg in (0, 10, 20, 40)]
                part = load_part(points, f"{name} {kind}")
            else:
                gauges = [GaugePoint(mm, (60 - mm) * 100) for mm in (0, 20, 50)]
                part = travel_part(gauges, f"{name} {kind}")
            hello = None if rig is None else Hello(1, "own-1", rig, 7, 80.0, "quadrature", 5.0)
            store_part(db, part if hello is None else part.on(hello))
    return path


def origins(path: Path, rig: str | None = None) -> tuple[str, str]:
    with open_book(path) as db:
        found = current_calibration(db, rig)
        return found.load.origin, found.travel.origin


def test_a_calibration_in_force_is_of_one_rig(tmp_path: Path) -> None:
    ann = calibrate(tmp_path / "ann.db", "A1", "load", "travel", name="ann's")
    fay = calibrate(tmp_path / "fay.db", "B2", "load", "travel", name="fay's")
    fresh = make_empty(tmp_path / "fresh.db")
    for path in (ann, fresh):
        merge_books(path, [fay])
    merge_books(fresh, [ann])
    assert origins(fresh) == ("fay's load", "fay's travel")  # weighed last
    assert origins(ann) == ("ann's load", "ann's travel")  # the rig of her bench
    assert origins(ann, "B2") == origins(fresh, "B2") == ("fay's load", "fay's travel")
    assert origins(fresh, "A1") == ("ann's load", "ann's travel")
    with open_book(fresh) as db:
        assert InForce.of(db).device_id == "B2"
        assert InForce.of(db).others == ("A1",)
        assert calibration_on(db, "C3").load.device_id == "B2"  # which a capture then refuses


@pytest.mark.parametrize("rig", ["A1", "B2"])
def test_anothers_part_of_any_rig_of_this_bench_is_named(tmp_path: Path, rig: str) -> None:
    """Also of the one that was not calibrated last."""
    ann = calibrate(tmp_path / "ann.db", "A1", "load", "travel", name="ann's")
    calibrate(ann, "B2", "load", "travel", name="ann's")
    fay = calibrate(tmp_path / "fay.db", rig, "load", name="fay's")
    calibrate(fay, "C3", "load", "travel", name="fay's")
    notes = [str(one) for one in merge_books(ann, [fay]).notes]
    assert origins(ann, rig)[0] == "fay's load"
    (said,) = [one for one in notes if "in force" in one]
    named = "the load in force" if rig == "B2" else "the load of the rig A1 in force"
    assert f"the calibration of {named} is now another book's" in said
    assert not [one for one in merge_books(ann, [fay]).notes if "in force" in str(one)]


def test_a_part_of_a_rig_that_lacks_another_is_no_calibration_with_others(tmp_path: Path) -> None:
    ann = calibrate(tmp_path / "ann.db", "A1", "load", "travel", name="ann's")
    calibrate(ann, "B2", "load", name="fay's")
    with open_book(ann) as db, pytest.raises(CoilbenchError, match="travel of the rig B2 is not"):
        current_calibration(db)
    assert origins(ann, "A1") == ("ann's load", "ann's travel")


def test_parts_of_one_rig_from_two_benches_make_the_same_calibration_in_each(
    tmp_path: Path,
) -> None:
    ann = calibrate(tmp_path / "ann.db", "A1", "load", "travel", name="first")
    bob = make_empty(tmp_path / "bob.db")
    merge_books(bob, [ann])
    calibrate(ann, "A1", "load", name="ann's")
    calibrate(bob, "A1", "travel", name="bob's")
    merge_books(ann, [bob])
    (note,) = merge_books(bob, [ann]).notes
    assert str(note).startswith("the calibration of the load in force is now another book's")
    assert origins(ann) == origins(bob) == ("ann's load", "bob's travel")
    with open_book(ann) as one, open_book(bob) as two:
        assert current_calibration(one).calibration_id == current_calibration(two).calibration_id
    assert merge_books(ann, [bob]).kept is None  # nothing more


def test_what_names_no_rig_is_not_mixed_with_another_benchs(tmp_path: Path) -> None:
    ann = calibrate(tmp_path / "ann.db", None, "load", "travel", name="ann's")
    bob = calibrate(tmp_path / "bob.db", None, "load", "travel", name="bob's")
    calibrate(ann, None, "load", name="ann's again")
    fresh = make_empty(tmp_path / "fresh.db")
    merge_books(bob, [ann])
    merge_books(fresh, [bob])
    assert origins(bob) == ("bob's load", "bob's travel")
    assert origins(fresh) == ("ann's again load", "ann's travel")


def test_a_clock_that_is_set_back_puts_no_older_part_in_force_anywhere(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ann = calibrate(tmp_path / "ann.db", "A1", "load", "travel", name="first")
    monkeypatch.setattr(
        "coilbench.capture.book.rows.utc_now", lambda: "1970-01-01T00:00:00.000+00:00"
    )
    calibrate(ann, "A1", "load", name="last")
    fresh = make_empty(tmp_path / "fresh.db")
    merge_books(fresh, [ann])
    assert origins(ann)[0] == origins(fresh)[0] == "last load"
    with open_book(fresh) as db:
        assert [one.origin for one in parts(db, "load")] == ["last load", "first load"]
        assert newest_part(db, "flex") is None


def test_a_part_of_a_time_to_come_comes_in_from_no_other_book(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else it would be in force until then, whatever is calibrated meanwhile."""
    ann = calibrate(tmp_path / "ann.db", "A1", "load", "travel", name="ann's")
    ahead = "2097-01-01T00:00:00.000+00:00"
    with monkeypatch.context() as patch:
        patch.setattr("coilbench.capture.book.rows.utc_now", lambda: ahead)
        bob = calibrate(tmp_path / "bob.db", "A1", "load", name="bob's")
    with pytest.raises(CoilbenchError, match="of a time to come") as refused:
        merge_books(ann, [bob])
    assert "clock" in str(refused.value.hint)
    assert origins(ann)[0] == "ann's load"


@pytest.mark.parametrize("rig", ["A1", None])
def test_counts_that_are_read_by_anothers_calibration_are_said_to_be(
    tmp_path: Path, rig: str | None
) -> None:
    ann = calibrate(tmp_path / "ann.db", rig, "load", "travel", name="ann's")
    fresh = make_empty(tmp_path / "fresh.db")
    merge_books(fresh, [ann])
    said = []
    for path in (fresh, ann):
        with open_book(path) as db:
            larch = new_set(db, SetPlan("larch", "outer", ("larch-01",), free_length_mm=53.0))
            table = read_table(stroke_csv(0), "one.csv")
            said.append(import_table(db, larch, table, label="larch-01").notes)
    (note,), none = said
    assert none == ()
    assert f"another bench's calibration, of {rig or ANNS}, and" in describe(note, SI)
