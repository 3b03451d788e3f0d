"""A bathroom scale calibrated and used: `rig weigh --scale` and `note --scale`."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from sqlite_utils import Database

from coilbench.analysis.cli import run
from support.sqlite_utils_book import utils

KG = 9.80665


@pytest.fixture
def book(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> str:
    """A scale that shows 5 % too much is calibrated as `bathroom`."""
    name = str(tmp_path / "book.db")
    table = tmp_path / "scale.csv"
    rows = [f"{m},{1.05 * m:.1f}" for m in (0, 10, 20, 40, 60, 40, 20, 10, 0)]
    table.write_text("mass_kg,shown_kg\n" + "\n".join(rows))
    call = ["--book", name, "rig", "weigh", "--scale", "bathroom", "--from", str(table)]
    assert run(call) == 0
    (tmp_path / "told.txt").write_text(capsys.readouterr().out)
    assert run(["--book", name, "set", "new", "a", "--role", "outer", "--count", "1"]) == 0
    return name


def test_the_corrections_are_told(book: str, tmp_path: Path) -> None:
    told = (tmp_path / "told.txt").read_text()
    assert "Stored the scale bathroom from 9 points (scale.csv)" in told
    assert "shows 42 kg: add -2.00 kg (± 0.1" in told
    assert "in steps of 0.5 kg" in told  # 10.5, 21, 42, 63: a finer step cannot be told from these


def test_notes_are_corrected_and_keep_what_was_typed(
    book: str, capsys: pytest.CaptureFixture[str]
) -> None:
    note = ["--book", book, "note", "--set", "a", "--scale", "bathroom", "--tare", "2.1kg"]
    assert run([*note, "a-01 38.5mm 23.1kg", "a-01 27.6mm 44.1kg"]) == 0
    capsys.readouterr()
    check = ["--book", book, "set", "check", "a", "--at", "38.5mm", "--at", "27.6mm", "--json"]
    assert run(check) in (0, 1)
    readings = json.loads(capsys.readouterr().out)["springs"][0]["readings"]
    # (23.1 - 2.1)/1.05 = 20 kg and (44.1 - 2.1)/1.05 = 40 kg
    assert [r["load_n"] for r in readings] == pytest.approx([20 * KG, 40 * KG], rel=2e-3)
    with Database(book) as db:
        rows = db.query("SELECT keyed_json FROM sweeps ORDER BY rowid")
        keyed = [json.loads(row["keyed_json"]) for row in rows]
        db.close()
    shown = [one["readings"][0]["shown_load_n"] for one in keyed]
    assert shown == pytest.approx([23.1 * KG, 44.1 * KG])
    assert {one["setup"]["scale"]["name"] for one in keyed} == {"bathroom"}


def test_a_newer_calibration_of_the_name_is_in_force(
    book: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table = tmp_path / "again.csv"
    table.write_text("mass_kg,shown_kg\n0,0\n10,10\n20,20\n40,40\n60,60\n")
    again = ["--book", book, "rig", "weigh", "--scale", "bathroom", "--from", str(table)]
    assert run([*again, "--gravity", "9.79"]) == 0
    assert re.search(r"\b0\.99830 kg", capsys.readouterr().out)  # 9.79/9.80665
    assert run(["--book", book, "note", "--set", "a", "--scale", "bathroom", "a-01 38mm 20kg"]) == 0
    with Database(book) as db:
        (row,) = db.query("SELECT load_n FROM curve_rows")
        db.close()
    assert row["load_n"] == pytest.approx(20 * 9.79, rel=1e-6)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["note", "--set", "a", "--scale", "kitchen", "a-01 38mm 20kg"], "Its scales are bathroom"),
        (
            ["note", "--set", "a", "--scale", "bathroom", "a-01 38mm 90kg"],
            r"\b63\.00 kg",
        ),
        (["rig", "weigh", "--scale", "bathroom"], "Give --from FILE"),
    ],
)
def test_bad_use_is_one_line_and_changes_nothing(
    book: str, capsys: pytest.CaptureFixture[str], arguments: list[str], words: str
) -> None:
    capsys.readouterr()
    assert run(["--book", book, *arguments]) == 2
    said = capsys.readouterr().err
    assert len(said.splitlines()) == 1
    assert re.search(words, said)
    with Database(book) as db:
        assert utils(db)["sweeps"].count == 0
        db.close()


BUILD = """
[cam]
valve_lift = "11 mm"
seat_load = "20 kg"
open_load = "40 kg"
[head]
installed_height = "38.5 mm"
valves = 1
[springs]
outer = ["a"]
"""


@pytest.mark.parametrize(
    "command", [("set", "check", "a", "--at", "38.5mm"), ("pair",), ("assign",), ("plan",)]
)
@pytest.mark.parametrize("weighed", [True, False])
def test_a_scale_that_was_never_weighed_is_one_sentence(
    book: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    command: tuple[str, ...],
    weighed: bool,
) -> None:
    build = tmp_path / "build.toml"
    build.write_text(BUILD)
    note = ["note", "--set", "a", *(("--scale", "bathroom") if weighed else ())]
    assert run(["--book", book, *note, "a-01 38.5mm 20kg", "a-01 27.5mm 40kg"]) == 0
    call = [*command] if command[0] == "set" else [*command, str(build)]
    capsys.readouterr()
    assert run(["--book", book, *call, "--json"]) in (0, 1)
    kinds = [one["kind"] for one in json.loads(capsys.readouterr().out)["warnings"]]
    asked = "weigh_scale_first" if command == ("plan",) else "scale_never_weighed"
    assert kinds == ([] if weighed else [asked])
    assert run(["--book", book, *call]) in (0, 1)
    assert capsys.readouterr().out.count("rig weigh --scale") == (0 if weighed else 1)


@pytest.mark.parametrize("springs", [2, 3])
def test_many_unsure_for_one_reason_are_one_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], springs: int
) -> None:
    book = str(tmp_path / "many.db")
    new = ["set", "new", "b", "--role", "outer", "--count", str(springs)]
    assert run(["--book", book, *new]) == 0
    lines = [f"b-0{i} 38.5mm 20kg" for i in range(1, springs + 1)]
    assert run(["--book", book, "note", "--set", "b", *lines]) == 0
    capsys.readouterr()
    check = ["set", "check", "b", "--nominal", "20.1kg@38.5mm", "--tolerance", "1%"]
    assert run(["--book", book, *check]) in (0, 1)
    told = capsys.readouterr().out
    assert len(re.findall(r"(?m)^b-.* unsure[:,]", told)) == (2 if springs == 2 else 1)


def test_the_pages_table_gives_the_pages_uncertainty(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One reading of 41 kg, by a scale that was never weighed and by the page's own table."""
    page = (Path(__file__).parents[3] / "hardware" / "SCALE.md").read_text(encoding="utf-8")
    lines = page.split("    mass_kg,shown_kg,direction,u_kg\n")[1].split("\n\n")[0]
    table = "mass_kg,shown_kg,direction,u_kg\n" + lines.replace("    ", "")
    (tmp_path / "weights.csv").write_text(table)
    weigh = ["rig", "weigh", "--scale", "bathroom", "--from", str(tmp_path / "weights.csv")]
    for words, first, scale in (
        ("is good to ± {:.2f} kg", [], []),
        ("table below it was ± {:.2f} kg", [weigh], ["--scale", "bathroom"]),
    ):
        book = ["--book", str(tmp_path / f"{len(first)}.db")]
        new = ["set", "new", "a", "--role", "outer", "--count", "1", "--free-length", "53mm"]
        for call in (*first, new, ["note", "--set", "a", *scale, "a-01 27.6mm 41kg"]):
            assert run([*book, *call]) == 0
        capsys.readouterr()
        run([*book, "set", "check", "a", "--at", "27.6mm", "--json"])
        (reading,) = json.loads(capsys.readouterr().out)["springs"][0]["readings"]
        assert words.format(reading["load_u_n"] / KG) in " ".join(page.split())
