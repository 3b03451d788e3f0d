"""Tables on the screen: they are as wide as Rich draws them."""

from __future__ import annotations

import random

import pytest
from rich.cells import cell_len

from coilbench.analysis.cli.tables import _width, console, plain_table

WORDS = [
    "",
    "-",
    "larch-01",
    "23.51 ±0.03",
    "春",
    "kg/mm",
    "e\u0301",
    "weak odd",
    "a\tb",
    "x\x1b[2J",
]


@pytest.mark.parametrize("seed", range(20))
def test_a_table_is_as_wide_as_it_is_drawn(seed: int) -> None:
    drawn = random.Random(seed)
    titles = [
        drawn.choice(["", ">"]) + drawn.choice(["free", "38.50 mm\nkg", "off\n%", ""])
        for _ in range(drawn.randint(1, 6))
    ]
    rows = [[drawn.choice(WORDS) for _ in titles] for _ in range(drawn.randint(0, 4))]
    table, out = plain_table(*titles, rows=rows), console(200)
    with out.capture() as lines:
        out.print(table)
    assert {cell_len(line) for line in lines.get().splitlines()} == {_width(table)}
