"""The grid led by a plan through its sets, and what it says."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlite_utils import Database
from textual.pilot import Pilot

from coilbench.analysis.dashboard.grid import Grid
from coilbench.analysis.inputs.keying import Desk
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import SetPlan, find_set, labels_for, new_set
from coilbench.capture.calibration.keyed_setup import KeyedSetup
from coilbench.capture.tables.keyed import KeyedReading
from support.grid_person import KG, Plan, at, keyed, shown, stored, typing


@pytest.fixture
def db(tmp_path: Path) -> Iterator[Database]:
    with open_book(tmp_path / "b.db", create=True) as opened:
        labels = labels_for("oak", 4)
        plan = SetPlan("oak", "outer", labels, free_length_mm=53.0, solid_height_mm=24.0)
        new_set(opened, plan)
        yield opened


def test_the_plans_cells_are_lit_and_asked_for_first(db: Database) -> None:
    plan = Plan((("oak", "oak-03", 33.0),))

    async def press(pilot: Pilot[None], grid: Grid) -> None:
        assert at(grid) == ("oak-03", 33.0)
        assert grid.state.view(("oak-03", 33.0)).mark == ">"
        await typing("31.5", "enter")(pilot, grid)
        await pilot.pause()
        assert at(grid) == ("oak-03", 33.0)  # led to nothing that is not wanted

    grid = keyed(db, press, plan=plan)
    assert stored(db) == [("oak-03", 33.0, 31.5)]
    assert plan.asked == 2  # again when all that it named is read
    assert "no more by the plan" in grid.state.plan_words
    assert grid.state.lit == ()


@pytest.fixture
def two(db: Database) -> Database:
    """A second set, of fewer springs."""
    new_set(db, SetPlan("elm", "inner", labels_for("elm", 2), free_length_mm=50.0))
    return db


BOTH = (("oak", "oak-01", 38.5), ("oak", "oak-04", 38.5), ("elm", "elm-02", 36.5))


def test_one_grid_leads_through_the_sets_of_a_plan_in_its_order(two: Database) -> None:
    plan, seen = Plan(BOTH, (("oak", "oak-02", 27.6),)), list[tuple[str, str, float]]()

    async def press(pilot: Pilot[None], grid: Grid) -> None:
        for load in ("22.4", "22.6", "11.2", "41.7"):
            seen.append((grid.state.desk.record.name, *at(grid)))
            await typing(load, "enter")(pilot, grid)
            await pilot.pause()
            assert f"{grid.state.desk.record.name}-01" in "\n".join(shown(grid))

    keyed(two, press, plan=plan, heights_mm=())
    assert seen == [*BOTH, ("oak", "oak-02", 27.6)]
    assert plan.asked == 3  # once a batch, not once a set
    assert [read for read, *_ in stored(two)] == ["oak-01", "oak-02", "oak-04"]
    assert [read for read, *_ in stored(two, "elm")] == ["elm-02"]


def test_a_cell_that_the_plan_names_again_is_pressed_again(db: Database) -> None:
    """Named in the next batch, and twice in one: another press, asked no question."""
    named = ("oak", "oak-01", 38.5)
    plan, marks = Plan((named,), (named, named)), list[str]()

    async def press(pilot: Pilot[None], grid: Grid) -> None:
        for load in ("22.4", "22.5", "22.3"):
            marks.append(grid.state.view(("oak-01", 38.5)).mark)
            assert at(grid) == ("oak-01", 38.5)
            await typing(load, "enter")(pilot, grid)
            await pilot.pause()
            assert grid.state.question is None
        marks.append(grid.state.view(("oak-01", 38.5)).mark)

    keyed(db, press, plan=plan, heights_mm=())
    assert [load for *_, load in stored(db)] == [22.4, 22.5, 22.3]
    assert marks == [">", ">", ">", " "]
    assert plan.asked == 3


def test_undo_goes_back_across_the_sets(two: Database) -> None:
    where: list[str] = []

    async def press(pilot: Pilot[None], grid: Grid) -> None:
        await typing("22.4", "enter", "22.6", "enter", "11.2", "enter")(pilot, grid)
        for cell in ("elm-02", "oak-04", "oak-01"):
            await typing("u")(pilot, grid)
            await pilot.pause()
            where.append(at(grid)[0])
            assert cell in "\n".join(shown(grid))
        await typing("u")(pilot, grid)
        assert "Nothing" in grid.state.said

    keyed(two, press, plan=Plan(BOTH), heights_mm=())
    assert where == ["elm-02", "oak-04", "oak-01"]
    assert stored(two) == stored(two, "elm") == []


def test_the_plans_sets_are_turned_over_by_a_key(two: Database) -> None:
    pages: list[str] = []

    async def press(pilot: Pilot[None], grid: Grid) -> None:
        await typing("down", "down", "down")(pilot, grid)  # a row that elm does not have
        for _ in range(2):
            await typing("s")(pilot, grid)
            await pilot.pause()
            pages.append(grid.state.desk.record.name)
            assert grid.state.desk.record.role in "\n".join(shown(grid))

    keyed(two, press, plan=Plan(BOTH), heights_mm=())
    assert pages == ["elm", "oak"]


def test_how_another_sets_readings_are_taken_is_said(two: Database) -> None:
    async def press(pilot: Pilot[None], grid: Grid) -> None:
        await typing("22.4", "enter", "22.6", "enter")(pilot, grid)
        await pilot.pause()
        assert "Now elm (inner). As the last time: tare." in " ".join(shown(grid))

    keyed(two, press, plan=Plan(BOTH), heights_mm=())


def test_a_cell_of_many_readings_leaves_the_grid_on_the_screen(db: Database) -> None:
    desk = Desk(db, find_set(db, "oak"), KeyedSetup())
    for _ in range(12):
        desk.keep(KeyedReading("oak-01", 22.4 * KG, 38.5))
    seen: list[str] = []

    async def press(pilot: Pilot[None], grid: Grid) -> None:
        await typing("left", "up")(pilot, grid)
        await pilot.pause()
        seen.extend(shown(grid))

    keyed(db, press)
    whole = "\n".join(seen)
    assert "10 before; " in whole
    assert all(word in whole for word in ("oak-01", "oak-04", "q leave"))
