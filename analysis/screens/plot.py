"""A small plot in characters, for curves on a terminal. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

_BRAILLE = 0x2800
# bit of each dot in a braille cell, by (row, column)
_DOTS = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))


@dataclass(frozen=True)
class Axis:
    """One axis: what it shows, from where to where; the larger value may come first."""

    title: str
    first: float
    last: float

    def share(self, value: float) -> float:
        """Return where a value lies, 0 at first and 1 at last."""
        return (value - self.first) / (self.last - self.first)


@dataclass(frozen=True)
class Trace:
    """Points to draw; with a mark, each is that character, else fine dots."""

    points: Sequence[tuple[float, float]]
    mark: str | None = None


def joined(points: Sequence[tuple[float, float]], between: int) -> list[tuple[float, float]]:
    """Return points with so many more on the straight way from each to the next."""
    if not points:
        return []
    filled = [
        (x + (next_x - x) * step / (between + 1), y + (next_y - y) * step / (between + 1))
        for (x, y), (next_x, next_y) in pairwise(points)
        for step in range(between + 1)
    ]
    return [*filled, points[-1]]


def draw(
    traces: Sequence[Trace], across: Axis, up: Axis, width: int, height: int, *, ascii_only: bool
) -> list[str]:
    """Draw traces into lines of text, with both axes' ends and titles.

    Args:
        traces: later ones are drawn over earlier ones.
        across: the horizontal axis, left to right.
        up: the vertical axis, bottom to top.
        width, height: size of the whole in characters; at least 20 x 5.
        ascii_only: draw dots with `.` where the terminal cannot show braille.
    """
    labels = [f"{round(value) + 0:d}" for value in (up.last, up.first)]
    gutter = max(len(label) for label in labels) + 1
    columns, rows = width - gutter - 1, height - 2
    dots = [[0] * columns for _ in range(rows)]
    marks: dict[tuple[int, int], str] = {}
    for trace in traces:
        for x, y in trace.points:
            sx, sy = across.share(x), 1.0 - up.share(y)
            if not (0.0 <= sx <= 1.0 and 0.0 <= sy <= 1.0):
                continue
            dx, dy = round(sx * (2 * columns - 1)), round(sy * (4 * rows - 1))
            cell = dy // 4, dx // 2
            if trace.mark is not None:
                marks[cell] = trace.mark
            else:
                dots[cell[0]][cell[1]] |= _DOTS[dy % 4][dx % 2]
    lines = []
    for row in range(rows):
        left = labels[0] if row == 0 else labels[1] if row == rows - 1 else ""
        body = "".join(
            marks.get((row, column)) or _cell(dots[row][column], ascii_only=ascii_only)
            for column in range(columns)
        )
        lines.append(f"{left:>{gutter}}|{body}")
    edge = "+" + "-" * columns
    first, last = f"{across.first:.1f}", f"{across.last:.1f}"
    space = max(0, columns - len(first) - len(last))
    titles = (f"{across.title} (across), {up.title} (up)", across.title, "")
    middle = next(title for title in titles if not title or len(title) + 2 <= space)
    foot = f"{first}{middle:^{space}}{last}"
    lines.append(" " * gutter + edge)
    lines.append(" " * (gutter + 1) + foot)
    return lines


def _cell(dots: int, *, ascii_only: bool) -> str:
    if dots == 0:
        return " "
    return "." if ascii_only else chr(_BRAILLE + dots)
