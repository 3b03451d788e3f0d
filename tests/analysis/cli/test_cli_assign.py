"""`coilbench assign` and `coilbench pair` on a book: text, JSON, exit statuses, flagged springs."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from coilbench.analysis.cli import run

BUILD = """
[cam]
name = "Lake twin"
valve_lift = "10 mm"
seat_load = "300 N"
seat_tolerance = "20 N"
open_load = "600 N"
open_tolerance = "30 N"
[head]
inner_offset = "2 mm"
max_seat_cut = "0.4 mm"
[head.valves]
"1 in" = "40.0 mm"
"1 ex" = "40.4 mm"
[[shims]]
thickness = "0.4 mm"
count = 1
[limits]
coil_bind_margin = "1.2 mm"
[springs]
outer = ["larch"]
inner = ["heron"]
"""


@pytest.fixture
def book(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    """Six outers, one of them tired, and six inners: straight lines, read at four heights."""
    path = tmp_path / "book.db"
    for name, role, free_mm, rate, solid in (
        ("larch", "outer", 50.0, 20.0, "20mm"),
        ("heron", "inner", 48.0, 10.0, "18mm"),
    ):
        new = ["set", "new", name, "--role", role, "--count", "6", "--solid-height", solid]
        assert run(["--book", str(path), *new]) == 0
        rows = ["label,height_mm,load_n"]
        for number in range(1, 7):
            own = rate * (1.0 + 0.002 * number) * (0.7 if (name, number) == ("larch", 3) else 1.0)
            for height_mm in (46.0, 40.0, 33.0, 26.0):
                load_n = own * (free_mm - height_mm)
                rows.append(f"{name}-{number:02},{height_mm},{load_n:.3f}")
        points = tmp_path / f"{name}.csv"
        points.write_text("\n".join(rows))
        assert run(["--book", str(path), "import", str(points), "--set", name]) == 0
    (tmp_path / "twin.toml").write_text(BUILD)
    capsys.readouterr()
    return path


def told(book: Path, capsys: pytest.CaptureFixture[str], *arguments: str, status: int = 0) -> str:
    assert run(["--book", str(book), *arguments]) == status
    return capsys.readouterr().out


def test_every_valve_gets_its_springs(book: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = told(book, capsys, "assign", str(book.parent / "twin.toml"))
    assert re.search("flagged.*larch-03", out)
    assert "1 in" in out
    assert "1 ex" in out
    assert "Not proven" in out  # straight lines between four heights: they may be bent
    assert "To settle it, measure" in out
    assert "2 of 2 valves are inside the card's tolerances" in out
    assert "What each effort gives" in out
    assert "Spares: " in out
    assert re.search("qualified.*machinist", out)
    assert "larch-03" not in out.split("Spares")[1]


def test_one_json_document_in_newtons(book: Path, capsys: pytest.CaptureFixture[str]) -> None:
    build = str(book.parent / "twin.toml")
    document = json.loads(told(book, capsys, "--load-unit", "lbf", "assign", build, "--json"))
    assert document["status"] == "optimal"
    assert [valve["valve"] for valve in document["valves"]] == ["1 in", "1 ex"]
    assert all(280.0 < valve["seat_n"] < 320.0 for valve in document["valves"])
    assert [valve["shims_mm"] for valve in document["valves"]] == [[], [0.4]]
    assert document["left_out"] == ["larch-03"]
    assert len(document["spares"]) == 5 - 2 + 6 - 2
    flagged = json.loads(told(book, capsys, "assign", build, "--json", "--use-flagged"))
    assert len(flagged["spares"]) == 6 - 2 + 6 - 2
    assert flagged["objective"] <= document["objective"] + 1e-6


def test_no_effort_and_every_effort(book: Path, capsys: pytest.CaptureFixture[str]) -> None:
    build = str(book.parent / "twin.toml")
    objectives = []
    for effort in ("none", "shims", "cuts"):
        document = json.loads(told(book, capsys, "assign", build, "--effort", effort, "--json"))
        assert document["effort"] == effort
        objectives.append(document["objective"])
        assert [level["objective"] for level in document["levels"]][: len(objectives)] == objectives
    assert objectives == sorted(objectives, reverse=True)
    assert run(["--book", str(book), "assign", build, "--effort", "much"]) == 2


def test_no_way_to_fill_the_valves_exits_with_one(
    book: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    tight = book.parent / "tight.toml"
    tight.write_text(BUILD.replace("1.2 mm", "10.3 mm"))
    out = told(book, capsys, "assign", str(tight), status=1)
    assert "There is no way to give every valve springs of its own:" in out
    assert "the limit is 10.30 mm" in out
    assert "with --effort cuts" in out
    document = json.loads(told(book, capsys, "assign", str(tight), "--json", status=1))
    assert document["status"] == "infeasible"
    assert document["valves"] == []
    kinds = [reason["kind"] for reason in document["reasons"]]
    assert kinds == ["coil_bind_margin", "effort_shims"]
    assert "10.30 mm" in document["reasons"][0]["text"]
    many = book.parent / "many.toml"
    table = '[head.valves]\n"1 in" = "40.0 mm"\n"1 ex" = "40.4 mm"\n'
    many.write_text(BUILD.replace(table, 'installed_height = "40 mm"\nvalves = 12\n'))
    assert re.search(r"\b12 valves", told(book, capsys, "assign", str(many), status=1))


def test_pair_says_what_it_would_take(book: Path, capsys: pytest.CaptureFixture[str]) -> None:
    build = str(book.parent / "twin.toml")
    out = told(book, capsys, "pair", build)
    assert "What each pair would take" in out
    assert re.search("larch.*heron", out)
    assert re.search("Closeness.*against", out)
    document = json.loads(told(book, capsys, "pair", build, "--json"))
    assert document["pairs"][0]["verdict"] == "fits"
    assert document["trade_off"]


def test_an_unknown_set_is_one_line(book: Path, capsys: pytest.CaptureFixture[str]) -> None:
    other = book.parent / "other.toml"
    other.write_text(BUILD.replace('"heron"', '"plover"'))
    assert run(["--book", str(book), "assign", str(other)]) == 2
    err = capsys.readouterr().err
    assert "plover" in err
    assert len(err.splitlines()) == 1
