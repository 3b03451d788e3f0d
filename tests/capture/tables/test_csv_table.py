"""CSV as people and spreadsheets write it: read right, or refused in a sentence."""

from __future__ import annotations

import codecs
import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench.capture.errors import CoilbenchError
from coilbench.capture.tables.csv_table import MAX_BYTES, MOST_COLUMNS, MOST_ROWS, read_table

# Real captures of an HX711 and a digital caliper, CC0 1.0; source and commit in their README.
CAPTURES = Path(__file__).parents[2] / "data" / "hx711_caliper_cc0"
RECORD = re.compile(rb"[0-9]{2}:[0-9]{2}:[0-9]{2} -?[0-9]+,[0-9]+ -?[0-9]+,[0-9]+")


def numbers(data: bytes, *columns: str) -> list[list[float]]:
    table = read_table(data, "t.csv")
    return [values.tolist() for values in table.numbers(*(columns or table.columns))]


def refusal(data: bytes, *columns: str) -> str:
    with pytest.raises(CoilbenchError) as caught:
        numbers(data, *columns)
    assert caught.value.hint
    assert "\n" not in str(caught.value)
    return str(caught.value)


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("delimiter", [";", "\t"])
def test_european_spreadsheet(end: str, encoding: str, delimiter: str) -> None:
    lines = ["# Länge über Kraft", "label;height_mm;load_kg", "é1;38,5;22,4", "", "é2;27,65;40"]
    table = read_table(end.join(lines).replace(";", delimiter).encode(encoding), "t.csv")
    assert table.columns == ("label", "height_mm", "load_kg")
    assert table.texts("label") == ("é1", "é2")
    assert table.lines == (3, 5)
    height_mm, load_kg = table.numbers("height_mm", "load_kg")
    assert height_mm.tolist() == [38.5, 27.65]
    assert load_kg.tolist() == [22.4, 40.0]


def test_big_endian_utf16() -> None:
    data = codecs.BOM_UTF16_BE + "a;b\r1,5;2\r".encode("utf-16-be")
    assert numbers(data) == [[1.5], [2.0]]


def test_spreadsheet_padding_and_quotes() -> None:
    # A spreadsheet pads every row to the widest one (here the comment) and quotes what it likes.
    data = b'"# pressed twice, then read";;;\n"A";b;;\n"1,5";2;;\n;;;\n3,25; 4;;\n'
    assert numbers(data) == [[1.5, 3.25], [2.0, 4.0]]


def test_decimal_commas_in_quotes_between_commas() -> None:
    assert numbers(b'a,b\n"38,5","22,4"\n"27,65",40\n') == [[38.5, 27.65], [22.4, 40.0]]


def test_labels_are_no_proof_and_no_conflict() -> None:
    table = read_table(b"label;a\n1.5;2,25\n", "t.csv")
    assert table.numbers("a")[0].tolist() == [2.25]
    assert re.search("decimal.*thousand", refusal(b"label;a\n1,5;17,700\n", "a"))


@pytest.mark.parametrize("sign", [",", "."])
@pytest.mark.parametrize(
    "proof", ["1{}5", "{}5", "0{}500", "1234{}567", "1{}2345", "2{}", "-0{}125"]
)
def test_one_cell_proves_the_decimal_sign_of_the_file(sign: str, proof: str) -> None:
    data = f"a;b\n17{sign}700;1\n2;{proof.format(sign)}\n".encode()
    assert numbers(data)[0] == [17.7, 2.0]
    assert numbers(data)[1] == [1.0, float(proof.format("."))]


@pytest.mark.parametrize(
    "data", [b"a;b\n17,700;3\n", b"a;b\n17.700;3\n", b"a\tb\n17.700\t-1.234\n"]
)
def test_a_decimal_or_a_thousand_is_not_guessed(data: bytes) -> None:
    message = refusal(data)
    assert re.search(r"t\.csv.*\b2\b.*'a'", message)
    assert "17700" in message


