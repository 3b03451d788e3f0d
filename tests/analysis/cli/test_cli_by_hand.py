"""Files of readings by hand: the same ± as the same readings keyed. Reference: `note` itself."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from sqlite_utils import Database

from coilbench.analysis.cli import run

KG = 9.80665
COARSE = ("--resolution", "0.5kg", "--quill", "0.5mm")
CELLS = {"tare_kg": 2, "lever": 2, "scale": "bath"}
AT = ("--at", "38.5mm", "--at", "27.6mm")


@pytest.fixture
def book(tmp_path: Path) -> str:
    name = str(tmp_path / "book.db")
    table = tmp_path / "scale.csv"
    rows = [f"{m},{1.02 * m:.1f}" for m in (0, 10, 20, 40, 60, 40, 20, 10, 0)]
    table.write_text("mass_kg,shown_kg\n" + "\n".join(rows))
    weigh = ["rig", "weigh", "--scale", "bath", "--from", str(table)]
    assert run(["--book", name, *weigh]) == 0
    for label in ("keyed", "file"):
        assert run(["--book", name, "set", "new", label, "--role", "outer", "--labels", "a"]) == 0
    return name


def readings(book: str, name: str, capsys: pytest.CaptureFixture[str]) -> list[tuple[float, float]]:
    capsys.readouterr()
    assert run(["--book", book, "set", "check", name, *AT, "--json"]) in (0, 1)
    (spring,) = json.loads(capsys.readouterr().out)["springs"]
    return [(one["load_n"], one["load_u_n"]) for one in spring["readings"]]


@pytest.mark.parametrize(
    ("columns", "options", "keyed"),
    [
        ("", ("--by-hand",), ()),
        (",tare_kg", (), ("--tare", "2kg")),
        ("", ("--tare", "2kg"), ("--tare", "2kg")),
        (",lever", ("--lever-u", "1%"), ("--lever", "2", "--lever-u", "1%")),
        ("", ("--scale", "bath"), ("--scale", "bath")),
        (",scale", (), ("--scale", "bath")),
        (",tare_kg,lever,scale", (), ("--tare", "2kg", "--lever", "2", "--scale", "bath")),
        (
            "",
            ("--resolution", "0.5kg", "--quill", "0.5mm"),
            ("--resolution", "0.5kg", "--quill", "0.5mm"),
        ),
    ],
)
def test_a_file_gets_the_same_uncertainty_as_keyed_readings(
    book: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    columns: str,
    options: tuple[str, ...],
    keyed: tuple[str, ...],
) -> None:
    note = ["note", "--set", "keyed", *keyed, "a 38.5mm 23.4kg", "a 27.6mm 41.0kg"]
    assert run(["--book", book, *note]) == 0
    cells = "".join(f",{CELLS[each]}" for each in columns.split(",")[1:])
    file = tmp_path / "read.csv"
    file.write_text(
        f"spring,Height (mm),Load (kg){columns}\na,38.5,23.4{cells}\na,27.6,41{cells}\n"
    )
    assert run(["--book", book, "import", str(file), "--set", "file", *options]) == 0
    assert "assumed" not in capsys.readouterr().out
    ours, theirs = readings(book, "file", capsys), readings(book, "keyed", capsys)
    for one, other in zip(ours, theirs, strict=True):
        assert one == pytest.approx(other, rel=1e-9)


def test_a_file_that_says_nothing_is_told_what_is_assumed(
    book: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "read.csv"
    file.write_text("label,height_mm,load_kg\na,38.5,23.4\na,27.6,41\n")
    assert run(["--book", book, "import", str(file), "--set", "file"]) == 0
    assert "--by-hand" in capsys.readouterr().out


def test_a_stated_uncertainty_is_the_load_s(
    book: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """u_kg is expanded, k = 2; 0.05 mm of height (k = 1, assumed) at 1.61 kg/mm beside it."""
    file = tmp_path / "read.csv"
    file.write_text("label,height_mm,load_kg,u_kg,remark\na,38.5,23.4,0.5,\na,27.6,41,0.9,x\n")
    assert run(["--book", book, "import", str(file), "--set", "file"]) == 0
    assert "remark" in capsys.readouterr().out
    rate = (41.0 - 23.4) / (38.5 - 27.6)
    for (_, u_n), u_kg in zip(readings(book, "file", capsys), (0.5, 0.9), strict=True):
        assert u_n / KG == pytest.approx((u_kg**2 + (2 * 0.05 * rate) ** 2) ** 0.5, rel=1e-3)
    out = tmp_path / "out"
    assert run(["--book", book, "export", "--out", str(out)]) == 0
    (written,) = (out / "strokes" / "file").glob("*.csv")
    assert run(["--book", book, "import", str(written), "--set", "keyed"]) == 0
    ours, back = readings(book, "file", capsys), readings(book, "keyed", capsys)
    for one, other in zip(ours, back, strict=True):
        assert one == pytest.approx(other, rel=1e-9)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--scale", "none"), "no scale 'none'"),
        (("--lever", "0"), "lever ratio"),
        (("--tare", "50kg"), "the tare of 50.00 kg"),
    ],
)
def test_impossible_ways_of_reading_are_refused(
    book: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    options: tuple[str, ...],
    words: str,
) -> None:
    file = tmp_path / "read.csv"
    file.write_text("label,height_mm,load_kg\na,38.5,23.4\n")
    before = Path(book).read_bytes()
    capsys.readouterr()
    assert run(["--book", book, "import", str(file), "--set", "file", *options]) == 2
    said = capsys.readouterr().err
    assert len(said.splitlines()) == 1
    assert words in said
    assert Path(book).read_bytes() == before


def test_a_sweep_is_not_read_by_hand(
    book: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "sweep.csv"
    rows = [
        f"{i},{1.5 * p},{50 - p}" for i, p in enumerate([0, 1, 5, 10, 15, 20, 20, 15, 10, 5, 0])
    ]
    file.write_text("t_s,load_kg,height_mm\n" + "\n".join(rows))
    call = ["--book", book, "import", str(file), "--set", "file", "--label", "a"]
    capsys.readouterr()
    assert run([*call, "--by-hand"]) == 2
    assert "sweep" in capsys.readouterr().err
    assert run(call) == 0


@pytest.mark.parametrize(("way_up", "branches"), [(True, 2), (False, 1)])
def test_the_way_down_alone_is_a_sound_stroke(
    book: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], way_up: bool, branches: int
) -> None:
    """1.6 kg/mm from 53 mm on: 23.2 kg at 38.5 mm."""
    down = [0.2 * i for i in range(141)]
    pressed = [*down, *reversed(down)] if way_up else down
    rows = [f"{i / 50},{1.6 * max(p - 2, 0):.3f},{55 - p:.3f}" for i, p in enumerate(pressed)]
    file = tmp_path / "down.csv"
    file.write_text("t_s,load_kg,height_mm\n" + "\n".join(rows))
    call = ["import", str(file), "--set", "file", "--label", "a"]
    capsys.readouterr()
    assert run(["--book", book, *call, "--json"]) == 0
    (told,) = json.loads(capsys.readouterr().out)["files"]
    assert any("loading" in note for note in told["notes"]) is not way_up
    assert run(["--book", book, "set", "check", "file", *AT, "--json"]) == 0
    (spring,) = json.loads(capsys.readouterr().out)["springs"]
    assert spring["readings"][0]["load_n"] == pytest.approx(23.2 * KG, rel=2e-3)
    assert [(one["kept"], one["findings"]) for one in spring["strokes"]] == [(True, [])]
    assert spring["flags"] == []
    with Database(book) as db:
        ways = {row["branch"] for row in db.query("SELECT DISTINCT branch FROM curve_rows")}
        db.close()
    assert len(ways) == branches
