"""`import`, `set check` and `pair` on real and keyed springs, as a person would use them."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from coilbench.analysis.cli import run
from coilbench.capture.unit_factors import KGF_N, LBF_N

from .conftest import Call

WATERTOWN = Path(__file__).parents[2] / "data" / "watertown1900_springs.csv"
LABELS = "8,9,10,12,13,14,15,16,17,18,19,20"

# US Ordnance Department, Report of the Tests of Metals, Watertown Arsenal, 1900, pp. 386-387: the
# height at which each spring was closed down, in inches.
SOLID_IN = {
    "8": 9.63, "9": 9.70, "10": 9.68, "12": 9.75, "13": 9.65, "14": 9.68,
    "15": 9.55, "16": 9.70, "17": 9.67, "18": 9.63, "19": 9.69, "20": 9.70,
}  # fmt: skip


@pytest.fixture
def book(tmp_path: Path) -> str:
    return str(tmp_path / "book.db")


def document(capsys: pytest.CaptureFixture[str]) -> dict[str, object]:
    return json.loads(capsys.readouterr().out)  # type: ignore[no-any-return]


def test_twelve_real_springs_are_judged_as_the_report_reads(
    book: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["--book", book, "set", "new", "nest", "--role", "single", "--labels", LABELS]) == 0
    assert run(["--book", book, "import", str(WATERTOWN), "--set", "nest"]) == 0
    assert re.search(r"\b12 springs", capsys.readouterr().out)
    at = ["--at", "12.25in", "--at", "9.75in", "--branch", "loading", "--json"]
    assert run(["--book", book, "set", "check", "nest", *at]) == 1
    check = document(capsys)
    springs = {spring["label"]: spring for spring in check["springs"]}  # type: ignore[attr-defined]
    kinds = {label: [f["kind"] for f in spring["flags"]] for label, spring in springs.items()}
    assert "weak" in kinds["17"]
    assert "stiff" in kinds["13"]
    # The report's own figures at 12.25 in
    assert springs["17"]["readings"][0]["load_n"] == pytest.approx(15080 * LBF_N)
    assert springs["13"]["readings"][0]["load_n"] == pytest.approx(19740 * LBF_N)
    for label, height_in in SOLID_IN.items():
        assert springs[label]["solid_height_mm"] == pytest.approx(height_in * 25.4)


def test_the_closed_down_rows_can_be_overruled(
    book: str, capsys: pytest.CaptureFixture[str]
) -> None:
    run(["--book", book, "set", "new", "nest", "--role", "single", "--labels", LABELS])
    assert run(["--book", book, "import", str(WATERTOWN), "--set", "nest", "--no-closed-down"]) == 0
    assert "Solid heights" not in capsys.readouterr().out


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "empty"),
        ("label,height_mm\nlarch-01,38.5\n", "load_kg"),
        ("label,height_mm,load_kg\nlarch-01,38.5,nan\n", "nan"),
        ("label,height_mm,load_kg\nlarch-99,38.5,22.4\n", "larch-99"),
        ("label,height_mm,load_kg\nlarch-01,38.5\n", "line 2"),
        ("label,height_mm,load_stone\nlarch-01,38.5,3\n", "load_stone"),
        ("label;height_mm;load_kg\nlarch-01;38,500;22,400\n", "38,500"),
        ("t_s,load_counts,travel_counts\n0,1,2\n", "too few"),
    ],
)
def test_a_bad_file_is_one_line_and_changes_nothing(
    book: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, words: str
) -> None:
    run(["--book", book, "set", "new", "larch", "--role", "outer", "--count", "2"])
    good = tmp_path / "good.csv"
    good.write_text("label,height_mm,load_kg\nlarch-01,38.5,22.4\n")
    bad = tmp_path / "bad.csv"
    bad.write_text(text)
    capsys.readouterr()
    assert run(["--book", book, "import", str(good), str(bad), "--set", "larch"]) == 2
    told = capsys.readouterr()
    assert len(told.err.splitlines()) == 1
    assert words.lower() in told.err.lower()
    run(["--book", book, "set", "show", "larch", "--json"])
    shown = document(capsys)
    assert [s["sweeps_counted"] for s in shown["springs"]] == [0, 0]  # type: ignore[attr-defined]


def test_a_set_check_says_what_the_readings_leave_open(
    book: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run(["--book", book, "set", "new", "larch", "--role", "outer", "--count", "1"])
    file = tmp_path / "points.csv"
    file.write_text(
        "label,height_mm,load_kg,direction\nlarch-01,38.5,22.4,loading\n"
        "larch-01,38.5,22.0,unloading\nlarch-01,27.6,40.7,loading\n"
    )
    run(["--book", book, "import", str(file), "--set", "larch"])
    capsys.readouterr()
    asked = ["--book", book, "set", "check", "larch", "--at", "38.5mm", "--at", "27.6mm"]
    run(asked)
    words = "at 27.60 mm: only the loading branch was measured there"
    assert f"Note: {words}." in capsys.readouterr().out.splitlines()
    run([*asked, "--json"])
    assert document(capsys)["notes"] == [words]


def test_a_spreadsheet_with_decimal_commas_reads_the_same(
    book: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run(["--book", book, "set", "new", "larch", "--role", "outer", "--count", "1"])
    file = tmp_path / "export.csv"
    file.write_bytes(
        "\ufefflabel;height_mm;load_kg\r\nlarch-01;38,5;22,4\r\nlarch-01;27,6;40,7\r\n".encode()
    )
    assert run(["--book", book, "import", str(file), "--set", "larch"]) == 0
    capsys.readouterr()
    run(["--book", book, "set", "check", "larch", "--at", "38,5mm", "--at", "27.6mm", "--json"])
    readings = document(capsys)["springs"][0]["readings"]  # type: ignore[index]
    assert readings[0]["load_n"] == pytest.approx(22.4 * KGF_N)
    assert readings[1]["load_n"] == pytest.approx(40.7 * KGF_N)


BUILD = """\
[cam]
name = "test"
valve_lift = "10.9 mm"
seat_load = "40 kg"
seat_tolerance = "2 kg"
open_load = "78 kg"
open_tolerance = "3 kg"
[head]
installed_height = "38.0 mm"
inner_offset = "2.0 mm"
[[shims]]
thickness = "1 mm"
count = 12
[springs]
outer = ["oak"]
inner = ["fir"]
"""


def keyed_pair(book: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    """Key an outer and an inner set that give 42 kg shut and 84 kg at 10.9 mm lift."""
    build = tmp_path / "engine.toml"
    build.write_text(BUILD)
    for name, role, seat_mm, loads in (
        ("oak", "outer", 38.0, (28.0, 56.0)),
        ("fir", "inner", 36.0, (14.0, 28.0)),
    ):
        run(["--book", book, "set", "new", name, "--role", role, "--count", "1"])
        lines = [
            f"{name}-01 {seat_mm}mm {loads[0]}kg",
            f"{name}-01 {seat_mm - 10.9}mm {loads[1]}kg",
        ]
        assert run(["--book", book, "note", "--set", name, *lines]) == 0
    capsys.readouterr()
    return build


def test_keyed_springs_are_paired_against_the_card(
    book: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # Common practice, no source: 40 kg shut and 78 kg at 10.9 mm lift imply 3.49 kg/mm; a pair
    # that gives 42 and 84 is too strong at full lift in a way no shim can mend.
    build = keyed_pair(book, tmp_path, capsys)
    assert run(["--book", book, "pair", str(build), "--json"]) == 1
    pairing = document(capsys)
    implied = pairing["card"]["implied_rate_n_per_mm"]  # type: ignore[index]
    assert implied / KGF_N == pytest.approx(3.49, abs=0.005)
    best = pairing["combinations"][0]  # type: ignore[index]
    assert (best["outer"], best["inner"], best["fits"]) == ("oak", "fir", False)
    assert best["seat_n"] / KGF_N == pytest.approx(42.0)
    assert best["open_n"] / KGF_N == pytest.approx(84.0)
    assert any("no shim" in reason["text"].lower() for reason in best["reasons"])


def test_pair_prints_a_table_the_verdict_and_the_caution(
    book: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    build = keyed_pair(book, tmp_path, capsys)
    assert run(["--book", book, "pair", str(build)]) == 1
    told = capsys.readouterr().out
    assert "Nothing fits" in told
    assert "qualified engine machinist" in told


def test_a_typo_in_the_build_file_names_key_and_line(
    book: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    build = keyed_pair(book, tmp_path, capsys)
    build.write_text(BUILD.replace("seat_load", "seat_laod"))
    assert run(["--book", book, "pair", str(build)]) == 2
    told = capsys.readouterr().err
    assert "seat_laod" in told
    assert "line 4" in told
    assert len(told.splitlines()) == 1


def test_depths_say_how_far_to_press(
    book: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    build = tmp_path / "engine.toml"
    build.write_text(BUILD)
    for name, role, free in (("oak", "outer", "53mm"), ("fir", "inner", "47mm")):
        size = ["--count", "1", "--free-length", free]
        run(["--book", book, "set", "new", name, "--role", role, *size])
    capsys.readouterr()
    assert run(["--book", book, "depths", str(build), "--json"]) == 0
    rows = document(capsys)["depths"]
    found = {(row["set"], row["at"]): row["depths_mm"] for row in rows}
    assert max(found["oak", "open"]) == pytest.approx(27.9)  # over two shims of 1 mm
    assert min(found["oak", "seat"]) == pytest.approx(15.0)
    assert max(found["fir", "seat"]) == pytest.approx(47.0 - 34.0)


@pytest.mark.parametrize(("over_mm", "told"), [(0.01, True), (3.0, False)])
def test_depths_are_not_counted_from_turns_that_close_softly(
    book: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], over_mm: float, told: bool
) -> None:
    """A stroke is the only source of the free length; its first turns close over so much."""
    build, file = tmp_path / "engine.toml", tmp_path / "stroke.csv"
    build.write_text(BUILD)
    rows = ["t_s,load_n,height_mm"]
    for at in range(1200):
        height = 27.0 + 28.0 * abs(1.0 - at / 600.0)
        depth = max(53.0 - height, 0.0)
        closing = depth**2 / 2.0 / over_mm if depth < over_mm else depth - over_mm / 2.0
        rows.append(f"{at / 90.0:.4f},{16.0 * closing + 0.05 * (-1) ** at:.3f},{height:.3f}")
    file.write_text("\n".join(rows), encoding="utf-8")
    for name, role in (("oak", "outer"), ("fir", "inner")):
        run(["--book", book, "set", "new", name, "--role", role, "--count", "1"])
    asked = ["--book", book, "import", str(file), "--set", "oak", "--label", "oak-01"]
    assert run(asked) == 0
    capsys.readouterr()
    assert run(["--book", book, "depths", str(build), "--json"]) == 0
    rows = document(capsys)["depths"]
    shut = next(row for row in rows if row["set"] == "oak" and row["at"] == "seat")
    assert (shut["depths_mm"] is not None) == told


def test_notes_are_in_the_display_units_and_json_in_n_and_mm(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Pound-force 4.4482216152605 N and inch 25.4 mm exactly (agreement of 1959)."""
    book, file = str(tmp_path / "bench.db"), tmp_path / "drop.csv"
    assert run(["--book", book, "set", "new", "s", "--role", "outer", "--labels", "a,b"]) == 0
    shown = ["--book", book, "--load-unit", "lbf", "--length-unit", "in", "import", "--set", "s"]
    file.write_text("label,height_mm,load_n\na,50.8,200\na,38.1,20\na,25.4,400\n")
    capsys.readouterr()
    assert run([*shown, "--yes", str(file)]) == 2  # no spring does that
    told = capsys.readouterr().err
    assert "the 4.5 lbf read at 1.500 in" in told
    file.write_text("label,height_mm,load_n\na,50.8,200\na,38.1,300\na,25.4,400\n")
    assert run([*shown, str(file)]) == 0
    told += capsys.readouterr().out
    assert "heights to 0.004 in" in told
    assert not any(f" {unit}" in told for unit in ("mm", "kg", "N "))
    file.write_text("label,height_mm,load_n\nb,50.8,200\nb,38.1,300\nb,25.4,400\n")
    assert run([*shown, "--json", str(file)]) == 0
    (one,) = json.loads(capsys.readouterr().out)["files"]
    assert "0.10 mm" in one["notes"][0]


