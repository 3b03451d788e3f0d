"""The live dashboard: one frame, drawn from one scene. Pure.

Nothing is remembered here: the same scene and size give the same frame. What is called out is
never cut; everything else gives way to it by rank.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Sequence

import msgspec
from msgspec.structs import replace
from rich.console import Group, RenderableType
from rich.text import Text

from coilbench.analysis.dashboard.calls import DONE, DOUBTED, Call, call, link_state
from coilbench.analysis.dashboard.keys import answer_help
from coilbench.analysis.dashboard.large_type import large
from coilbench.analysis.dashboard.news import is_news, is_over
from coilbench.analysis.dashboard.scene import Scene, SetTable, SpringRow, known_now
from coilbench.analysis.report.bench_text import AS_LOADED, event_mark
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.question_text import WRONG_SPRING
from coilbench.analysis.report.set_plot import stroke_plot
from coilbench.analysis.report.units import Units
from coilbench.capture.blocks import Finding
from coilbench.capture.running.commands import Event, Snapshot
from coilbench.capture.running.kinds import EventKind

SAFETY = (
    "Eye protection on, press unplugged, spring captive; stop before coil bind.",
    "Eye protection on; stop before bind.",
)
# Shares of samples lost at which the link is called fair and poor; common practice, no source.
FAIR_SHARE, POOR_SHARE = 0.0005, 0.01
_PHASES = {"idle": "free", "touch": "touched", "press": "pressing", "release": "letting up"}
_UNKNOWN = "--"
_STYLES = {"+ ": "green", "! ": "bold red", "? ": "bold", "~ ": "bold"}  # of an event's mark
# of these the words are told on a screen of any size, before the table
_ALERTS = (EventKind.REFUSED, EventKind.WAITS, EventKind.FAULT, EventKind.LINK, EventKind.RESCUED)
NARROW = 70  # below it the table stands alone, without the curve
MIDDLE = 24  # from here on the turn is in large type
TALL = 32  # and from here on larger; and more is said of flags and events
HUGE = 44  # and from here on load and height are large, too
FEWEST_BODY = 4
FIRST_RANKS = 4
FEWEST_CURVE, FEWEST_ROWS = 26, 7  # characters and lines, below which no curve is drawn


class _Page(msgspec.Struct, frozen=True):
    """What a frame is drawn on."""

    width: int
    height: int
    ascii_only: bool

    def wrapped(self, words: str, style: str = "", indent: int = 0) -> list[Text]:
        """Return words on as many lines as they need."""
        room = max(1, self.width - 2 * indent)
        pieces = textwrap.wrap(words, room, break_on_hyphens=False)
        return [Text(" " * indent + piece, style) for piece in pieces]


class _Block(msgspec.Struct, frozen=True):
    """Lines that stay together; on a small screen the highest rank gives way first, 0 never.

    `short` stands in for them before nothing does.
    """

    rank: int
    lines: list[Text]
    short: Sequence[Text] = ()


def frame(scene: Scene, *, width: int, height: int, ascii_only: bool) -> RenderableType:
    """Return one frame that fits a screen of width x height characters."""
    scene = replace(scene, snapshot=known_now(scene.snapshot))
    page = _Page(width, height, ascii_only)
    tall = height >= TALL
    called = call(scene)
    answers = answer_help(called.question)
    above = [
        _Block(4, _head(scene, page)),
        _link_block(scene.snapshot, scene.units, page),
        _Block(7, page.wrapped(scene.standing)),
        _Block(0, _call_lines(called, page)),
        _Block(6, page.wrapped(called.more, indent=2) if called.more else []),
        _Block(2, _live(scene, page)),
        _Block(5, _bar_lines(scene, page)),
        _Block(3, _way_lines(scene, page)),
    ]
    below = [
        _Block(9, reason_lines(scene.table, width, 8 if tall else 2)),
        *_event_blocks(scene.snapshot, called.says, scene.units, 5 if tall else 2, page),
        _Block(0, page.wrapped(scene.said, "bold")),
        _Block(0 if answers else 5, page.wrapped(answers or scene.keys, "bold")),
        _Block(0, [Text(_safety(width), "italic")]),
    ]
    room = _give_way([*above, *below], height - FEWEST_BODY) + FEWEST_BODY
    lines = [line for block in above for line in block.lines]
    lines += _body(scene, width, max(0, room), ascii_only=ascii_only)
    lines += [line for block in below for line in block.lines]
    del lines[height - 1 : -1]  # the caution stays, however small the screen
    for line in lines:
        line.no_wrap, line.overflow = True, "crop" if ascii_only else "ellipsis"
    return Group(*lines)


def _give_way(blocks: list[_Block], most: int) -> int:
    """Shorten, then empty blocks, highest rank first; returns how many lines are free.

    The first ranks may take the lines that are else kept for the table.
    """
    used = sum(len(block.lines) for block in blocks)
    by_rank = sorted((block for block in blocks if block.rank), key=lambda block: -block.rank)
    for block, left in [*((one, one.short) for one in by_rank), *((one, ()) for one in by_rank)]:
        if used <= most + (FEWEST_BODY if block.rank <= FIRST_RANKS else 0):
            continue
        used -= len(block.lines) - len(left)
        block.lines[:] = left
    return most - used


def _safety(width: int) -> str:
    return next((words for words in SAFETY if len(words) <= width), SAFETY[-1])


def _flow(parts: Iterable[tuple[str, str]], page: _Page) -> list[Text]:
    """Write parts, each with its style, two blanks apart, on as many lines as they need."""
    lines: list[Text] = []
    for words, style in parts:
        if lines and lines[-1].cell_len + 2 + len(words) <= page.width:
            lines[-1].append("  ").append(words, style)
        else:
            lines += page.wrapped(words, style)
    return lines


def _head(scene: Scene, page: _Page) -> list[Text]:
    snapshot = scene.snapshot
    done = f"{snapshot.springs_done} of {snapshot.springs} springs done"
    return _flow([("coilbench", "bold"), (f"set {snapshot.set_name}", ""), (done, "")], page)


def _link_block(snapshot: Snapshot, units: Units, page: _Page) -> _Block:
    """Describe the link; the state never depends on the colour alone."""
    wrong, age_s = link_state(snapshot, units), snapshot.sample_age_s
    if wrong is not None:
        state, style = wrong, "bold red"
    elif age_s is None:
        state, style = "link up, no sample yet", "bold"
    else:
        grade, style = _grade(snapshot)
        state = f"link {grade}, last sample {age_s:.1f} s ago"
    parts = [(state, style)]
    if snapshot.datum is not None:
        words = "DATUM IN DOUBT" if snapshot.datum.kind == DOUBTED else "DATUM LOST"
        parts.append((words, "bold red"))
    # without samples the last rate is none of now
    counts = [(f"{snapshot.rate_hz:.1f}/s", "")] if wrong is None else []
    counts += [(f"lost {snapshot.samples_lost}", ""), (f"bad {snapshot.lines_bad}", "")]
    counts += [(f"restarts {snapshot.restarts}", "bold" if snapshot.restarts else "")]
    return _Block(1, _flow([*parts, *counts], page), _flow(parts, page))


def _grade(snapshot: Snapshot) -> tuple[str, str]:
    """Judge the link by what it lost in the last minute; the counts beside it are of all time."""
    if snapshot.lost_share >= POOR_SHARE:
        return "poor in the last minute: check the cable", "bold red"
    if snapshot.lost_share >= FAIR_SHARE:
        return "fair in the last minute", "bold"
    return "good", "green"


def _call_lines(called: Call, page: _Page) -> list[Text]:
    """Write what is called out: in large type where there is room, its words whole."""
    style = "bold red" if called.stop else "bold"
    rows = _rows_of_letters(called, page)
    indent = 2 if page.width >= 2 * NARROW // 3 else 0
    letters = large(
        called.large, width=page.width - 2 * indent, rows=rows, ascii_only=page.ascii_only
    )
    if letters is None:
        return page.wrapped(_said(called), f"{style} reverse")
    lines = [Text(" " * indent + line, style) for line in letters]
    beside = page.width - lines[-1].cell_len - 4
    if page.height < TALL and len(called.words) <= beside:
        lines[-1].append(f"  {called.words}")
        return lines
    air = [Text("")] if page.height >= TALL else []
    return [*air, *lines, *page.wrapped(called.words, style, indent)]


def _said(called: Call) -> str:
    """Return what is called out as a sentence, where there is no room for letters."""
    if called.urgent:
        return f"{called.large}{'' if called.large.endswith('?') else ':'} {called.words}"
    return f"NOW: {called.large}, {called.words}"


def _rows_of_letters(called: Call, page: _Page) -> int:
    """Return how many lines the letters may have."""
    if page.height >= TALL:
        return 11 if called.urgent else 5
    if page.height >= MIDDLE:
        return 5 if called.urgent else 3
    if called.stop:
        return 5 if page.ascii_only or page.height >= MIDDLE // 2 else 3
    return 3 if called.urgent or called.large == DONE else 0


def _live(scene: Scene, page: _Page) -> list[Text]:
    """Write load and height, as far as they are known now."""
    snapshot, units = scene.snapshot, scene.units
    load = units.load_text(snapshot.load_n) if snapshot.load_n is not None else _UNKNOWN
    load = load.removeprefix("-") if load.startswith("-0.0") else load  # an empty cell's noise
    height, depth = (
        units.length_text(mm) if mm is not None else _UNKNOWN
        for mm in (snapshot.height_mm, snapshot.depth_mm)
    )
    phase = _PHASES.get(snapshot.phase, f"load unknown: {AS_LOADED}")
    if page.height >= HUGE:
        figures = f"{load:>9}   {height:>9}"
        letters = large(figures, width=page.width - 4, rows=5, ascii_only=page.ascii_only)
        if letters is not None:
            words = f"load, and height; depth {depth}, {phase}"
            return [Text(""), *(Text(f"  {line}") for line in letters), Text(f"  {words}")]
    return _flow(
        [
            (f"load {load:>9}", "bold"),
            (f"height {height:>8}", "bold"),
            (f"depth {depth}", ""),
            (phase, ""),
        ],
        page,
    )


def _bar_lines(scene: Scene, page: _Page) -> list[Text]:
    if scene.snapshot.height_mm is None:
        return []
    lines = scene.bar.lines(page.width, scene.units, ascii_only=page.ascii_only)
    return [Text(line) for line in lines if line]


def _way_lines(scene: Scene, page: _Page) -> list[Text]:
    """Say how far it is: to the next mark, to the coils' bind, and to what the cell may bear."""
    bar, alarm, units = scene.bar, scene.snapshot.alarm, scene.units
    if scene.stop:
        return []  # called out already
    if alarm is not None and alarm.kind not in WRONG_SPRING:
        return page.wrapped(f"CARE: {describe(alarm, units)}", "bold reverse")
    if scene.snapshot.height_mm is None or scene.snapshot.gauge_awaited:
        return []
    bind = None if bar.near_bind else bar.bind_warning(units)
    return page.wrapped("; ".join(words for words in (bar.words(units), bind) if words))


