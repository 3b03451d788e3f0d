"""The grid of keyed readings: keys and mouse, by the test driver that comes with Textual."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlite_utils import Database
from textual.coordinate import Coordinate
from textual.pilot import Pilot

from coilbench.analysis.dashboard.grid import Grid
from coilbench.analysis.dashboard.grid_state import Cell
from coilbench.analysis.inputs.keying import Desk
from coilbench.analysis.report.units import Units
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import SetPlan, find_set, labels_for, new_set
from coilbench.capture.calibration.keyed_setup import KeyedSetup
from support.grid_person import at, keyed, shown, stored, typing


@pytest.fixture
def db(tmp_path: Path) -> Iterator[Database]:
    with open_book(tmp_path / "b.db", create=True) as opened:
        labels = labels_for("oak", 4)
        plan = SetPlan("oak", "outer", labels, free_length_mm=53.0, solid_height_mm=24.0)
        new_set(opened, plan)
        yield opened


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


def test_a_key_that_does_not_answer_is_told_which_do(db: Database) -> None:
    seen: dict[str, list[str]] = {}

    async def press(pilot: Pilot[None], grid: Grid) -> None:
        await typing("22.4", "enter", "left")(pilot, grid)
        for key in ("5", "x", "enter", "tab", "p", "u", "up", "space"):
            await typing("22.5", "enter")(pilot, grid)
            await pilot.pause()
            before = shown(grid)
            await pilot.press(key)
            await pilot.pause()
            seen[key] = [line for line in shown(grid) if line not in before]
            await pilot.press("n")

    keyed(db, press)
    assert [key for key, new in seen.items() if not any("r or a or n" in one for one in new)] == []
    assert stored(db) == [("oak-01", 38.5, 22.4)]