def test_a_point_between_commas_is_a_decimal() -> None:
    assert numbers(b"a,b\n17.700,3\n") == [[17.7], [3.0]]


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "t.csv: the file is empty"),
        (b"\xef\xbb\xbf\n# only a comment\n", "t.csv: the file is empty"),
        (b"a,b\n", "t.csv: the file has a header but no rows"),
        (b"1.5,2\n3,4\n", "t.csv, line 1: the first row is not a header: '1.5'"),
        (b"a,b\n1,2\n3,nan\n", "t.csv, line 3: column 'b': 'nan' is not a finite number"),
        (b"a,b\n1,-inf\n", "t.csv, line 2: column 'b': '-inf' is not a finite number"),
        (b"a,b\n1,1e999\n", "t.csv, line 2: column 'b': '1e999' is too large"),
        (b"a,b\n1,1.01e12\n", "t.csv, line 2: column 'b': '1.01e12' is too large"),
        (b"a,b\n\n1,\n", "t.csv, line 3: column 'b' is empty"),
        (b"a,b\n1,2 kg\n", "t.csv, line 2: column 'b': '2 kg' is not a number"),
        (b"a,b\n1,1_000\n", "t.csv, line 2: column 'b': '1_000' is not a number"),
        (b"a;b\n1;1.234,5\n", "t.csv, line 2: column 'b': '1.234,5' has thousand separators"),
        (b"a;b\n1;1 234\n", "t.csv, line 2: column 'b': '1 234' has thousand separators"),
        (b"a;b\n1;1'234\n", "t.csv, line 2: column 'b': \"1'234\" has thousand separators"),
        (
            b"a;b\n1,5;2\n3;4.5\n",
            "t.csv, line 2: column 'a': '1,5' has a comma, and '4.5' in line 3",
        ),
        (b'a,b\n"17,700",9.75\n', "t.csv, line 2: column 'a': '17,700' has a comma, and '9.75'"),
        (
            b"a,b\n38,5,22,4\n",
            "t.csv, line 2: the row has 4 cells and the header 2: decimal commas",
        ),
        (b"a;b\n1;2\n1;2;3\n", "t.csv, line 3: the row has 3 cells and the header 2: a broken row"),
        (b"a;b\n1;2\n1\n", "t.csv, line 3: the row has 1 cells and the header 2: a broken row"),
        (b"a;b\n1,2\n", "t.csv, line 2: the row has 1 cells"),
        (b"a,A\n1,2\n", "t.csv, line 1: duplicate column 'a'"),
        (b"a,,b\n1,2,3\n", "t.csv, line 1: column 2 has no name"),
        (b"a,\n1,2\n", "t.csv, line 1: column 2 has no name"),
        (b"a b\n1 2\n", "t.csv, line 1: the header row has no comma"),
        (b"a\n1\n", "t.csv, line 1: the header row has no comma"),
        (b'a,b\n1,"2\n3"\n', "t.csv, line 2: a quoted cell is not closed"),
        (b"a,b\n1,\x002\n", "t.csv: this is not a text file"),
        (b"\x89PNG\r\n\x1a\n\x00\x00", "t.csv: this is not a text file"),
        ("a,b\n1,2\n".encode("utf-16-le"), "t.csv: this is not a text file"),
        (codecs.BOM_UTF16_LE + b"a", "t.csv: this is not a text file"),
        (b"a,b\n\x81,2\n", "t.csv: this is not a text file"),
        (b"a" * (MAX_BYTES + 1), "t.csv: the file has more than 8 MB"),
    ],
)
def test_refused_in_a_sentence(data: bytes, said: str) -> None:
    assert refusal(data).startswith(said)


def test_a_word_column_without_a_word() -> None:
    table = read_table(b"label,a\nx,1\n,2\n", "t.csv")
    with pytest.raises(CoilbenchError, match=r"\b3\b.*'label'.*empty"):
        table.texts("label")


def check_total(data: bytes) -> None:
    try:
        table = read_table(data, "t.csv")
        values = table.numbers(*table.columns)
    except CoilbenchError as refused:
        said = str(refused)
    else:
        said = ""
        assert all(np.all(np.isfinite(column)) for column in values)
    assert len(said.splitlines()) < 2


@settings(max_examples=150)
@given(st.binary(max_size=200))
def test_any_bytes_are_a_table_or_a_sentence(data: bytes) -> None:
    check_total(data)


@settings(max_examples=150)
@given(st.text(alphabet='a1,;.\t"#\r\n -eE0é\u2028\x85', max_size=60))
def test_any_likely_text_is_a_table_or_a_sentence(text: str) -> None:
    check_total(("a;b\n" + text).encode())


