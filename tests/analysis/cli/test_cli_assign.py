"""`coilbench assign` and `coilbench pair` on a book: text, JSON, exit statuses, flagged springs."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from coilbench.analysis.cli import run
from support.lake_twin import ALL_ALIKE, TWO_VALVES, build_text
from support.shared import copied

BUILD = build_text(f'max_seat_cut = "0.4 mm"\n{TWO_VALVES}')


@pytest.fixture
def book(twin_folder: Path, tmp_path: Path) -> Path:
    """Six outers and six inners, one of each tired: straight lines, read at four heights."""
    path = copied(twin_folder, tmp_path) / "book.db"
    (tmp_path / "twin.toml").write_text(BUILD)
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
    assert document["left_out"] == ["larch-03", "heron-03"]
    assert len(document["spares"]) == 5 - 2 + 5 - 2
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
    many.write_text(build_text(ALL_ALIKE.format(12)))
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