def _event_blocks(
    snapshot: Snapshot, said: Finding | None, units: Units, room: int, page: _Page
) -> list[_Block]:
    """Return the last things that happened in `room` lines or more, the latest last.

    Each is whole or not there. What must be told stands first: the latest, and what was rescued of
    a capture that was cut off, until a stroke has ended since. What is called out hides nothing
    else: it is not said twice.
    """
    newest_first = [event for _, event in reversed(snapshot.events)]
    events = [
        event
        for at, event in enumerate(newest_first)
        if not is_over(event, newest_first[:at], snapshot)
    ]
    # that the link is up stands in the header, too
    elsewhere = [one for one in events if one.what.kind == "connected" or one.what == said]
    events = [event for event in events if event not in elsewhere] or events
    told = [event for at, event in enumerate(events) if at == 0 or is_news(event, events[:at])]
    lines = [line for event in reversed(told) for line in _event_text(event, units, page)]
    alert = any(event.kind in _ALERTS for event in told)
    older: list[Text] = []
    for event in (one for one in events if one not in told):
        text = _event_text(event, units, page)
        if len(lines) + len(older) + len(text) > room:
            break
        older = [*text, *older]
    older = [Text("")] * (room - len(lines) - len(older)) + older
    return [_Block(8, older), _Block(FIRST_RANKS if alert else 8, lines, lines)]


