"""All springs of a set in one plot of characters; flagged ones by letters of their own. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from string import ascii_uppercase

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.screens.plot import Axis, Trace, draw
from coilbench.capture.units import Units

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
    across = Axis(f"height {units.length}", high, low)
    up = Axis(f"load {units.load}", min(0.0, *(n for _, n in every)), max(n for _, n in every))
    traces = [Trace(points[curve.label]) for curve in curves if curve.label not in letters]
    columns = max(20, width)
    for number, (label, letter) in enumerate(letters.items()):
        traces.append(Trace(_spaced(points[label], across, columns, number), letter))
    return [*draw(traces, across, up, columns, max(6, height - len(legend)), ascii_only=ascii_only),
            *legend]  # fmt: skip


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
    points: Sequence[tuple[float, float]], across: Axis, columns: int, number: int
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
