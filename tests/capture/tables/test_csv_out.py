"""CSV out: what we write we read back; what a spreadsheet would run is guarded."""

from __future__ import annotations

import csv
import io

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench.capture.tables.csv_table import csv_bytes, guarded, read_table, unguarded

# OWASP, "CSV Injection" (from memory): a cell that begins with one of these may be run.
DANGEROUS = ("=", "+", "-", "@", "\t", "\r", "＝", "＋", "－", "＠")

texts = st.text(st.characters(exclude_categories=("Cs", "Cc", "Cf", "Zl", "Zp")), min_size=1).map(
    str.strip
)
starts = st.sampled_from(["", "'", "''", "=", "'=", "+", "-", "@", "#", '"', '"='])
labels = st.builds(str.__add__, starts, texts).filter(bool)
numbers = st.floats(-1e12, 1e12)


@pytest.mark.parametrize("sign", DANGEROUS)
def test_what_a_spreadsheet_would_run_is_guarded(sign: str) -> None:
    text = f"{sign}HYPERLINK(1)"
    assert guarded(text) == "'" + text
    (cell,) = list(csv.reader(io.StringIO(csv_bytes(("a",), [(text,)]).decode())))[1]
    assert cell[0] == "'"


@pytest.mark.parametrize("number", [-1, -0.5, 1e-300, -9.80665])
def test_numbers_are_never_touched(number: float) -> None:
    assert csv_bytes(("a",), [(number,)]).decode().splitlines()[1] == repr(number)


@given(text=st.text())
def test_the_guard_comes_off_again(text: str) -> None:
    assert unguarded(guarded(text)) == text
    assert not guarded(text).startswith(DANGEROUS)


@settings(max_examples=200)
@given(rows=st.lists(st.tuples(labels, numbers), min_size=1, max_size=5))
def test_our_reader_gives_back_what_was_written(rows: list[tuple[str, float]]) -> None:
    table = read_table(csv_bytes(("label", "load_n"), rows, ["a comment"]), "out.csv")
    assert table.texts("label") == tuple(label for label, _ in rows)
    assert np.array_equal(table.numbers("load_n")[0], [number for _, number in rows])


@given(label=texts.filter(bool), comment=st.text())
def test_python_s_own_reader_gives_it_back_too(label: str, comment: str) -> None:
    text = csv_bytes(("label", "load_n"), [(label, 1.5)], [comment]).decode("utf-8-sig")
    lines = text.split("\n")
    assert lines[0].startswith("# ")
    assert list(csv.reader(lines[1:-1])) == [["label", "load_n"], [guarded(label), "1.5"]]


def test_a_line_end_in_a_text_becomes_a_blank() -> None:
    assert csv_bytes(("a", "b"), [("one\r\ntwo", None)]) == b"a,b\none two,\n"


def test_what_would_hide_or_turn_round_is_made_visible() -> None:
    written = csv_bytes(("a",), [("larch\u202e10",)], ["by\u2028me"])
    assert written == b"# by\\u2028me\na\nlarch\\u202e10\n"


def test_a_byte_order_mark_only_where_a_spreadsheet_needs_it() -> None:
    assert csv_bytes(("a",), [("fir",)]).startswith(b"a")
    assert csv_bytes(("a",), [("M\u00e4rz",)]).startswith(b"\xef\xbb\xbf")
