"""Loads at chosen heights, one entry a spring."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from coilbench.capture.errors import CoilbenchError
from coilbench.capture.tables.csv_table import Table, read_table
from coilbench.capture.tables.points_file import PointsFile
from coilbench.capture.tables.sweep_files import read_sweep_file

# U.S. Ordnance Department, Report of the Tests of Metals and Other Materials, Watertown Arsenal,
# 1900, pp. 386-387 (public domain); more in the file's own comments.
WATERTOWN = Path(__file__).parents[2] / "data" / "watertown1900_springs.csv"


def read_the_points(table: Table, free_length_mm: float | None) -> PointsFile:
    points = read_sweep_file(table, free_length_mm=free_length_mm)
    assert isinstance(points, PointsFile)
    return points


def read(text: str, free_length_mm: float | None = None) -> PointsFile:
    return read_the_points(read_table(text.encode(), "p.csv"), free_length_mm)


def refusal(text: str, free_length_mm: float | None = None) -> str:
    with pytest.raises(CoilbenchError) as caught:
        read(text, free_length_mm)
    assert caught.value.hint
    return str(caught.value)


def test_watertown_springs_as_printed() -> None:
    points = read(WATERTOWN.read_text())
    labels = [spring.label for spring in points.springs]
    assert labels == ["8", "9", "10", "12", "13", "14", "15", "16", "17", "18", "19", "20"]
    assert points.drops == ()
    assert sum(len(s.loading) + len(s.unloading) for s in points.springs) == 81  # rows of the file
    weak = points.springs[labels.index("17")]
    # 15,080 lbf at 12.25 in, p. 387; lbf and inch by the international agreement of 1959
    assert weak.loading.load_n[0] == pytest.approx(15080 * 4.4482216152605, rel=1e-12)
    assert weak.loading.height_mm[0] == pytest.approx(12.25 * 25.4, rel=1e-12)
    assert weak.unloading.load_n[-1] == pytest.approx(11200 * 4.4482216152605, rel=1e-12)
    assert (len(weak.loading), len(weak.unloading)) == (4, 3)


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_watertown_springs_through_a_european_spreadsheet(end: str) -> None:
    """Semicolons, decimal commas, padding to the comment's width and a byte-order mark."""
    lines = WATERTOWN.read_text().splitlines()
    width = max(line.count(",") for line in lines)
    padded = [line.replace(",", ";") + ";" * (width - line.count(",")) for line in lines]
    data = end.join(line.replace(".", ",") for line in padded).encode("utf-8-sig")
    table = read_table(data, "p.csv")
    assert table.delimiter == ";"
    expected = read(WATERTOWN.read_text()).springs
    for ours, theirs in zip(read_the_points(table, None).springs, expected, strict=True):
        assert ours.label == theirs.label
        assert ours.loading.height_mm.tolist() == theirs.loading.height_mm.tolist()
        assert ours.unloading.load_n.tolist() == theirs.unloading.load_n.tolist()


def test_depths_and_mixed_order() -> None:
    points = read(
        "label,load_kg,depth_mm,direction\na,22.4,15,Loading\nb,20,15,loading\n"
        "a,40.7,25.9,LOADING\na,21,15,unloading\n",
        free_length_mm=53.0,
    )
    a, b = points.springs
    assert (a.label, b.label) == ("a", "b")
    assert a.loading.height_mm.tolist() == pytest.approx([38.0, 27.1])
    assert a.unloading.height_mm.tolist() == [38.0]
    # common practice, no source: 22.4 kg at 15 mm and 40.7 kg at 25.9 mm is 1.68 kg/mm
    rise_kg = (a.loading.load_n[1] - a.loading.load_n[0]) / 9.80665
    assert rise_kg / (a.loading.height_mm[0] - a.loading.height_mm[1]) == pytest.approx(
        1.68, abs=0.005
    )


def test_depth_in_inches() -> None:
    (spring,) = read("label,depth_in,load_n\na,0.5,100\n", free_length_mm=50.8).springs
    assert spring.loading.height_mm.tolist() == pytest.approx([38.1])


def test_direction_left_out_is_loading() -> None:
    (spring,) = read("label,height_mm,load_kg\na,38.5,22.4\na,30,35\n").springs
    assert (len(spring.loading), len(spring.unloading)) == (2, 0)


def test_a_drop_in_load_is_noted() -> None:
    points = read("label,height_mm,load_kg\na,40,20\na,35,2.9\na,30,40\nb,40,20\nb,30,40\n")
    (drop,) = points.drops
    assert (drop["label"], drop["height_mm"]) == ("a", 35.0)
    assert drop["load_n"] == pytest.approx(2.9 * 9.80665)


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ("a,38.5,-2", "line 2: a spring's load is never negative"),
        ("a,-38.5,2", "line 2: the height must be more than 0"),
        ("a,38.5,2\n,38.5,2", "line 3: column 'label' is empty"),
        ("a,54,2", "line 2: a load above the free length of 53 mm"),
        ("a,15,22\na,26,40", "spring 'a' has less load at its lowest height than at its highest"),
    ],
)
def test_numbers_no_spring_gives(rows: str, said: str) -> None:
    assert re.search(said, refusal(f"label,height_mm,load_kg\n{rows}\n", free_length_mm=53.0))


