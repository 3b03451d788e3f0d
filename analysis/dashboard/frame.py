"""The live dashboard: one frame, drawn from one scene. Pure.

Nothing is remembered here: the same scene and size give the same frame.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

from rich.console import Group, RenderableType
from rich.text import Text

from coilbench.analysis.dashboard.drawing import HeightBar, large
from coilbench.analysis.report.bench_text import stroke_text
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.set_plot import stroke_plot
from coilbench.analysis.report.units import Units
from coilbench.capture.running.commands import EventKind, Snapshot

SAFETY = "Eye protection on, press unplugged, spring captive; stop before coil bind."
STALE_S = 2.0
# Shares of samples lost at which the link is called fair and poor; common practice, no source.
FAIR_SHARE, POOR_SHARE = 0.0005, 0.01
_PHASES = {"idle": "free", "touch": "touched", "press": "pressing", "release": "letting up"}
_ALERT = ("! ", "bold red")
_MARKS = {
    EventKind.KEPT: ("+ ", "green"),
    EventKind.REFUSED: _ALERT,
    EventKind.FAULT: _ALERT,
}


def _link_line(snapshot: Snapshot, units: Units) -> Text:
    """Describe the link; the state never depends on the colour alone."""
    age_s = snapshot.sample_age_s
    if snapshot.link != "up":
        state, style = f"LINK {snapshot.link.upper()}: {_link_text(snapshot, units)}", "bold red"
    elif age_s is None:
        state, style = "link up, no sample yet", "bold"
    elif age_s > STALE_S:
        state, style = f"NO SAMPLE for {age_s:.1f} s: check the cable", "bold red"
    else:
        grade, style = _grade(snapshot)
        state = f"link {grade}, last sample {age_s:.1f} s ago"
    counts = (
        f"  {snapshot.rate_hz:.1f}/s  lost {snapshot.samples_lost}  "
        f"bad {snapshot.lines_bad}  restarts {snapshot.restarts}"
    )
    return Text.assemble((state, style), counts)


def _grade(snapshot: Snapshot) -> tuple[str, str]:
    sent = snapshot.samples + snapshot.samples_lost
    share = snapshot.samples_lost / sent if sent else 0.0
    if share >= POOR_SHARE:
        return "poor: check the cable", "bold red"
    return ("fair", "bold") if share >= FAIR_SHARE else ("good", "green")


def _link_text(snapshot: Snapshot, units: Units) -> str:
    what = snapshot.link_what
    return "waiting for the rig" if what is None else describe(what, units)


def _whose_turn(snapshot: Snapshot, units: Units) -> tuple[str, str]:
    if snapshot.turn is not None:
        return snapshot.turn.label, stroke_text(snapshot.turn)
    if snapshot.springs == 0:
        return "WAIT", _link_text(snapshot, units)
    left_s = snapshot.ends_in_s
    ends = "" if left_s is None else f"; ends by itself in {left_s:.0f} s"
    return "DONE", f"the set is done{ends}"


def _event_lines(snapshot: Snapshot, units: Units, room: int, width: int) -> list[Text]:
    """Return the last things that happened in `room` lines, the latest last and whole.

    The latest has more lines where it needs them. + is a stroke kept, ! one refused or a fault.
    """
    lines: list[Text] = []
    for _, event in reversed(snapshot.events):
        mark, style = _MARKS.get(event.kind, ("  ", ""))
        words = describe(event.what, units)
        pieces = textwrap.wrap(words, max(20, width - 2)) or [""]
        if lines:
            pieces = [words]  # cut where it is too long: the latest alone is told whole
        first, *rest = pieces
        room = max(room, len(pieces))
        own = [Text.assemble((mark, style), first), *(Text(f"  {piece}") for piece in rest)]
        lines = own + lines
        if len(lines) >= room:
            break
    return [Text("") for _ in range(room - len(lines))] + lines[-room:]


@dataclass(frozen=True)
class SpringRow:
    """One spring's line: loads at the table's heights, kinds of its flags, a sentence for each."""

    label: str
    strokes: int
    loads_n: tuple[float | None, ...]
    flags: tuple[str, ...]
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True)
class SetTable:
    """The set's table: the heights it reads at, and a row a spring in turn order.

    Attributes:
        solid_mm: the expected solid height: the set's own, else the highest that was measured.
        nominal_mm: heights at which the set has a nominal load.
        band: (height_mm, lowest_n, highest_n) over the springs measured so far.
    """

    heights_mm: tuple[float, ...]
    strokes_wanted: int
    rows: tuple[SpringRow, ...]
    solid_mm: float | None = None
    nominal_mm: tuple[float, ...] = ()
    band: tuple[tuple[float, float, float], ...] = ()


def _table_lines(table: SetTable, current: str | None, units: Units, room: int) -> list[Text]:
    """Return the table in at most `room` lines, the spring whose turn it is in view."""
    rows = _around(table.rows, current, max(1, room - 1))
    label = max([len("spring"), *(len(row.label) for row in rows)])
    titles = [units.length_text(height_mm) for height_mm in table.heights_mm]
    widths = [max(len(title), 6) for title in titles]
    heads = "".join(f"  {title:>{width}}" for title, width in zip(titles, widths, strict=True))
    lines = [Text(f" {'spring':<{label}}  kept{heads}  flags", "bold")]
    for row in rows:
        mark = ">" if row.label == current else " "
        loads = ["" if n is None else f"{units.load_value(n):.1f}" for n in row.loads_n]
        loads += [""] * (len(widths) - len(loads))
        cells = "".join(f"  {text:>{width}}" for text, width in zip(loads, widths, strict=False))
        kept = f"{row.strokes}/{table.strokes_wanted}"
        line = Text(f"{mark}{row.label:<{label}}  {kept:>4}{cells}  ")
        line.stylize("bold" if mark == ">" else "")
        line.append(" ".join(row.flags), "bold red")
        lines.append(line)
    return lines


def _reason_lines(table: SetTable, room: int) -> list[Text]:
    """Return why springs are flagged, at most `room` lines; what is left out is counted."""
    reasons = [
        Text.assemble((f"{row.label} {flag}", "bold red"), f": {reason}")
        for row in table.rows
        for flag, reason in zip(row.flags, row.reasons, strict=False)
    ]
    if len(reasons) > room > 0:
        more = len(reasons) - room + 1
        reasons = [*reasons[: room - 1], Text(f"and {more} more: coilbench set check --why LABEL")]
    return reasons[:room]


def _around(rows: Sequence[SpringRow], current: str | None, most: int) -> Sequence[SpringRow]:
    """Return at most this number of rows, the current one among them."""
    if len(rows) <= most:
        return rows
    place = next((at for at, row in enumerate(rows) if row.label == current), len(rows) - 1)
    first = min(max(0, place - most + 2), len(rows) - most)
    return rows[first : first + most]


NARROW = 70  # below it the table stands alone, without the curve
TALL = 32  # from here on the turn is in large type, and more is said of flags and events
FEWEST_BODY = 4
HUGE = 44  # and from here on load and height are too
FEWEST_CURVE, FEWEST_ROWS = 26, 6  # characters and lines, below which no curve is drawn


@dataclass(frozen=True)
class Scene:
    """Everything a frame is drawn from.

    Attributes:
        heights_mm: the heights asked for, seat and open; without, those of the set's nominal.
        standing: how old the calibration is and what the last check said.
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
    """Return one frame that fits a screen of width x height characters."""
    tall = height >= TALL
    bar, words = _bar(scene, width)
    above = [
        _Block(0, [_head(scene), _link_line(scene.snapshot, scene.units)]),
        _Block(3, [Text(scene.standing)] if scene.standing else []),
        _Block(0, _turn(scene, width, tall=tall, ascii_only=ascii_only)),
        _Block(0, _live(scene, width, huge=height >= HUGE, ascii_only=ascii_only)),
        _Block(1, bar),
        _Block(0, [words]),
    ]
    below = [
        _Block(4, _reason_lines(scene.table, 8 if tall else 2)),
        _Block(0, _event_lines(scene.snapshot, scene.units, 5 if tall else 2, width)),
        _Block(2, [Text(scene.keys, "bold")] if scene.keys else []),
        _Block(0, [Text(SAFETY, "italic")]),
    ]
    room = _give_way([*above, *below], height - FEWEST_BODY) + FEWEST_BODY
    lines = [line for block in above for line in block.lines]
    lines += _body(scene, width, max(1, room), ascii_only=ascii_only)
    lines += [line for block in below for line in block.lines]
    del lines[height - 1 : -1]  # the caution stays, however small the screen
    for line in lines:
        line.no_wrap, line.overflow = True, "crop" if ascii_only else "ellipsis"
    return Group(*lines)


