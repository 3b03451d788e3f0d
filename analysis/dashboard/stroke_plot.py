"""The running stroke over the band of the springs measured so far, in characters. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from coilbench.analysis.report.set_plot import Axis, Trace, draw
from coilbench.analysis.report.units import Units

TOUCHED_SHARE = 0.02  # of a stroke's highest load: less is the quill's way down to the spring
APART = 3  # characters between two dots of the band, so that they don't look like a line
NOTHING = " (the running stroke is drawn here)"

_Points = Sequence[tuple[float, float]]


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
    across = Axis(f"height {units.length}", max(heights), min(heights))
    up = Axis(f"load {units.load}", 0.0, max(loads))
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
    legend = _legend([[*each, *names] for each in zip(*parts, strict=True)], width)
    rows = height - len(legend)
    drawn = draw(traces, across, up, width, rows, ascii_only=ascii_only, marked=places)
    return [*drawn, *legend]


def _legend(versions: Sequence[Sequence[str]], width: int) -> list[str]:
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