@pytest.mark.parametrize(
    ("rows", "free_length_mm", "said"),
    [
        ("a,15,22", None, "p.csv: depths need the springs' free length"),
        ("a,-1,22", 53.0, "p.csv, line 2: a depth is never negative"),
        ("a,15,22\na,53,40", 53.0, "p.csv, line 3: the depth is not less than the free length"),
    ],
)
def test_depths_refused(rows: str, free_length_mm: float | None, said: str) -> None:
    assert refusal(f"label,depth_mm,load_kg\n{rows}\n", free_length_mm).startswith(said)


@pytest.mark.parametrize("word", ["up", "load", "ładowanie", "1"])
def test_wrong_direction_is_named_with_its_line(word: str) -> None:
    text = f"label,height_mm,load_kg,direction\na,38.5,22.4,loading\na,38.5,22,{word}\n"
    message = refusal(text)
    assert re.search(r"p\.csv.*\b3\b", message)
    assert word in message


def test_height_and_depth_at_once() -> None:
    message = refusal("label,height_mm,depth_mm,load_kg\na,38,15,22.4\n", 53.0)
    assert "unknown column 'height_mm'" in message


def test_a_single_point_at_the_free_length() -> None:
    (spring,) = read("label,height_mm,load_kg\na,53,0\na,54,0\n", free_length_mm=53.0).springs
    assert spring.loading.load_n.tolist() == [0.0, 0.0]


@pytest.mark.parametrize(
    "header",
    [
        "label,height_mm,load_kg",
        "Spring,Height (mm),Load (kg)",
        "Label, HEIGHT [mm] ,load kg",
        '"Spring","Height, mm","Load, kg"',
    ],
)
def test_headers_as_people_write_them(header: str) -> None:
    (spring,) = read(f"{header}\na,38.5,22.4\n").springs
    assert spring.loading.load_n[0] == pytest.approx(22.4 * 9.80665)
    assert spring.loading.height_mm[0] == 38.5


@pytest.mark.parametrize("unit", ["lbf", "lb", "lbs"])
def test_pounds_by_each_of_their_names(unit: str) -> None:
    (spring,) = read(f"label,height_in,load_{unit}\na,1.5,50\n").springs
    assert spring.loading.load_n[0] == pytest.approx(50 * 4.4482216152605, rel=1e-12)


@pytest.mark.parametrize("name", ["remark", "Remarks", "note", "Date"])
def test_remarks_are_passed_over_and_named(name: str) -> None:
    found = read(f"label,height_mm,load_kg,{name}\na,38.5,22.4,\nb,38.5,22.6,cold\n")
    assert found.passed_over == (name.lower(),)
    assert len(found.springs) == 2
    assert "unknown column" in refusal("label,height_mm,load_kg,noise\na,38.5,22.4,1\n")


@pytest.mark.parametrize(
    ("sheet", "decimals"),
    [
        ("Spring,38.5 mm (kg),27.6 mm (kg),remarks\na,22.4,40.7,\nb,22.6,,cold\n", "."),
        ("Spring,kg at 38.5mm,kg at 27.6mm\na,22.4,40.7\nb,22.6,\n", "."),
        ("Spring;38,5 mm kg;27,6 mm kg\na;22,4;40,7\nb;22,6;\n", ","),
    ],
)
def test_a_row_a_spring_and_a_column_a_height(sheet: str, decimals: str) -> None:
    assert decimals in sheet
    long = read("label,height_mm,load_kg\na,38.5,22.4\na,27.6,40.7\nb,38.5,22.6\n").springs
    for ours, theirs in zip(read(sheet).springs, long, strict=True):
        assert ours.label == theirs.label
        assert ours.loading.height_mm.tolist() == theirs.loading.height_mm.tolist()
        assert ours.loading.load_n.tolist() == theirs.loading.load_n.tolist()


def test_a_wide_sheet_says_its_unit_and_names_the_line_of_a_wrong_cell() -> None:
    for header in ("spring,38.5 mm,27.6 mm", "spring,38.5 mm kg,27.6 mm lbs"):
        assert "unit of load" in refusal(f"{header}\na,22.4,40.7\n")
    wrong = refusal("spring,38.5 mm kg,27.6 mm kg\na,22.4,40.7\nb,22.6,x\n")
    assert re.search(r"line 3\b", wrong)


def test_how_readings_were_taken_stands_in_columns() -> None:
    text = "label,height_mm,load_kg,u_kg,tare_kg,lever,scale\n"
    rows = "a,38.5,8.1,0.2,3,3,bath\na,27.6,14.0,0.4,3,3,bath\na,38.5,8.2,0.2,4,3,bath\n"
    one, other = read(text + rows).springs
    assert (one.label, other.label) == ("a", "a")
    assert one.hand is not None
    assert one.hand[1:] == (3.0, "bath")
    assert one.hand.tare_n == pytest.approx(3 * 9.80665)
    assert other.hand is not None
    assert other.hand.tare_n == pytest.approx(4 * 9.80665)
    assert one.load_u_n is not None
    assert one.load_u_n[0] == pytest.approx((0.1 * 9.80665, 0.2 * 9.80665))  # expanded: k = 2


@pytest.mark.parametrize("header", ["Spring #", "Spring no.", "SPRING NO", "Spring", "label"])
def test_a_spring_s_column_is_known_by_its_usual_names(header: str) -> None:
    (spring,) = read(f"{header},height_mm,load_kg\n7,38.5,22.4\n7,30,35\n").springs
    assert spring.label == "7"