HEIGHTS_IN = 1.7, 1.45, 1.22
SHEET = {
    "1": (77.0, 138.0, 198.0),
    "2": (77.6, 138.4, 199.0),
    "3": (77.2, 137.8, 197.8),
    "4": (78.1, 139.5, 201.0),
}


@pytest.mark.parametrize(
    ("third", "line", "may_be"),
    [
        (SHEET["3"], None, True),
        ((77.2, 137.8, 297.8), 10, True),
        ((7.72, 137.8, 197.8), 8, True),
        ((77.2, 1378.0, 1978.0), 9, True),
        ((77.2, 1378.0, 197.8), 9, False),
        ((77.2, 197.8, 137.8), 9, False),  # exchanged: pressed deeper, it pushes less
    ],
)
def test_rows_that_look_like_slips_are_listed_with_their_lines(
    call: Call,
    content: Callable[[], str],
    tmp_path: Path,
    third: tuple[float, ...],
    line: int | None,
    may_be: bool,
) -> None:
    rows = [
        f"{label},{height_in},{load_lbf}\n"
        for label, loads in (SHEET | {"3": third}).items()
        for height_in, load_lbf in zip(HEIGHTS_IN, loads, strict=True)
    ]
    file = tmp_path / "sheet.csv"
    file.write_text(f"label,height_in,load_lbf\n{''.join(rows)}")
    assert call("set", "new", "ash", "--role", "outer", "--count", "4").status == 0
    before, words = content(), ("import", str(file), "--set", "ash")
    if line is not None:
        call(*words).refused(rf"sheet\.csv, line {line}: ash-03.*{'--yes' if may_be else 'Mend'}")
        assert content() == before
    assert call(*words, "--yes").status == (0 if may_be else 2)


