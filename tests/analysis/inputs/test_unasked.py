"""At which heights a set is judged where none was asked for; how its springs are named then."""

from __future__ import annotations

from pathlib import Path

import pytest

from coilbench.analysis.engine.build_parsing import parse_build
from coilbench.analysis.inputs.candidates import candidate_sets
from coilbench.analysis.inputs.measured import judge_set
from coilbench.capture.book.keyed_readings import store_readings
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import SetPlan, SetRecord, find_set, labels_for, new_set
from coilbench.capture.calibration.keyed_setup import KeyedSetup
from coilbench.capture.tables.keyed import KeyedReading

KG = 9.80665
BUILD = """
[cam]
valve_lift = "10.9 mm"
seat_load = "24 kg"
open_load = "43 kg"
[head]
installed_height = "38.5 mm"
valves = 2
[springs]
outer = ["elm", "oak"]
"""


def key_in(db, record: SetRecord, weak: str = "", last: tuple[float, ...] = (38.5, 27.6)) -> None:
    """Read every spring at 38.5 and 27.6 mm, the last one at those heights alone."""
    store_readings(db, record, [
        KeyedReading(label, (0.8 if label == weak else 1.0) * 1.7 * (53.0 - mm) * KG, mm)
        for label in record.labels
        for mm in (last if label == record.labels[-1] else (38.5, 27.6))
    ], KeyedSetup())  # fmt: skip


@pytest.mark.parametrize("last", [(38.5, 27.6), (38.5,)], ids=["both", "one height"])
def test_springs_read_by_hand_are_judged_where_they_were_read(tmp_path: Path, last) -> None:
    """Also with a new spring that was read at one height so far."""
    with open_book(tmp_path / "b.db", create=True) as db:
        new_set(db, SetPlan("elm", "single", labels_for("elm", 5)))
        key_in(db, find_set(db, "elm"), last=last)
        judged = judge_set(db, find_set(db, "elm"), must_reach=False)
    assert judged.heights_mm == (38.5, 27.6)
    assert judged.check is not None
    first = judged.check.springs[0]
    for mm, reading in zip((38.5, 27.6), first.readings, strict=True):
        assert reading.load_n == pytest.approx(1.7 * (53.0 - mm) * KG, rel=1e-6)


def test_a_label_that_two_sets_share_is_named_with_its_set_wherever_it_stands(tmp_path) -> None:
    """A flagged one, too, though it is no candidate beside the other."""
    labels = labels_for("larch", 8)
    with open_book(tmp_path / "b.db", create=True) as db:
        for name in ("elm", "oak"):
            new_set(db, SetPlan(name, "single", (*labels, f"{name}-x")))
        key_in(db, find_set(db, "elm"), weak="larch-05")
        key_in(db, find_set(db, "oak"))
        found = candidate_sets(db, parse_build(BUILD, "two.toml"), use_flagged=False)
    assert found.left_out == ["elm/larch-05"]
    assert found.sets["oak"].named("larch-05") == "oak/larch-05"
    assert found.sets["oak"].named("oak-x") == "oak-x"
