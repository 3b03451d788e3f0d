"""The live dashboard as something rich can draw: one frame from one snapshot. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from coilbench.analysis.screens.plot import Axis, Trace, draw
from coilbench.capture.running.snapshot import Snapshot
from coilbench.capture.units import Units

SAFETY = "Eye protection on, press unplugged, spring captive; stop before coil bind."
STALE_S = 2.0
NARROW = 70
TOUCHED_SHARE = 0.02  # of the stroke's highest load: less is the quill's way down to the spring


@dataclass(frozen=True)
class SpringRow:
    """One spring's line in the set's table.

    Attributes:
        loads_n: at the table's heights; None where not measured.
        flags: kinds of its flags.
    """

    label: str
    strokes: int
    loads_n: tuple[float | None, ...]
    flags: tuple[str, ...]


@dataclass(frozen=True)
class SetTable:
    """The set's table: the heights it reads at, and a row a spring in turn order."""

    heights_mm: tuple[float, ...]
    strokes_wanted: int
    rows: tuple[SpringRow, ...]


def link_line(snapshot: Snapshot) -> Text:
    """Say how the link is, in words; the state never hangs on the colour alone."""
    age_s = snapshot.sample_age_s
    if snapshot.link != "up":
        state, style = f"LINK {snapshot.link.upper()}: {snapshot.link_words}", "bold red"
    elif age_s is None:
        state, style = "link up, no sample yet", "yellow"
    elif age_s > STALE_S:
        state, style = f"NO SAMPLE for {age_s:.1f} s: check the cable", "bold red"
    else:
        state, style = f"link good, last sample {age_s:.1f} s ago", "green"
    counts = (
        f"  {snapshot.rate_hz:.1f}/s  lost {snapshot.samples_lost}  "
        f"bad {snapshot.lines_bad}  restarts {snapshot.restarts}"
    )
    return Text.assemble((state, style), counts)


def frame(
    snapshot: Snapshot, table: SetTable, units: Units, *, width: int, height: int, ascii_only: bool
) -> RenderableType:
    """Return one frame that fits a screen of width x height characters.

    Args:
        snapshot: the state of the capture.
        table: the set so far.
        units: display units.
        width, height: of the screen.
        ascii_only: the terminal cannot show braille.
    """
    head = Text.assemble(
        ("coilbench", "bold"),
        f"  set {snapshot.set_name}  {snapshot.springs_done} of {snapshot.springs} springs done",
    )
    turn = "the set is done" if snapshot.turn is None else f"NOW: {snapshot.turn}"
    live = Text.assemble(
        (f"{units.load_text(snapshot.load_n):>12}", "bold"),
        "   at height ",
        (units.length_text(snapshot.height_mm), "bold"),
        f"   ({snapshot.phase})",
    )
    lines: list[RenderableType] = [head, link_line(snapshot), Text(turn, "bold reverse"), live]
    foot = [Text(snapshot.event), Text(SAFETY, "italic")]
    room = max(6, height - len(lines) - len(foot) - 3)
    body = _set_table(table, snapshot.label, units, room)
    if width >= NARROW:
        grid = Table.grid(padding=(0, 2))
        grid.add_row(body, _curve(snapshot, units, width - 40, room, ascii_only=ascii_only))
        lines.append(grid)
    else:
        lines.append(body)
    for line in [*lines, *foot]:
        if isinstance(line, Text):
            line.no_wrap, line.overflow = True, "crop" if ascii_only else "ellipsis"
    return Group(*lines, *foot)


def _set_table(table: SetTable, current: str | None, units: Units, room: int) -> RenderableType:
    shown = _around(table.rows, current, max(3, room - 2))
    drawn = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0), header_style="bold")
    drawn.add_column("spring", no_wrap=True)
    drawn.add_column("kept", justify="right", no_wrap=True)
    for height_mm in table.heights_mm:
        drawn.add_column(units.length_text(height_mm), justify="right", no_wrap=True)
    drawn.add_column("flags", no_wrap=True)
    for row in shown:
        mark = ">" if row.label == current else " "
        loads = ["" if n is None else f"{units.load_value(n):.1f}" for n in row.loads_n]
        kept = f"{row.strokes}/{table.strokes_wanted}"
        flags = Text(" ".join(row.flags), "bold red")
        drawn.add_row(f"{mark}{row.label}", kept, *loads, flags)
    return drawn


def _around(rows: Sequence[SpringRow], current: str | None, most: int) -> Sequence[SpringRow]:
    """Return at most so many rows, the current one among them."""
    if len(rows) <= most:
        return rows
    place = next((at for at, row in enumerate(rows) if row.label == current), len(rows) - 1)
    first = min(max(0, place - most + 2), len(rows) - most)
    return rows[first : first + most]


def _curve(
    snapshot: Snapshot, units: Units, width: int, height: int, *, ascii_only: bool
) -> RenderableType:
    most_n = max((n for _, n in snapshot.curve), default=0.0)
    touched = [h for h, n in snapshot.curve if n > TOUCHED_SHARE * most_n]
    if most_n <= 0 or len(touched) < 3 or max(touched) - min(touched) < 1e-6:
        return Text("\n(the running stroke is drawn here)", "dim")
    points = [(units.length_value(h), units.load_value(n)) for h, n in snapshot.curve]
    heights = [units.length_value(h) for h in touched]
    loads = [n for _, n in points]
    across = Axis(f"height {units.length}", max(heights), min(heights))
    up = Axis(f"load {units.load}", 0.0, max(loads))
    lines = draw(
        [Trace(points)], across, up, max(24, width), max(6, height - 1), ascii_only=ascii_only
    )
    return Text("\n".join(lines), no_wrap=True)