def _give_way(blocks: list[_Block], most: int) -> int:
    """Empty blocks, highest rank first, down to `most` lines; returns how many lines are free."""
    used = sum(len(block.lines) for block in blocks)
    for block in sorted(blocks, key=lambda block: -block.rank):
        if used <= most or block.rank == 0:
            break
        used -= len(block.lines)
        block.lines.clear()
    return most - used


def _head(scene: Scene) -> Text:
    snapshot = scene.snapshot
    done = f"{snapshot.springs_done} of {snapshot.springs} springs done"
    return Text.assemble(("coilbench", "bold"), f"  set {snapshot.set_name}  {done}")


def _turn(scene: Scene, width: int, *, tall: bool, ascii_only: bool) -> list[Text]:
    who, which = _whose_turn(scene.snapshot, scene.units)
    lines = _large(who, which, "bold", width, ascii_only=ascii_only) if tall else None
    words = f"NOW: {who}, {which}" if scene.snapshot.label else which
    return lines or [Text(words, "bold reverse")]


def _large(text: str, words: str, style: str, width: int, *, ascii_only: bool) -> list[Text] | None:
    """Write a text in large type, with words below it; None where that does not fit."""
    letters = large(text, ascii_only=ascii_only)
    if letters is None or len(letters[0]) + 4 > width:
        return None
    return [Text(""), *(Text(f"  {line}", style) for line in (*letters, words))]