def _event_text(event: Event, units: Units, page: _Page) -> list[Text]:
    """Write what happened, on as many lines as it needs."""
    mark = event_mark(event)
    style = _STYLES.get(mark, "")
    words = describe(event.what, units)
    first, *rest = textwrap.wrap(words, max(20, page.width - 2), break_on_hyphens=False) or [""]
    return [Text.assemble((mark, style), first), *(Text(f"  {piece}") for piece in rest)]


def _body(scene: Scene, width: int, room: int, *, ascii_only: bool) -> list[Text]:
    """Return the set's table, and the running stroke beside it where there is room."""
    if room == 0:
        return []
    left = _table_lines(scene.table, scene.snapshot.label, scene.units, room)
    taken = max(line.cell_len for line in left) + 2
    if width < NARROW or width - taken < FEWEST_CURVE or room < FEWEST_ROWS:
        return left + [Text("")] * (room - len(left))
    right = stroke_plot(
        scene.snapshot.curve,
        scene.table.band,
        _marked(scene),
        scene.units,
        width - taken,
        room,
        ascii_only=ascii_only,
    )
    return list(_side_by_side(left, right, taken, room))


def _marked(scene: Scene) -> dict[str, tuple[str, float]]:
    named = (mark for mark in scene.bar.marks if mark.letter.isalpha())
    return {mark.letter: (mark.name, mark.height_mm) for mark in named}


