"""The grid of keyed readings: keys and mouse, by the test driver that comes with Textual."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Iterator
from pathlib import Path

import pytest
from sqlite_utils import Database
from textual.coordinate import Coordinate
from textual.pilot import Pilot

from coilbench.analysis.dashboard.grid import Grid
from coilbench.analysis.dashboard.grid_state import Cell, GridState
from coilbench.analysis.engine.press_shop import Press as Asked
from coilbench.analysis.inputs.batch import Batch
from coilbench.analysis.inputs.keying import Desk
from coilbench.analysis.report.units import Units
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import SetPlan, find_set, labels_for, new_set
from coilbench.capture.calibration.keyed_setup import KeyedSetup

KG = 9.80665
Press = Callable[[Pilot[None], Grid], Awaitable[None]]


class Plan:
    """Names one batch of presses after the other; a press is a set, a spring, a height."""

    def __init__(self, *batches: tuple[tuple[str, str, float], ...]) -> None:
        self.batches, self.asked = batches, 0

    def ask(self) -> tuple[Asked, ...]:
        self.asked += 1
        at = self.asked - 1
        named = self.batches[at] if at < len(self.batches) else ()
        return tuple(Asked(*each, None, "begin") for each in named)

    def batch(self, db: Database, desk: Desk) -> Batch:
        def open_desk(name: str) -> tuple[Desk, str]:
            return Desk(db, find_set(db, name), desk.setup, desk.units), "As the last time: tare."

        return Batch(self.ask(), self.ask, desk, open_desk)


@pytest.fixture
def db(tmp_path: Path) -> Iterator[Database]:
    with open_book(tmp_path / "b.db", create=True) as opened:
        labels = labels_for("oak", 4)
        plan = SetPlan("oak", "outer", labels, free_length_mm=53.0, solid_height_mm=24.0)
        new_set(opened, plan)
        yield opened


def keyed(
    db: Database,
    press: Press,
    heights_mm: tuple[float, ...] = (38.5, 27.6),
    *,
    units: Units | None = None,
    plan: Plan | None = None,
    size: tuple[int, int] = (80, 24),
) -> Grid:
    """Open the grid on the set, press, and return it as it was before it closed."""
    shown = units or Units()
    names = (shown.length, shown.load)
    desk = Desk(db, find_set(db, "oak"), KeyedSetup(), names, heights_mm)
    batch = None if plan is None else plan.batch(db, desk)
    grid = Grid(GridState(desk, shown, batch))

    async def run() -> None:
        async with grid.run_test(size=size) as pilot:
            await press(pilot, grid)
            await pilot.pause()

    asyncio.run(run())
    return grid


def typing(*keys: str) -> Press:
    """Press keys; what begins with a figure is typed character by character."""

    async def press(pilot: Pilot[None], _grid: Grid) -> None:
        for key in keys:
            await pilot.press(*_characters(key))

    return press


def _characters(key: str) -> list[str]:
    named = {".": "full_stop", " ": "space", "#": "number_sign"}
    if key[0].isdigit():
        return [named.get(figure, figure) for figure in key]
    return [key]


def stored(db: Database, name: str = "oak") -> list[tuple[str, float, float]]:
    """What counts, read from the book anew: label, height, what the scale showed in kg."""
    desk = Desk(db, find_set(db, name), KeyedSetup())
    return [
        (row.stroke.label, row.height_mm, round(row.reading.shown_load_n / KG, 2))
        for row in desk.counting
    ]


def at(grid: Grid) -> Cell | None:
    return grid.cell


def shown(grid: Grid) -> list[str]:
    lines = grid.screen._compositor.render_strips()
    return ["".join(segment.text for segment in strip) for strip in lines]


def test_enter_stores_each_and_goes_on_to_the_next_missing(db: Database) -> None:
    grid = keyed(db, typing("22.4", "enter", "41.7", "enter", "22.7", "enter"))
    assert stored(db) == [("oak-01", 38.5, 22.4), ("oak-01", 27.6, 41.7), ("oak-02", 38.5, 22.7)]
    assert grid.state.counted() == (3, 8)
    assert grid.state.view(("oak-02", 27.6)).missing


def test_what_is_stored_is_there_after_a_kill(db: Database) -> None:
    """Seen through a connection of its own while the grid is still open."""
    seen: list[int] = []

    async def press(pilot: Pilot[None], _grid: Grid) -> None:
        await pilot.press("2", "2", "enter")
        await pilot.pause()
        path = db.execute("PRAGMA database_list").fetchone()[2]
        other = Database(path)
        seen.append(other.table("sweeps").count)
        other.close()

    keyed(db, press)
    assert seen == [1]


def test_down_a_column_by_arrows(db: Database) -> None:
    grid = keyed(db, typing("22.4", "down", "22.6", "down", "22.5", "right"))
    assert [one[0] for one in stored(db)] == ["oak-01", "oak-02", "oak-03"]
    assert {one[1] for one in stored(db)} == {38.5}
    assert grid.state.typed == ""


def test_keys_in_one_burst_keep_their_order(db: Database) -> None:
    """As a fast hand or a slow machine gives them: no Enter may overtake its figures."""

    async def press(pilot: Pilot[None], _grid: Grid) -> None:
        await pilot.press(*"22", "enter", *"41", "enter", *"23", "enter")

    keyed(db, press)
    assert [one[2] for one in stored(db)] == [22.0, 41.0, 23.0]


def test_an_odd_cell_is_marked_while_it_is_typed_and_asked_about(db: Database) -> None:
    marks: list[str] = []

    async def press(pilot: Pilot[None], grid: Grid) -> None:
        await typing("22.4", "enter", "41.7", "enter", "22.7", "enter", "419")(pilot, grid)
        await pilot.pause()
        marks.append(grid.sheet.get_cell_at(Coordinate(1, 1)).plain)
        await pilot.press("enter")
        await pilot.pause()
        assert grid.state.question is not None
        assert set(grid.state.question.answers) == {"y", "n", "m"}
        await pilot.press("x", "5")  # no answers: nothing comes of them
        await pilot.press("m")

    keyed(db, press)
    assert marks == ["!419_"]  # a character, not colour alone
    assert stored(db)[-1] == ("oak-02", 27.6, 41.9)


def test_stored_as_it_is_the_mark_stays(db: Database) -> None:
    keys = ("22.4", "enter", "41.7", "enter", "22.7", "enter", "70", "enter", "y")
    grid = keyed(db, typing(*keys))
    assert stored(db)[-1] == ("oak-02", 27.6, 70.0)
    assert grid.state.view(("oak-02", 27.6)).mark == "!"
    assert grid.state.view(("oak-01", 27.6)).mark == " "


def test_less_load_deeper_asks_which_is_wrong(db: Database) -> None:
    keys = ("41.7", "enter", "22.4", "enter")
    grid = keyed(db, typing(*keys))
    assert grid.state.question is not None
    assert "y" not in grid.state.question.answers
    keyed(db, typing(*keys[2:], "o"))
    assert stored(db) == [("oak-01", 27.6, 22.4)]


def test_what_no_spring_does_is_not_stored(db: Database) -> None:
    grid = keyed(db, typing("0", "enter"))
    assert stored(db) == []
    assert grid.state.question is not None
    assert list(grid.state.question.answers) == ["n"]


@pytest.mark.parametrize("keys", [("x",), ("x", "enter"), ("escape",), ("backspace",), ("delete",)])
def test_what_is_no_load_does_no_harm(db: Database, keys: tuple[str, ...]) -> None:
    keyed(db, typing(*keys, "q"))
    assert stored(db) == []


def test_undo_and_delete_and_undo_of_it(db: Database) -> None:
    keys = ("22.4", "enter", "41.7", "enter", "u")
    keyed(db, typing(*keys))
    assert stored(db) == [("oak-01", 38.5, 22.4)]
    keyed(db, typing("up", "left", "delete"))
    assert stored(db) == []
    keyed(db, typing("22.5", "enter", "up", "left", "delete", "u"))
    assert stored(db) == [("oak-01", 38.5, 22.5)]


@pytest.mark.parametrize(("answer", "loads"), [("r", [22.6]), ("a", [22.4, 22.6]), ("n", [22.4])])
def test_a_cell_that_is_read_is_typed_again(db: Database, answer: str, loads: list[float]) -> None:
    keyed(db, typing("22.4", "enter", "left", "22.6", "enter", answer))
    assert [one[2] for one in stored(db)] == loads


def test_a_way_up_and_a_remark(db: Database) -> None:
    keyed(db, typing("22.4 up # rusty", "enter"))
    (row,) = Desk(db, find_set(db, "oak"), KeyedSetup()).counting
    assert (row.reading.loading, row.reading.remark) == (False, "rusty")


def test_a_height_is_added_where_it_belongs(db: Database) -> None:
    heads: list[str] = []

    async def press(pilot: Pilot[None], grid: Grid) -> None:
        await typing("h", "30", "enter")(pilot, grid)
        await pilot.pause()
        heads.extend(str(column.label).split()[0] for column in grid.sheet.ordered_columns)

    keyed(db, press)
    assert heads == ["38.50", "30.00", "27.60"]
    grid = keyed(db, typing("h", "23", "enter"))  # below solid
    assert grid.state.heights_mm == [38.5, 27.6]
    assert "solid" in grid.state.said


@pytest.mark.parametrize(("answer", "heights_mm"), [("d", [38.0]), ("n", [])])
def test_a_first_height_that_may_be_a_depth_is_asked_about(
    db: Database, answer: str, heights_mm: list[float]
) -> None:
    grid = keyed(db, typing("h", "15", "enter", answer), ())
    assert grid.state.heights_mm == heights_mm


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


def test_the_mouse_moves_and_stores_what_was_typed(db: Database) -> None:
    async def press(pilot: Pilot[None], grid: Grid) -> None:
        await typing("22.4")(pilot, grid)
        screen = shown(grid)
        top = next(y for y, line in enumerate(screen) if "oak-01" in line)
        beside = screen[top].rindex(".")  # the next height's, not read yet
        await pilot.click(offset=(beside, top + 2))
        await pilot.pause()
        assert at(grid) == ("oak-03", 27.6)
        await typing("41.7", "enter")(pilot, grid)

    keyed(db, press)
    assert stored(db) == [("oak-01", 38.5, 22.4), ("oak-03", 27.6, 41.7)]


@pytest.mark.parametrize("size", [(80, 24), (200, 60)])
def test_caution_cells_and_keys_are_on_the_screen(db: Database, size: tuple[int, int]) -> None:
    screens: list[list[str]] = []

    async def press(pilot: Pilot[None], grid: Grid) -> None:
        await typing("22.4", "enter")(pilot, grid)
        await pilot.pause()
        screens.append(shown(grid))

    keyed(db, press, size=size)
    (lines,) = screens
    assert len(lines) == size[1]
    assert "blind" in lines[0]
    whole = "\n".join(lines)
    assert all(word in whole for word in ("38.50 mm", "14.50 dn", "22.40", "oak-04", "q leave"))
    assert sum(line.split()[1:2] == ["."] for line in lines) == 3  # the missing ones


def test_in_inches_and_pounds(db: Database) -> None:
    keyed(db, typing("50", "enter"), units=Units(length="in", load="lbf"))
    ((_, height_mm, load_kg),) = stored(db)
    assert (height_mm, load_kg) == (38.5, pytest.approx(50 * 0.45359237, abs=0.005))


def test_as_many_heights_as_fit_are_seen_whole_and_a_long_cell_too(db: Database) -> None:
    seen: list[str] = []

    async def press(pilot: Pilot[None], grid: Grid) -> None:
        await typing("22.4", "enter", "left", "22.5 up # wiped and dry", "enter")(pilot, grid)
        await pilot.pause()
        seen.extend(shown(grid))

    keyed(db, press, (38.5, 37.0, 35.5, 34.0, 32.5), size=(80, 24))
    whole = "\n".join(seen)
    assert all(f"{mm:.2f} mm" in whole for mm in (38.5, 37.0, 35.5, 34.0, 32.5))
    assert "22.40 u22.50" in whole


@pytest.mark.parametrize("key", ["q", "ctrl+c"])
def test_leaving_forgets_nothing_that_was_stored(db: Database, key: str) -> None:
    keys = ("22.4", "enter", *(("41", "ctrl+c") if key == "ctrl+c" else (key,)))
    grid = keyed(db, typing(*keys))
    assert not grid.is_running
    assert stored(db) == [("oak-01", 38.5, 22.4)]


def last_cell(db: Database, *keys: str, heights_mm: tuple[float, ...] = (38.5, 27.6)) -> Cell:
    """Press keys; return where the cursor is then."""
    found: list[Cell | None] = []

    async def press(pilot: Pilot[None], grid: Grid) -> None:
        await typing(*keys)(pilot, grid)
        await pilot.pause()
        found.append(grid.cell)

    keyed(db, press, heights_mm)
    assert found[0] is not None
    return found[0]


def test_undo_returns_to_the_cell_so_that_a_value_typed_again_lands_there(db: Database) -> None:
    keys = ("22.4", "enter", "41.7", "enter", "u", "41.9", "enter")
    assert last_cell(db, *keys) == ("oak-02", 38.5)
    assert stored(db) == [("oak-01", 38.5, 22.4), ("oak-01", 27.6, 41.9)]
    last_cell(db, "22.7", "enter", "42.3", "enter", "u", "u", "22.6", "enter")
    assert stored(db)[2:] == [("oak-02", 38.5, 22.6)]


def test_the_cursor_walks_the_heights_that_were_asked_for(db: Database) -> None:
    """Other columns are seen, since something is read there, but not gone to."""
    last_cell(db, "12.7", "enter", heights_mm=(44.0,))
    last_cell(db, "31.8", "enter", heights_mm=(33.0,))
    assert last_cell(db, "22.4", "enter", "41.7", "enter") == ("oak-02", 38.5)
    # a cell that was not asked for is typed into: it goes on with those that were
    assert last_cell(db, "right", "31.9", "enter") == ("oak-02", 27.6)
    assert ("oak-02", 33.0, 31.9) in stored(db)


@pytest.mark.parametrize("key", ["5", "x", "enter", "tab", "p", "u", "up", "space"])
def test_a_key_that_does_not_answer_is_told_which_do(db: Database, key: str) -> None:
    seen: list[str] = []

    async def press(pilot: Pilot[None], grid: Grid) -> None:
        await typing("22.4", "enter", "left", "22.5", "enter")(pilot, grid)
        await pilot.pause()
        before = shown(grid)
        await pilot.press(key)
        await pilot.pause()
        seen.extend(line for line in shown(grid) if line not in before)
        await pilot.press("n")

    keyed(db, press)
    assert any("r or a or n" in line for line in seen)
    assert stored(db) == [("oak-01", 38.5, 22.4)]
