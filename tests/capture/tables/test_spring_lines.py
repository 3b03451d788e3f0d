"""What is typed of one spring: read as meant, or refused."""

from __future__ import annotations

import math
import string
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coilbench.capture.errors import CoilbenchError
from coilbench.capture.tables.spring_lines import SpringEntry, caliper_u_mm

STEP_MM = 0.05


@pytest.mark.parametrize(
    ("line", "entry"),
    [
        ("larch-03 free 52.8mm", ("larch-03", "free_length_mm", 52.8)),
        ("  larch 3  SOLID 24,1 mm ", ("larch 3", "solid_height_mm", 24.1)),
        ("a free 2in", ("a", "free_length_mm", 50.8)),
        ('larch-04 mark "two blue dots"', ("larch-04", "mark", "two blue dots")),
        ("larch-04 note came with free locks", ("larch-04", "note", "came with free locks")),
        ("larch-04 free none", ("larch-04", "free_length_mm", None)),
    ],
)
def test_a_line_is_read(line: str, entry: tuple[str, str, object]) -> None:
    found = SpringEntry.parse(line, STEP_MM)
    assert (found.label, found.what, found.value) == pytest.approx(entry)
    assert (found.u_mm is None) == (found.length_mm is None)


@pytest.mark.parametrize(
    "line",
    ["", "larch-03", "larch-03 free", "larch-03 wire 4mm", "free 4mm", "a free 52.8", "a solid x"],
)
def test_a_line_that_says_nothing_is_refused(line: str) -> None:
    with pytest.raises(CoilbenchError):
        SpringEntry.parse(line, STEP_MM)


@given(st.text(string.printable, max_size=40))
def test_any_text_is_read_or_refused(text: str) -> None:
    with suppress(CoilbenchError):
        assert SpringEntry.parse(text, STEP_MM).label


def test_the_uncertainty_is_the_steps_and_the_calipers() -> None:
    """GUM F.2.2.1: a step is rectangular, step / sqrt(12)."""
    assert caliper_u_mm(0.01) == pytest.approx(0.05, abs=1e-3)
    assert caliper_u_mm(1.0) == pytest.approx(math.hypot(1.0 / math.sqrt(12.0), 0.05))
    for step_mm in (0.0, -1.0, math.inf, math.nan):
        with pytest.raises(CoilbenchError, match="step"):
            caliper_u_mm(step_mm)