def _side_by_side(
    left: Sequence[Text], right: Sequence[str], taken: int, room: int
) -> Iterable[Text]:
    for at in range(room):
        line = left[at] if at < len(left) else Text("")
        line.append(" " * (taken - line.cell_len))
        # a style of its own, so that a picture of the frame keeps the curve's columns in place
        yield line.append(right[at] if at < len(right) else "", "not bold")


def _table_lines(table: SetTable, current: str | None, units: Units, room: int) -> list[Text]:
    """Return the table in at most `room` lines, in view the spring whose turn it is.

    Where nobody's turn is known: the first that is unfinished, else the last.
    """
    open_ = (row.label for row in table.rows if row.strokes < table.strokes_wanted)
    rows = _around(table.rows, current or next(open_, None), max(1, room - 1))
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
        kept = f"{row.strokes - row.waits}/{table.strokes_wanted}"
        line = Text(f"{mark}{row.label:<{label}}  {kept:>4}{cells}  ")
        line.stylize("bold" if mark == ">" else "")
        line.append(f"{row.waits} wait{'s' * (row.waits == 1)}  " if row.waits else "")
        line.append(" ".join(row.flags), "bold red")
        lines.append(line)
    return lines[:room]


def reason_lines(table: SetTable, width: int, room: int) -> list[Text]:
    """Return why springs are flagged, each reason whole, at most `room` lines; others counted."""
    reasons = [
        list(_reason(f"{row.label} {flag}", f"{row.label} {flag}: {reason}", width))
        for row in table.rows
        for flag, reason in zip(row.flags, row.reasons, strict=False)
    ]
    lines: list[Text] = []
    for at, reason in enumerate(reasons):
        left = len(reasons) - at
        if len(lines) + len(reason) + (left > 1) > room:
            more = f"and {left} more" if lines else f"{left} of them flagged"
            return [*lines, Text(f"{more}: coilbench set check --why LABEL")][:room]
        lines += reason
    return lines


def _reason(whose: str, words: str, width: int) -> Iterator[Text]:
    first, *rest = textwrap.wrap(words, width, subsequent_indent="  ", break_on_hyphens=False)
    yield Text.assemble((first[: len(whose)], "bold red"), first[len(whose) :])
    yield from map(Text, rest)


def _around(rows: Sequence[SpringRow], current: str | None, most: int) -> Sequence[SpringRow]:
    """Return at most this number of rows, the current one among them."""
    if len(rows) <= most:
        return rows
    place = next((at for at, row in enumerate(rows) if row.label == current), len(rows) - 1)
    first = min(max(0, place - most + 2), len(rows) - most)
    return rows[first : first + most]
