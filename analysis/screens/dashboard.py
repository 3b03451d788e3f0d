"""The live dashboard as something rich can draw: one frame from one scene. Pure.

Nothing is remembered here: the same scene and size give the same frame.
"""

from __future__ import annotations

from dataclasses import dataclass

from rich.console import Group, RenderableType
from rich.text import Text

from coilbench.analysis.curves.bind import bind_warning
from coilbench.analysis.screens.dashboard_table import SetTable, reason_lines, table_lines
from coilbench.analysis.screens.dashboard_words import (
    SAFETY,
    event_lines,
    link_line,
    phase_words,
    turn_words,
)
from coilbench.analysis.screens.height_bar import HeightBar, marks_for
from coilbench.analysis.screens.large_type import large
from coilbench.analysis.screens.plot import Axis, Trace, draw, joined
from coilbench.capture.running.snapshot import Snapshot
from coilbench.capture.units import Units

NARROW = 70  # below it the table stands alone, without the curve
TALL = 32  # from here on the turn is in large type, and more is said of flags and events
FEWEST_BODY = 4
HUGE = 44  # and from here on load and height are too
BETWEEN = 6  # dots between two heights of the band
TOUCHED_SHARE = 0.02  # of the stroke's highest load: less is the quill's way down to the spring
FEWEST_CURVE, FEWEST_ROWS = 26, 6  # characters and lines, below which no curve is drawn


@dataclass(frozen=True)
class Scene:
    """Everything a frame is drawn from.

    Attributes:
        snapshot: the state of the capture.
        table: the set so far.
        units: display units.
        heights_mm: the heights asked for, seat and open; without, those of the set's nominal.
        standing: how old the calibration is and what the last check said, in words.
        keys: what the keys do, or what is being typed.
    """

    snapshot: Snapshot
    table: SetTable
    units: Units
    heights_mm: tuple[float, ...] = ()
    standing: str = ""
    keys: str = ""


@dataclass(frozen=True)
class _Block:
    """Lines that stay together; on a small screen the highest rank gives way first, 0 never."""

    rank: int
    lines: list[Text]


def frame(scene: Scene, *, width: int, height: int, ascii_only: bool) -> RenderableType:
    """Return one frame that fits a screen of width x height characters.

    Args:
        scene: what is shown.
        width, height: of the screen.
        ascii_only: the terminal cannot show braille or blocks.
    """
    tall = height >= TALL
    bar, words = _bar(scene, width)
    above = [
        _Block(0, [_head(scene), link_line(scene.snapshot)]),
        _Block(3, [Text(scene.standing)] if scene.standing else []),
        _Block(0, _turn(scene, width, tall=tall, ascii_only=ascii_only)),
        _Block(0, _live(scene, width, huge=height >= HUGE, ascii_only=ascii_only)),
        _Block(1, bar),
        _Block(0, [words]),
    ]
    below = [
        _Block(4, reason_lines(scene.table, 8 if tall else 2)),
        _Block(0, event_lines(scene.snapshot, 5 if tall else 2, width)),
        _Block(2, [Text(scene.keys, "bold")] if scene.keys else []),
        _Block(0, [Text(SAFETY, "italic")]),
    ]
    room = _give_way([*above, *below], height - FEWEST_BODY) + FEWEST_BODY
    lines = [line for block in above for line in block.lines]
    lines += _body(scene, width, max(1, room), ascii_only=ascii_only)
    lines += [line for block in below for line in block.lines]
    del lines[height - 1 : -1]  # the caution stays, however small the screen
    return Group(*(_fit(line, ascii_only=ascii_only) for line in lines))


def _give_way(blocks: list[_Block], most: int) -> int:
    """Empty blocks, the highest rank first, until at most so many lines are left; the rest."""
    used = sum(len(block.lines) for block in blocks)
    for block in sorted(blocks, key=lambda block: -block.rank):
        if used <= most or block.rank == 0:
            break
        used -= len(block.lines)
        block.lines.clear()
    return most - used


def _fit(line: Text, *, ascii_only: bool) -> Text:
    line.no_wrap, line.overflow = True, "crop" if ascii_only else "ellipsis"
    return line


def _head(scene: Scene) -> Text:
    snapshot = scene.snapshot
    done = f"{snapshot.springs_done} of {snapshot.springs} springs done"
    return Text.assemble(("coilbench", "bold"), f"  set {snapshot.set_name}  {done}")


