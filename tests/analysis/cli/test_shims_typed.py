"""Shims as a person counts them out, at `coilbench begin`."""

import string
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coilbench.analysis.cli.begin import parse_shims
from coilbench.capture.errors import CoilbenchError


@pytest.mark.parametrize(
    ("text", "thickness", "count"),
    [
        ("0.5mm x 12", "0.5mm", 12),
        ("0.5 x12", "0.5 mm", 12),
        ("0,5 mm × 3", "0,5 mm", 3),
        ("0.02in * 0", "0.02in", 0),
        ("0.5", "0.5 mm", None),
    ],
)
def test_shims_are_a_thickness_and_how_many(text: str, thickness: str, count: int | None) -> None:
    typed = parse_shims(text, "mm")
    assert (typed.thickness, typed.count) == (thickness, count)
    assert typed.same({"thickness": thickness})
    assert not typed.same({"thickness": thickness, "under": "inner"})
    assert not typed.same({"thickness": "9 mm"})
    assert not typed.same({"thickness": 9})


@given(st.floats(0.01, 9.0).map(lambda mm: f"{mm:.3f}"), st.integers(0, 999_999))
def test_what_is_written_is_read_back(number: str, count: int) -> None:
    typed = parse_shims(f"{number}mm x {count}", "in")
    assert (typed.thickness, typed.count) == (f"{number}mm", count)


@given(st.text(string.printable, max_size=40))
def test_any_text_is_read_or_refused(text: str) -> None:
    with suppress(CoilbenchError):
        assert parse_shims(text, "mm")
