"""Somebody at the grid of keyed readings: keys, what is on the screen, what is in the book."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable

from sqlite_utils import Database
from textual.pilot import Pilot

from coilbench.analysis.dashboard.grid import Grid
from coilbench.analysis.dashboard.grid_state import Cell, GridState
from coilbench.analysis.engine.presses import Press as Asked
from coilbench.analysis.inputs.batch import Batch
from coilbench.analysis.inputs.keying import Desk
from coilbench.analysis.report.units import Units
from coilbench.capture.book.sets import find_set
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