def _turn(scene: Scene, width: int, *, tall: bool, ascii_only: bool) -> list[Text]:
    who, which = turn_words(scene.snapshot)
    letters = large(who, ascii_only=ascii_only) if tall else None
    if letters is None or len(letters[0]) + 4 > width:
        return [Text(f"NOW: {who}, {which}" if scene.snapshot.label else which, "bold reverse")]
    blank = Text("")
    return [blank, *(Text(f"  {line}", "bold") for line in letters), Text(f"  {which}", "bold")]


def _live(scene: Scene, width: int, *, huge: bool, ascii_only: bool) -> list[Text]:
    snapshot, units = scene.snapshot, scene.units
    load = units.load_text(snapshot.load_n)
    load = load.removeprefix("-") if load.startswith("-0.0") else load  # an empty cell's noise
    height, depth = units.length_text(snapshot.height_mm), units.length_text(snapshot.depth_mm)
    letters = large(f"{load:>9}   {height:>9}", ascii_only=ascii_only) if huge else None
    if letters is not None and len(letters[0]) + 4 <= width:
        words = f"  load, and height; depth {depth}, {phase_words(snapshot)}"
        blank = Text("")
        return [blank, *(Text(f"  {line}") for line in letters), Text(words)]
    line = Text.assemble(
        (f"{load:>12}", "bold"),
        "   height ",
        (height, "bold"),
        "   depth ",
        (depth, "bold"),
        f"   {phase_words(snapshot)}",
    )
    return [line]


def _bar(scene: Scene, width: int) -> tuple[list[Text], Text]:
    """Return the bar's lines, and how far it is: to the next mark and to the coils' bind."""
    snapshot, solid_mm, units = scene.snapshot, scene.table.solid_mm, scene.units
    marks = marks_for(scene.heights_mm or scene.table.nominal_mm, snapshot.reach_height_mm)
    bar = HeightBar(snapshot.height_mm, snapshot.free_length_mm, solid_mm, marks)
    lines = [Text(line) for line in bar.lines(width, units) if line]
    warning = None
    if snapshot.height_mm is not None:
        warning = bind_warning(snapshot.height_mm, solid_mm, 0.0, units)
    if warning is not None and warning.startswith("STOP"):
        return lines, Text(warning, "bold red reverse")
    said = [words for words in (bar.words(units), warning) if words]
    return lines, Text("; ".join(said))


def _body(scene: Scene, width: int, room: int, *, ascii_only: bool) -> list[Text]:
    """Return the table and, beside it where there is room, the curve."""
    left = table_lines(scene.table, scene.snapshot.label, scene.units, room)
    taken = max(line.cell_len for line in left) + 2
    if width < NARROW or width - taken < FEWEST_CURVE or room < FEWEST_ROWS:
        return left + [Text("")] * (room - len(left))
    right = _curve(scene, width - taken, room, ascii_only=ascii_only)
    lines = []
    for at in range(room):
        line = left[at] if at < len(left) else Text("")
        line.append(" " * (taken - line.cell_len))
        # a style of its own, so that a picture of the frame keeps the curve's columns in place
        lines.append(line.append(right[at] if at < len(right) else "", "not bold"))
    return lines


def _curve(scene: Scene, width: int, height: int, *, ascii_only: bool) -> list[str]:
    """Return the running stroke, over the band of the springs measured so far."""
    units, table = scene.units, scene.table
    most_n = max((n for _, n in scene.snapshot.curve), default=0.0)
    touched = [(h, n) for h, n in scene.snapshot.curve if n > TOUCHED_SHARE * most_n]
    stroke, low, high = (
        [(units.length_value(height_mm), units.load_value(n)) for height_mm, n in points]
        for points in (
            touched,
            [(height_mm, low_n) for height_mm, low_n, _ in table.band],
            [(height_mm, high_n) for height_mm, _, high_n in table.band],
        )
    )
    heights = [x for x, _ in stroke + low]
    loads = [y for _, y in stroke + high]
    if len(heights) < 3 or max(heights) - min(heights) < 1e-6 or max(loads) <= 0:
        return ["", " (the running stroke is drawn here)"]
    across = Axis(f"height {units.length}", max(heights), min(heights))
    up = Axis(f"load {units.load}", 0.0, max(loads))
    # the band in fine dots and the stroke in stars: told apart without colour
    traces = [Trace(joined(points, BETWEEN)) for points in (low, high) if points]
    traces.append(Trace(joined(stroke, 1), "*" if traces else None))
    return draw(traces, across, up, width, height, ascii_only=ascii_only)