def _live(scene: Scene, width: int, *, huge: bool, ascii_only: bool) -> list[Text]:
    snapshot, units = scene.snapshot, scene.units
    phase = _PHASES.get(snapshot.phase, snapshot.phase)
    load = units.load_text(snapshot.load_n)
    load = load.removeprefix("-") if load.startswith("-0.0") else load  # an empty cell's noise
    height, depth = units.length_text(snapshot.height_mm), units.length_text(snapshot.depth_mm)
    words = f"load, and height; depth {depth}, {phase}"
    figures = f"{load:>9}   {height:>9}"
    lines = _large(figures, words, "", width, ascii_only=ascii_only) if huge else None
    line = Text.assemble(
        (f"{load:>12}", "bold"),
        "   height ",
        (height, "bold"),
        "   depth ",
        (depth, "bold"),
        f"   {phase}",
    )
    return lines or [line]


def _bar(scene: Scene, width: int) -> tuple[list[Text], Text]:
    """Return the bar's lines, and how far it is: to the next mark and to the coils' bind."""
    snapshot, solid_mm, units = scene.snapshot, scene.table.solid_mm, scene.units
    heights_mm = scene.heights_mm or scene.table.nominal_mm
    bar = HeightBar(
        snapshot.height_mm,
        snapshot.free_length_mm,
        solid_mm,
        heights_mm,
        snapshot.reach_height_mm,
    )
    lines = [Text(line) for line in bar.lines(width, units) if line]
    warning = bar.bind_warning(units)
    if warning is not None and warning.startswith("STOP"):
        return lines, Text(warning, "bold red reverse")
    said = [words for words in (bar.words(units), warning) if words]
    return lines, Text("; ".join(said))


def _body(scene: Scene, width: int, room: int, *, ascii_only: bool) -> list[Text]:
    left = _table_lines(scene.table, scene.snapshot.label, scene.units, room)
    taken = max(line.cell_len for line in left) + 2
    if width < NARROW or width - taken < FEWEST_CURVE or room < FEWEST_ROWS:
        return left + [Text("")] * (room - len(left))
    right = stroke_plot(
        scene.snapshot.curve, scene.table.band, scene.units, width - taken, room,
        ascii_only=ascii_only,
    )  # fmt: skip
    lines = []
    for at in range(room):
        line = left[at] if at < len(left) else Text("")
        line.append(" " * (taken - line.cell_len))
        # a style of its own, so that a picture of the frame keeps the curve's columns in place
        lines.append(line.append(right[at] if at < len(right) else "", "not bold"))
    return lines
