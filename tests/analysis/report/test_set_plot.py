"""The set's curves as characters: size, letters, legend, and what a poor terminal gets."""

from __future__ import annotations

import re

import numpy as np
import pytest

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.report.set_plot import set_plot
from coilbench.analysis.report.units import Units
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep

EMPTY = Branch(np.empty(0), np.empty(0))


def curve(label: str, rate: float = 16.0, heights: tuple[float, ...] = (53.0, 27.0)) -> SpringCurve:
    mm = np.array(heights)
    points = Branch(mm, rate * (53.0 - mm))
    return fit_curve(label, [Sweep("s", label, Origin.KEYED, points, EMPTY, 0.5, 0.0, 0.0)])


CURVES = [curve(f"s{i:02d}") for i in range(10)] + [curve("low", 12.0), curve("high", 18.0)]
FLAGS = {"low": ("weak",), "high": ("stiff", "odd")}


def plot(curves: list[SpringCurve], flags: dict[str, tuple[str, ...]], **options: object) -> str:
    size = {"width": 80, "height": 22, "ascii_only": False} | options
    return "\n".join(set_plot(curves, flags, Units(), **size))  # type: ignore[arg-type]


@pytest.mark.parametrize(("width", "height"), [(80, 22), (40, 14), (120, 40)])
def test_it_keeps_to_its_size(width: int, height: int) -> None:
    many = {c.label: ("weak",) for c in CURVES}
    for flags in (FLAGS, {}, many):
        lines = plot(CURVES, flags, width=width, height=height).splitlines()
        assert len(lines) <= height
        assert max(map(len, lines)) <= width


def test_flagged_springs_are_letters_where_their_own_curve_is() -> None:
    lines = plot(CURVES, FLAGS).splitlines()
    assert re.search(r"stiff.*\b10\b", lines[-1])
    body = lines[:-3]
    # columns right of the axis, from 53 mm at the left to 27 mm at the right, 0 N at the bottom
    axis = body[0].index("|") + 1
    columns, rows = len(body[0]) - axis, len(body)
    top_n = 18.0 * 26.0
    for letter, rate in (("A", 12.0), ("B", 18.0)):
        found = [
            (column - axis, row)
            for row, line in enumerate(body)
            for column, character in enumerate(line)
            if character == letter and column >= axis
        ]
        assert len(found) > columns / 10
        for column, row in found:
            height = 53.0 - 26.0 * (column + 0.5) / columns
            expected = (1.0 - rate * (53.0 - height) / top_n) * rows
            assert row == pytest.approx(expected, abs=1.5)


def test_a_poor_terminal_gets_ascii() -> None:
    text = plot(CURVES, FLAGS, ascii_only=True)
    assert text.isascii()
    assert "." in text
    assert not plot(CURVES, FLAGS).isascii()


def test_no_flags_and_nothing_to_draw() -> None:
    assert plot(CURVES, {}).splitlines()[-1] == "dots: all 12"
    assert "Only one height" in plot([curve("s", heights=(30.0,))], {})
    assert "No load" in plot([curve("s", rate=0.0)], {})