@pytest.mark.parametrize(
    ("columns", "cells", "options"),
    [
        (",tare_kg", ",0.5", []),
        (",lever", ",3", []),
        ("", "", ["--by-hand"]),
        ("", "", ["--lever", "3"]),
        ("", "", ["--lever-u", "2%"]),
    ],
)
def test_a_stated_uncertainty_beside_how_the_load_was_read_is_refused(
    tmp_path: Path, columns: str, cells: str, options: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    book, file = str(tmp_path / "book.db"), tmp_path / "u.csv"
    rows = "".join(f"larch-01,{at}{cells}\n" for at in ("38.5,24,0.1", "27.6,42,0.1"))
    file.write_text(f"label,height_mm,load_kg,u_kg{columns}\n{rows}")
    assert run(["--book", book, "set", "new", "larch", "--count", "1", "--role", "outer"]) == 0
    assert run(["--book", book, "import", str(file), "--set", "larch", *options]) == 2
    assert "u_kg" in capsys.readouterr().err
    assert run(["--book", book, "set", "check", "larch"]) != 0  # nothing was stored


@pytest.mark.parametrize("typed", ["1", "larch-1", "larch-01"])
def test_a_spring_has_the_same_short_names_wherever_it_is_named(
    tmp_path: Path, typed: str, capsys: pytest.CaptureFixture[str]
) -> None:
    book, file = ["--book", str(tmp_path / "book.db")], tmp_path / "wide.csv"
    file.write_text(f"spring,38.5 mm kg,27.6 mm kg\n{typed},24,42\n")
    assert run([*book, "set", "new", "larch", "--count", "2", "--role", "outer"]) == 0
    for words in (
        ["note", "--set", "larch", "--yes", f"{typed} 33mm 33kg"],
        ["set", "measure", "larch", f"{typed} free 53mm"],
        ["import", str(file), "--set", "larch"],
        ["import", str(file), "--set", "larch", "--label", typed],  # a copy, not an unknown label
    ):
        status = run([*book, *words])
        assert "no spring" not in capsys.readouterr().err
        assert status == (2 if "--label" in words else 0)