@settings(max_examples=150)
@given(
    rows=st.lists(
        st.tuples(
            st.decimals(min_value=-99999, max_value=99999, places=3),
            st.integers(min_value=-(2**31), max_value=2**31),
        ),
        min_size=1,
        max_size=8,
    ),
    delimiter=st.sampled_from(",;\t"),
    sign=st.sampled_from(",."),
    end=st.sampled_from(["\n", "\r\n", "\r"]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16"]),
)
def test_every_dialect_reads_back_the_same_numbers(
    rows: list[tuple[object, int]], delimiter: str, sign: str, end: str, encoding: str
) -> None:
    def cell(value: object) -> str:
        text = str(value).replace(".", sign)
        return f'"{text}"' if delimiter in text else text

    written = [(cell(a), str(b)) for a, b in rows] + [(cell("0.5"), "7")]
    text = end.join(delimiter.join(row) for row in [("a", "b"), *written])
    a, b = numbers(text.encode(encoding))
    assert a == [float(str(value)) for value, _ in rows] + [0.5]
    assert b == [float(value) for _, value in rows] + [7.0]


@pytest.mark.parametrize("path", sorted(CAPTURES.glob("*[!d]")), ids=lambda p: p.name)
def test_real_captures_as_they_are_are_refused(path: Path) -> None:
    with pytest.raises(CoilbenchError) as caught:
        read_table(path.read_bytes(), path.name)
    assert caught.value.where == f"{path.name}, line 1"
    assert "the first row is not a header" in str(caught.value)


@pytest.mark.parametrize("header", [b"a,b,c", b"a;b;c", b"a\tb\tc", b"a b c", b"a,b"])
@pytest.mark.parametrize("path", sorted(CAPTURES.glob("*[!d]")), ids=lambda p: p.name)
def test_real_captures_under_a_header_that_does_not_fit_are_refused(
    path: Path, header: bytes
) -> None:
    with pytest.raises(CoilbenchError):
        numbers(header + b"\n" + path.read_bytes())


@pytest.mark.parametrize(
    ("name", "records"),
    [  # The counts are those of the captures' README; MDF1's and MDF8's are its clean records.
        ("2B_FLEX_02_06_22.csv", 43),
        ("MDF1.CSV", 38),
        ("MDF8.CSV", 53),
        ("3C_FLEX_01_06_22.CSV", 145),  # with the lone CR inside a line
    ],
)
def test_real_captures_with_a_header_and_semicolons_are_read_right(name: str, records: int) -> None:
    data = (CAPTURES / name).read_bytes()
    table = read_table(b"clock;travel;force\n" + data.replace(b" ", b";"), name)
    travel, force = table.numbers("travel", "force")
    # The outside: the same records picked by their pattern, without our line or decimal logic.
    picked = [record.decode().replace(",", ".").split() for record in RECORD.findall(data)]
    assert len(picked) == records
    assert table.texts("clock") == tuple(clock for clock, _, _ in picked)
    assert travel.tolist() == [float(value) for _, value, _ in picked]
    assert force.tolist() == [float(value) for _, _, value in picked]


def test_idle_noise_of_a_real_capture() -> None:
    # README of the captures: MDF1 has 11 idle records at 0.00 mm, mean -1.5 g, sd 1.6297 g.
    data = (CAPTURES / "MDF1.CSV").read_bytes()
    table = read_table(b"clock;travel;force\n" + data.replace(b" ", b";"), "MDF1.CSV")
    force = table.numbers("travel", "force")[1][:11]
    assert force.mean() == pytest.approx(-1.5, abs=0.05)
    assert force.std(ddof=1) == pytest.approx(1.6297, abs=5e-5)


def test_a_real_capture_with_points_and_commas_is_refused() -> None:
    data = (CAPTURES / "FLEX_TEST_2.txt").read_bytes().replace(b" ", b";")
    message = refusal(b"clock;travel;force\n" + data, "travel", "force")
    assert re.search(r"t\.csv.*\b4\b.*'travel'.*'0,00'.*'0\.00'", message)


@pytest.mark.parametrize("name", ["MDF6_LOADCELL_ERROR.CSV", "MDF9_LOADCELL_ERROR.CSV"])
@pytest.mark.parametrize("delimiter", [b",", b";", b"\t"])
def test_broken_real_captures_are_refused(name: str, delimiter: bytes) -> None:
    data = (CAPTURES / name).read_bytes().replace(b" -> ", delimiter)
    header = delimiter.join([b"clock", b"travel"])
    message = refusal(header + b"\n" + data, "travel")
    assert re.match(r"t\.csv, line \d+: ", message)


def test_as_many_columns_and_rows_as_may_be_and_no_more() -> None:
    names = [f"c{number}" for number in range(MOST_COLUMNS + 1)]
    for count in (MOST_COLUMNS, MOST_COLUMNS + 1):
        data = f"{','.join(names[:count])}\n{','.join('1' * count)}\n".encode()
        if count == MOST_COLUMNS:
            assert len(read_table(data, "t.csv").columns) == count
        else:
            assert "more than 200 columns" in refusal(data)
    assert len(read_table(b"a,b\n" + b"1,2\n" * MOST_ROWS, "t.csv").rows) == MOST_ROWS
    assert "more than 200000 rows" in refusal(b"a,b\n" + b"1,2\n" * (MOST_ROWS + 1))
