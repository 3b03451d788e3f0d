"""Two cards in one build file, as the commands show and judge them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from coilbench.analysis.cli import run

BUILD = """
[cam]
valve_lift = "10 mm"
seat_load = "300 N"
open_load = "600 N"
[cam.exhaust]
valve_lift = "9 mm"
open_load = "{exhaust} N"
base_circle = "31 mm"
core_diameter = "30 mm"
[head]
inner_offset = "2 mm"
[head.valves]
"1 in" = {{height = "40.0 mm", cam = "intake"}}
"1 ex" = {{height = "40.0 mm", cam = "exhaust"}}
[[shims]]
thickness = "0.4 mm"
under = "inner"
[springs]
outer = ["larch"]
inner = ["heron"]
"""


@pytest.fixture
def book(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    """Three outers of 20 N/mm and three inners of 10 N/mm, straight lines."""
    path = tmp_path / "book.db"
    for name, role, free_mm, rate in (
        ("larch", "outer", 50.0, 20.0),
        ("heron", "inner", 48.0, 10.0),
    ):
        new = ["set", "new", name, "--role", role, "--count", "3", "--solid-height", "20mm"]
        assert run(["--book", str(path), *new]) == 0
        rows = ["label,height_mm,load_n"]
        rows += [
            f"{name}-{number:02},{height_mm},{rate * (free_mm - height_mm):.3f}"
            for number in (1, 2, 3)
            for height_mm in (46.0, 40.0, 33.0, 26.0)
        ]
        points = tmp_path / f"{name}.csv"
        points.write_text("\n".join(rows))
        assert run(["--book", str(path), "import", str(points), "--set", name]) == 0
    for name, exhaust in (("twin", 570.0), ("wild", 700.0)):
        (tmp_path / f"{name}.toml").write_text(BUILD.format(exhaust=exhaust))
    capsys.readouterr()
    return path


def told(book: Path, capsys: pytest.CaptureFixture[str], *arguments: str, status: int = 0) -> str:
    assert run(["--book", str(book), *arguments]) == status
    return capsys.readouterr().out


@pytest.mark.parametrize(("name", "status"), [("twin", 0), ("wild", 1)])
def test_a_file_fits_where_each_of_its_cards_is_met(
    book: Path, capsys: pytest.CaptureFixture[str], name: str, status: int
) -> None:
    """30 N/mm: 300 N and 600 N at the intake; 570 N at 9 mm of lift, which 700 N is not."""
    build = str(book.parent / f"{name}.toml")
    out = told(book, capsys, "--load-unit", "N", "pair", build, status=status)
    assert f"{name}, intake" in out
    assert f"{name}, exhaust" in out
    both = json.loads(told(book, capsys, "pair", build, "--json", status=status))["builds"]
    assert [one["card"]["name"] for one in both] == [f"{name}, intake", f"{name}, exhaust"]
    assert [one["lobe"][0]["kind"] for one in both] == ["lobe_unknown", "lobe_proud"]
    for one in both:
        assumed = [note for note in one["notes"] if note["kind"] == "tolerance_assumed"]
        assert assumed[0]["ends"] == ["seat", "open"]
        assert assumed[0]["text"]


def test_another_file_that_fits_is_enough(book: Path, capsys: pytest.CaptureFixture[str]) -> None:
    files = [str(book.parent / f"{name}.toml") for name in ("wild", "twin")]
    assert len(json.loads(told(book, capsys, "pair", *files, "--json"))["builds"]) == 4


def test_assign_says_what_was_assumed_and_how_the_lobes_stand(
    book: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    build = str(book.parent / "twin.toml")
    out = told(book, capsys, "assign", build)
    assert "common practice, no source" in out
    assert "0.50 mm" in out  # (31 - 30) / 2
    assert "ask" in out
    document = json.loads(told(book, capsys, "assign", build, "--json"))
    assert [card["lift_mm"] for card in document["cards"]] == [10.0, 9.0]
    assert {one["kind"] for one in document["lobe"]} == {"lobe_unknown", "lobe_proud"}
    rises = {v["valve"]: v["open_n"] - v["seat_n"] for v in document["valves"]}
    assert rises == pytest.approx({"1 in": 300.0, "1 ex": 270.0})


def test_depths_and_checks_reach_every_cards_heights(
    book: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    build = str(book.parent / "twin.toml")
    rows = json.loads(told(book, capsys, "depths", build, "--json"))["depths"]
    (full,) = (row for row in rows if row["set"] == "larch" and row["at"] == "open")
    assert full["heights_mm"] == [30.0, 31.0]
    checked = json.loads(told(book, capsys, "set", "check", "larch", "--build", build, "--json"))
    assert [one["height_mm"] for one in checked["summary"]] == [40.0, 30.0, 31.0]


def test_the_sheet_shows_both(book: Path, capsys: pytest.CaptureFixture[str]) -> None:
    page = book.parent / "sheet.html"
    told(book, capsys, "report", str(book.parent / "twin.toml"), "-o", str(page))
    text = page.read_text()
    assert "Build sheet: twin<" in text
    assert "Base circle, diameter, exhaust" in text


def test_valves_that_do_not_say_are_bad_input(
    book: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    wrong = book.parent / "wrong.toml"
    wrong.write_text(BUILD.format(exhaust=570).replace(', cam = "intake"', ""))
    assert run(["--book", str(book), "assign", str(wrong)]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert len(said.err.splitlines()) == 1
    assert "'1 in'" in said.err
