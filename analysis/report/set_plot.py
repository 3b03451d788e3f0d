"""Plots in characters: all springs of a set, or the running stroke over their band. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from string import ascii_uppercase
from types import MappingProxyType
from typing import NamedTuple

import numpy as np

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.report.units import Units

_BRAILLE = 0x2800
# bit of each dot in a braille cell, by (row, column)
_DOTS = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))
TOUCHED_SHARE = 0.02  # of a stroke's highest load: less is the quill's way down to the spring
APART = 3  # characters between two dots of the band, so that they don't look like a line
NOTHING = " (the running stroke is drawn here)"
_Points = Sequence[tuple[float, float]]


class _Axis(NamedTuple):
    """One axis: what it shows, from where to where; the larger value may come first."""

    title: str
    first: float
    last: float

    def share(self, value: float) -> float:
        """Return where a value lies, 0 at first and 1 at last."""
        return (value - self.first) / (self.last - self.first)


# Points to draw; with a mark, each is that character, else fine dots.
Trace = tuple[Sequence[tuple[float, float]], str | None]


def _draw(
    traces: Sequence[Trace],
    across: _Axis,
    up: _Axis,
    width: int,
    height: int,
    *,
    ascii_only: bool,
    marked: Mapping[str, float] = MappingProxyType({}),
) -> list[str]:
    """Draw traces, later ones over earlier ones, with both axes' ends and titles.

    The whole has width x height characters, at least 20 x 5.

    Args:
        marked: places on the axis across by a letter each, marked all the way up.
    """
    labels = [f"{round(value) + 0:d}" for value in (up.last, up.first)]
    gutter = max(len(label) for label in labels) + 1
    columns, rows = width - gutter - 1, height - 2
    dots = [[0] * columns for _ in range(rows)]
    marks: dict[tuple[int, int], str] = {}
    for points, mark in traces:
        for x, y in points:
            sx, sy = across.share(x), 1.0 - up.share(y)
            if not (0.0 <= sx <= 1.0 and 0.0 <= sy <= 1.0):
                continue
            dx, dy = round(sx * (2 * columns - 1)), round(sy * (4 * rows - 1))
            cell = dy // 4, dx // 2
            if mark is not None:
                marks[cell] = mark
            else:
                dots[cell[0]][cell[1]] |= _DOTS[dy % 4][dx % 2]
    letters = {
        round(across.share(x) * (columns - 1)): letter
        for letter, x in marked.items()
        if 0.0 <= across.share(x) <= 1.0
    }
    blank = ":" if ascii_only else "┊"
    lines = []
    for row in range(rows):
        left = labels[0] if row == 0 else labels[1] if row == rows - 1 else ""
        body = "".join(
            marks.get((row, column))
            or _cell(dots[row][column], blank if column in letters else " ", ascii_only=ascii_only)
            for column in range(columns)
        )
        lines.append(f"{left:>{gutter}}|{body}")
    edge = "+" + "".join(letters.get(column, "-") for column in range(columns))
    first, last = f"{across.first:.1f}", f"{across.last:.1f}"
    space = max(0, columns - len(first) - len(last))
    titles = (f"{across.title} (across), {up.title} (up)", across.title, "")
    middle = next(title for title in titles if not title or len(title) + 2 <= space)
    foot = f"{first}{middle:^{space}}{last}"
    lines.append(" " * gutter + edge)
    lines.append(" " * (gutter + 1) + foot)
    return lines


def _cell(dots: int, blank: str, *, ascii_only: bool) -> str:
    if dots == 0:
        return blank
    return "." if ascii_only else chr(_BRAILLE + dots)


POINTS = 240
LETTER_EVERY = 6  # characters between two letters of one curve, so that others show between them
AIR_MM = 1.0
MOST_LETTERS = len(ascii_uppercase)


def set_plot(
    curves: Sequence[SpringCurve],
    flags: Mapping[str, Sequence[str]],
    units: Units,
    *,
    width: int,
    height: int,
    ascii_only: bool,
) -> list[str]:
    """Draw a set's curves into lines of text, with a legend of the flagged springs.

    Sound springs are dots, each flagged one a letter; its meaning hangs on no colour.

    Args:
        curves: one a spring.
        flags: kinds of the flags by label; springs without one may be missing.
        units: display units.
        width, height: of the whole in characters, the legend included.
        ascii_only: the terminal cannot show braille.
    """
    marked = [curve.label for curve in curves if flags.get(curve.label)][:MOST_LETTERS]
    letters = dict(zip(marked, ascii_uppercase, strict=False))
    legend = _legend(curves, letters, flags, width, max(1, height - 8))
    points = {curve.label: _points(curve, units) for curve in curves}
    every = [point for one in points.values() for point in one]
    if not every or max(n for _, n in every) <= 0.0:
        return ["No load to draw."]
    low, high = min(mm for mm, _ in every), _top(curves, max(mm for mm, _ in every), units)
    if high <= low:
        return ["Only one height was measured: nothing to draw between."]
    across = _Axis(f"height {units.length}", high, low)
    up = _Axis(f"load {units.load}", min(0.0, *(n for _, n in every)), max(n for _, n in every))
    traces: list[Trace] = [
        (points[curve.label], None) for curve in curves if curve.label not in letters
    ]
    columns = max(20, width)
    for number, (label, letter) in enumerate(letters.items()):
        traces.append((_spaced(points[label], across, columns, number), letter))
    rows = max(6, height - len(legend))
    return [*_draw(traces, across, up, columns, rows, ascii_only=ascii_only), *legend]


def _top(curves: Sequence[SpringCurve], measured: float, units: Units) -> float:
    """Where the plot begins: a little above the longest spring, for above it there is no load."""
    lengths = [curve.free_length_mm for curve in curves if curve.free_length_mm is not None]
    if len(lengths) < len(curves):
        return measured
    return min(measured, units.length_value(max(lengths) + AIR_MM))


def _points(curve: SpringCurve, units: Units) -> list[tuple[float, float]]:
    heights, loads = curve.sampled(POINTS)
    return [
        (units.length_value(float(mm)), units.load_value(float(n)))
        for mm, n in zip(heights, loads, strict=True)
    ]


def _spaced(
    points: Sequence[tuple[float, float]], across: _Axis, columns: int, number: int
) -> list[tuple[float, float]]:
    """One point every LETTER_EVERY columns; each curve begins one further on than the last."""
    chosen: dict[int, tuple[float, float]] = {}
    for x, y in points:
        column = int(across.share(x) * columns) - number % LETTER_EVERY
        if column % LETTER_EVERY == 0:
            chosen.setdefault(column, (x, y))
    return list(chosen.values()) if chosen else list(points[:1])


def _legend(
    curves: Sequence[SpringCurve],
    letters: Mapping[str, str],
    flags: Mapping[str, Sequence[str]],
    width: int,
    most: int,
) -> list[str]:
    others = len(curves) - len(letters)
    parts = [f"{letter} {label} {' '.join(flags[label])}" for label, letter in letters.items()]
    if others:
        parts.append(f"dots: the other {others}" if letters else f"dots: all {others}")
    lines = [""]
    for part in parts:
        joined = f"{lines[-1]}   {part}" if lines[-1] else part
        if len(joined) <= width:
            lines[-1] = joined
        else:
            lines.append(part)
    if len(lines) > most:
        lines = [*lines[: most - 1], "and more: coilbench set check names them"]
    return [line[:width] for line in lines]


def stroke_plot(
    points: _Points,
    band: Sequence[tuple[float, float, float]],
    marked: Mapping[str, tuple[str, float]],
    units: Units,
    width: int,
    height: int,
    *,
    ascii_only: bool,
) -> list[str]:
    """Return a running stroke over the band, marked heights, and lines that say what is what.

    Args:
        points: of the stroke, (height_mm, load_n).
        band: (height_mm, lowest_n, highest_n) of the springs measured so far.
        marked: names and heights (mm) by the letter that marks them.
        units: display units.
        width, height: of the whole in characters, at least 20 x 6.
        ascii_only: the terminal cannot show braille.
    """
    most_n = max((n for _, n in points), default=0.0)
    touched = [(mm, n) for mm, n in points if n > TOUCHED_SHARE * most_n]
    lowest, highest = [(mm, n) for mm, n, _ in band], [(mm, n) for mm, _, n in band]
    stroke, low, high = (
        [(units.length_value(mm), units.load_value(n)) for mm, n in each]
        for each in (touched, lowest, highest)
    )
    heights = [x for x, _ in stroke + low]
    loads = [y for _, y in stroke + high]
    if len(heights) < 3 or max(heights) - min(heights) < 1e-6 or max(loads) <= 0:
        return ["", NOTHING[:width]]
    across = _Axis(f"height {units.length}", max(heights), min(heights))
    up = _Axis(f"load {units.load}", 0.0, max(loads))
    traces: list[Trace] = [(_spread(each, width // APART), None) for each in (low, high) if each]
    if stroke:
        traces.append((_joined(stroke, 4 * max(width, height)), "*" if ascii_only else None))
    places = {letter: units.length_value(mm) for letter, (_, mm) in marked.items()}
    line, dots = ("*", ".") if ascii_only else ("line", "dots")
    parts = [(f"{line}: this stroke", f"{line}: now", f"{line} now")] if stroke else []
    if band:
        of_set = "lowest and highest of the set"
        parts.append((f"{dots}: {of_set}", f"{dots}: the set", f"{dots} set"))
    names = [f"{letter} {name}" for letter, (name, _) in marked.items()]
    legend = _stroke_legend([[*each, *names] for each in zip(*parts, strict=True)], width)
    rows = height - len(legend)
    drawn = _draw(traces, across, up, width, rows, ascii_only=ascii_only, marked=places)
    return [*drawn, *legend]


def _stroke_legend(versions: Sequence[Sequence[str]], width: int) -> list[str]:
    """Return what the signs of the plot mean: on one line if a version fits, else on more."""
    for parts in versions:
        if sum(len(part) + 2 for part in parts) <= width + 1:
            return [" " + "  ".join(parts)]
    lines = [""]
    for part in versions[-1]:
        if len(lines[-1]) + 2 + len(part) > width:
            lines.append("")
        lines[-1] += f" {part} "
    return lines


def _joined(points: _Points, count: int) -> list[tuple[float, float]]:
    """Return that many points, at least, along the line through points."""
    every = np.linspace(0.0, len(points) - 1.0, max(count, len(points)))
    xs, ys = (np.interp(every, np.arange(len(points)), each) for each in zip(*points, strict=True))
    return list(zip(xs.tolist(), ys.tolist(), strict=True))


def _spread(points: _Points, count: int) -> list[tuple[float, float]]:
    """Return that many points of a line, evenly spread over the heights."""
    xs, ys = (np.array(each) for each in zip(*sorted(points), strict=True))
    every = np.linspace(xs[0], xs[-1], max(2, count))
    return list(zip(every.tolist(), np.interp(every, xs, ys).tolist(), strict=True))
