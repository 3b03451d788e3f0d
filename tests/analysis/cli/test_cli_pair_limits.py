"""`coilbench pair --limits` on a book: what is given is computed, what isn't is said in a line."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path

import pytest

from coilbench.analysis.cli import run
from support.shared import copied, made_once

BUILD = """
[cam]
name = "Lake single"
valve_lift = "10 mm"
seat_load = "200 N"
seat_tolerance = "20 N"
open_load = "400 N"
open_tolerance = "30 N"
[head]
installed_height = "40 mm"
[springs]
outer = ["larch", "rowan"]
"""
MORE = """
[wire.larch]
material = "chrome-silicon"
[valve_train]
lift_table = "cams/lift.csv"
weighing_u = "0.5 g"
[valve_train.masses]
valve = "80 g"
"""


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two single sets of two springs, straight lines of 20 and 21 N/mm, and a lift table."""
    return made_once(tmp_path_factory, "limited", _make)


def _make(folder: Path) -> None:
    path = folder / "book.db"
    for name, rate in (("larch", 20.0), ("rowan", 21.0)):
        new = ["set", "new", name, "--role", "single", "--count", "2", "--solid-height", "22mm"]
        new += ["--wire", "4mm", "--coil-diameter", "30mm", "--active-coils", "5"]
        assert run(["--book", str(path), *new]) == 0
        rows = ["label,height_mm,load_n"]
        rows += [f"{name}-0{n},{h},{rate * (50 - h)}" for n in (1, 2) for h in (45, 40, 35, 30, 26)]
        points = folder / f"{name}.csv"
        points.write_text("\n".join(rows))
        assert run(["--book", str(path), "import", str(points), "--set", name]) == 0
    (folder / "cams").mkdir()
    lifts = [f"{deg},{5.0 * (1.0 - math.cos(math.radians(3 * deg))):.2f}" for deg in range(121)]
    (folder / "cams" / "lift.csv").write_text("\n".join(["cam_deg,valve_lift_mm", *lifts]))


@pytest.fixture
def book(made: Path, tmp_path: Path) -> Path:
    return copied(made, tmp_path) / "book.db"


def told(book: Path, capsys: pytest.CaptureFixture[str], build: str, *options: str) -> str:
    (book.parent / "one.toml").write_text(build)
    assert run(["--book", str(book), "pair", str(book.parent / "one.toml"), *options]) == 0
    return capsys.readouterr().out


def test_limits_of_the_best(book: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = told(book, capsys, BUILD + MORE, "--limits")
    assert re.search("Limits.*larch", out)
    assert "Bergsträsser" in out
    assert re.search("1700 MPa.*A401", out)
    assert re.search(r"crankshaft.*\b95\b", out)
    assert "Not given: cam.max_rpm" in out
    assert "qualified engine machinist" in out
    assert "stop before coil bind" in out


@pytest.mark.parametrize("command", [("pair", "--limits"), ("assign", "--limits"), ("report",)])
@pytest.mark.parametrize(("rpm", "status"), [(3000, 0), (20000, 1)])
def test_an_answer_whose_limits_fail_exits_with_1_and_says_why(
    book: Path, capsys: pytest.CaptureFixture[str], command: tuple[str, ...], rpm: int, status: int
) -> None:
    text = BUILD.replace("[head]", f"max_rpm = {rpm}\n[head]").replace('"30 N"', '"60 N"') + MORE
    build = book.parent / "one.toml"
    build.write_text(text)
    name, *options = command
    assert run(["--book", str(book), name, str(build), *options]) == status
    assert ("20000 rpm" in capsys.readouterr().out) == bool(status)
    if name != "report":  # without being asked for, limits are no part of the answer
        assert run(["--book", str(book), name, str(build)]) == 0
        capsys.readouterr()
    assert run(["--book", str(book), name, str(build), *options, "--json"]) == status
    document = json.loads(capsys.readouterr().out)
    if name == "report":
        assert document["fits"] == (not status)
        assert ("speed_low" in [one["kind"] for one in document["reasons"]]) == bool(status)
        return
    (limits,) = [document["limits"]] if name == "pair" else document["limits"]
    assert limits["fails"] == bool(status)
    failing = [one["kind"] for one in limits["verdicts"] if one["severity"] == "fails"]
    assert failing == (["speed_low"] if status else [])
    assert any("cold" in words for words in limits["assumed"])


def test_the_sheet_says_on_its_page_which_limit_fails(
    book: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    build = book.parent / "one.toml"
    build.write_text(BUILD.replace("[head]", '[head]\nretainer_clearance = "11 mm"'))
    assert run(["--book", str(book), "report", str(build)]) == 1
    assert "1.00 mm left" in capsys.readouterr().out
    page = (book.parent / "one.html").read_text()
    assert "limits fail" in page
    assert "Loads are cold" in page


def test_limits_of_the_set_that_is_named(book: Path, capsys: pytest.CaptureFixture[str]) -> None:
    document = json.loads(told(book, capsys, BUILD, "--outer", "rowan", "--json"))
    assert document["combinations"][0]["outer"] == "larch"
    assert document["limits"]["outer"] == "rowan"
    assert document["limits"]["sets"][0]["springs"][0]["rate_n_per_mm"] == pytest.approx(21.0)


def test_nothing_given_is_said_not_guessed(book: Path, capsys: pytest.CaptureFixture[str]) -> None:
    document = json.loads(told(book, capsys, BUILD, "--limits", "--json"))["limits"]
    assert document["valve"] is None
    assert document["sets"][0]["tensile_mpa"] is None
    assert document["sets"][0]["springs"][0]["fatigue_factor"] is None
    assert any("lift_table" in words for words in document["not_given"])
    assert document["cautions"]


def test_without_the_option_there_are_none(book: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "limits" not in json.loads(told(book, capsys, BUILD, "--json"))


@pytest.mark.parametrize(
    ("build", "options", "said"),
    [
        (BUILD, ["--outer", "pine"], "no outer set 'pine'"),
        (BUILD, ["--inner", "heron"], "no inner set 'heron'"),
        (BUILD + MORE.replace("cams/", ""), ["--limits"], r"'lift\.csv'"),
        (BUILD + MORE.replace("cams/lift.csv", "cams"), ["--limits"], "cannot be read"),
        (BUILD + MORE.replace("cams/lift.csv", "larch.csv"), ["--limits"], r"larch\.csv"),
    ],
)
def test_bad_input_is_one_line(
    book: Path, capsys: pytest.CaptureFixture[str], build: str, options: list[str], said: str
) -> None:
    (book.parent / "one.toml").write_text(build)
    before = book.read_bytes()
    assert run(["--book", str(book), "pair", str(book.parent / "one.toml"), *options]) == 2
    printed = capsys.readouterr()
    assert re.search(said, printed.err)
    assert printed.err.count("\n") == 1
    assert printed.out == ""
    assert book.read_bytes() == before


def test_a_narrow_screen_cuts_no_number(
    book: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    wide = told(book, capsys, BUILD)
    monkeypatch.setenv("COLUMNS", "40")
    narrow = told(book, capsys, BUILD)
    assert "…" not in narrow
    assert narrow.split() == wide.split()
    assert run(["--book", str(book), "assign", str(book.parent / "one.toml")]) == 0
    assert "…" not in capsys.readouterr().out
