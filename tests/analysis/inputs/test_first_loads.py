"""First looks at springs, held to what a judgement of their set reads, on the demo's rig."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from sqlite_utils import Database

from coilbench.analysis.inputs import first_loads
from coilbench.analysis.inputs.first_loads import FirstLoads, Looks
from coilbench.analysis.inputs.measured import measured_set
from coilbench.capture.book.keyed_readings import store_readings
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import SetPlan, find_set, new_set, rename_set
from coilbench.capture.calibration.keyed_setup import KeyedSetup
from coilbench.capture.tables.keyed import KeyedReading
from support.demo_runs import demo_of

HEIGHTS_MM = np.array([27.0, 28.0, 30.0, 34.0, 37.0, 38.5])
ROLES = {"outer": ("larch", "rowan"), "inner": ("heron", "plover")}


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Database]:
    """Four sets of twelve springs, pressed by hand faster down than up, with lag and friction."""
    with open_book(demo_of(tmp_path_factory, 1).book) as db:
        yield db


Looked = tuple[FirstLoads, np.ndarray]


@pytest.fixture(scope="module")
def looked_at(demo: Database) -> Callable[[str], Looked]:
    return cache(lambda role: _looked_at(demo, role))


def _looked_at(db: Database, role: str) -> Looked:
    """First readings of a role, and what is read of the judged curves."""
    first = FirstLoads.read(db, (role, role), None, HEIGHTS_MM)
    exact_n = np.full(first.load_n.shape, np.nan)
    for name in ROLES[role]:
        for curve in measured_set(db, find_set(db, name)).curves:
            at = [(one.set_name, one.label) for one in first.springs].index((name, curve.label))
            exact_n[at] = curve.loads_n_at(HEIGHTS_MM)
    return first, exact_n


@pytest.mark.parametrize("role", ["outer", "inner"])
def test_the_branches_hold_the_judged_load_between_them(
    looked_at: Callable[[str], Looked], role: str
) -> None:
    first, exact_n = looked_at(role)
    assert not (exact_n < first.least_n).any()
    assert not (exact_n > first.most_n).any()


@pytest.mark.parametrize(("role", "most_n"), [("outer", 2.5), ("inner", 1.5)])
def test_what_is_seen_on_judged_springs_holds_on_others(
    looked_at: Callable[[str], Looked], monkeypatch: pytest.MonkeyPatch, role: str, most_n: float
) -> None:
    """Springs taken out at random, a hundred times: of their loads hardly one is outside."""
    monkeypatch.setattr(first_loads, "ENOUGH_SEEN", 18)
    first, exact_n = looked_at(role)
    shares = first.shares(exact_n)
    random = np.random.default_rng(7)
    outside = []
    for _ in range(100):
        others = random.permutation(len(shares))[:6]
        near = first.within(Looks.seen(np.delete(shares, others, axis=0)))
        beyond = (exact_n < near.least_n) | (exact_n > near.most_n)
        outside.append(beyond[others].mean())
        assert np.median(near.most_n - near.least_n, axis=0).max() / 2.0 <= most_n
    assert np.mean(outside) <= 0.02


def test_a_look_that_is_off_by_more_widens_them_all() -> None:
    shares = np.linspace(-0.1, 0.1, 40)[:, None]
    before, after = Looks.seen(shares), Looks.seen(np.concatenate([shares, [[0.3]]]))
    assert after.high[0] > 0.3
    assert after.high[0] - after.low[0] == pytest.approx(first_loads.WIDER * 0.4)
    assert before.high[0] - before.low[0] == pytest.approx(first_loads.WIDER * 0.2)


def test_few_judged_springs_narrow_nothing() -> None:
    few = Looks.seen(np.zeros((first_loads.ENOUGH_SEEN - 1, 1)))
    assert (few.low[0], few.high[0]) == (-first_loads.OFF_SHARE, first_loads.OFF_SHARE)
    none = Looks.seen(np.zeros((0, 1)))
    assert (none.low[0], none.high[0]) == (few.low[0], few.high[0])
    assert none.springs == 0


def test_springs_read_by_hand_have_the_judged_load_between_their_readings(tmp_path: Path) -> None:
    """Each reading is a stroke of its own, as `note` stores them, some of them read twice."""
    path = tmp_path / "book.db"
    heights_mm = (39.0, 37.0, 34.0, 31.0, 28.0, 26.2, 34.0)
    with open_book(path, create=True) as db:
        elm = new_set(db, SetPlan("elm", "outer", ("elm-01", "elm-02")))
        for label, rate in (("elm-01", 15.0), ("elm-02", 15.4)):
            for turn, mm in enumerate(heights_mm):
                load_n = rate * (54.0 - mm) ** 1.01 + 0.2 * (turn % 3)
                readings = [KeyedReading(label, load_n, height_mm=mm)]
                store_readings(db, elm, readings, KeyedSetup())
        at_mm = np.array([25.0, 27.6, 34.0, 38.5])
        first = FirstLoads.read(db, ("outer", "outer"), None, at_mm)
        exact_n = [curve.loads_n_at(at_mm) for curve in measured_set(db, elm).curves]
    assert np.isnan(first.load_n[:, 0]).all()  # nothing was read so low
    inside = first.load_n[:, 1:]
    assert inside == pytest.approx(np.array(exact_n)[:, 1:], rel=1e-9)
    assert (first.least_n[:, 1:] < inside).all()
    assert (inside < first.most_n[:, 1:]).all()


def test_the_springs_stand_in_one_order_in_every_book(
    tmp_path: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Whatever a book calls the sets: so a sheet of the same springs is the same at each bench."""
    one, other = (Path(shutil.copyfile(demo_of(tmp_path_factory, 1).book, tmp_path / name))
                  for name in ("one.db", "other.db"))  # fmt: skip
    with open_book(other) as db:
        rename_set(db, find_set(db, "larch"), "zelkova")
    orders = []
    for path in (one, other):
        with open_book(path) as db:
            springs = FirstLoads.read(db, ("outer", "outer"), None, HEIGHTS_MM).springs
            orders.append([spring.row for spring in springs])
    assert orders[0] == orders[1]
    assert len(orders[0]) == 24
