"""Coils seen to begin to close above full lift, from a file to what the commands say of it."""

from __future__ import annotations

from pathlib import Path

import pytest

from coilbench.analysis.cli import run

BUILD = """
[cam]
name = "card"
valve_lift = "10.9 mm"
seat_load = "20 kg"
open_load = "40 kg"
[head]
installed_height = "38.5 mm"
valves = 1
[springs]
outer = ["co"]
"""


def stroke(onset_mm: float) -> str:
    """A spring of 1.6 kg/mm, 53 mm long, whose stiffness grows below a height."""
    rows = ["t_s,load_kg,height_mm"]
    for at in range(1600):
        height = 26.5 + 28.0 * abs(1.0 - at / 800.0)
        load = 1.6 * max(53.0 - height, 0.0) + 0.15 * max(onset_mm - height, 0.0) ** 2
        rows.append(f"{at / 90.0:.4f},{load + 0.005 * (-1) ** at:.4f},{height:.4f}")
    return "\n".join(rows)


def test_they_are_named_and_no_press_below_is_asked_for(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    book, build, file = str(tmp_path / "b.db"), tmp_path / "engine.toml", tmp_path / "s.csv"
    build.write_text(BUILD)
    file.write_text(stroke(29.6))
    assert run(["--book", book, "set", "new", "co", "--role", "single", "--count", "1"]) == 0
    assert run(["--book", book, "import", str(file), "--set", "co", "--label", "co-01"]) == 0
    for command in ("pair", "assign", "depths"):
        capsys.readouterr()
        assert run(["--book", book, command, str(build)]) in (0, 1)
        told = capsys.readouterr()
        assert told.err == ""
        assert "begin to close" in " ".join(told.out.split())


def test_assign_is_no_surer_than_pair_where_a_solid_height_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Coils begin to close at 29.6 mm, full lift is 27.6 mm: the told 24 mm prove nothing there."""
    book, build, file = str(tmp_path / "b.db"), tmp_path / "engine.toml", tmp_path / "s.csv"
    build.write_text(BUILD.replace("20 kg", "23.2 kg").replace('"40 kg"', '"41.2 kg"'))
    file.write_text(stroke(29.6))
    new = ["set", "new", "co", "--role", "single", "--count", "1", "--solid-height", "24mm"]
    assert run(["--book", book, *new]) == 0
    assert run(["--book", book, "import", str(file), "--set", "co", "--label", "co-01"]) == 0
    said = {}
    for words in (("pair",), ("assign",), ("assign", "--limits")):
        capsys.readouterr()
        assert run(["--book", book, words[0], str(build), *words[1:]]) in (0, 1)
        said[words] = " ".join(capsys.readouterr().out.split())
        assert "begin to close near" in said[words]
        assert "press no further" in said[words]
    assert (
        "0 of 1 valves are inside the card's tolerances, 1 inside but unsure" in said[("assign",)]
    )
    assert "was not looked at" in said[("assign",)]
    assert "was not looked at" not in said[("assign", "--limits")]


@pytest.mark.parametrize("height", ["24.9mm", "53.5mm"])
def test_a_height_not_to_be_pressed_to_is_refused_before_it_is_asked_for(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], height: str
) -> None:
    book = str(tmp_path / "b.db")
    size = ("--free-length", "53mm", "--solid-height", "24mm")
    assert run(["--book", book, "set", "new", "co", "--role", "single", "--count", "1", *size]) == 0
    capsys.readouterr()
    assert run(["--book", book, "note", "--set", "co", "--at", "38mm", "--at", height]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert len(told.err.splitlines()) == 1


def test_a_registered_solid_height_that_strokes_went_through_is_named_by_every_command(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A linear spring pressed to 26.5 mm without binding, and registered as solid at 29 mm."""
    book, build, file = str(tmp_path / "b.db"), tmp_path / "engine.toml", tmp_path / "s.csv"
    build.write_text(BUILD)
    file.write_text(stroke(0.0))
    new = ["set", "new", "co", "--role", "single", "--count", "1", "--solid-height", "29mm"]
    assert run(["--book", book, *new]) == 0
    assert run(["--book", book, "import", str(file), "--set", "co", "--label", "co-01"]) == 0
    check = ("set", "check", "co", "--at", "38.5mm")
    for words in (
        ("pair", str(build)),
        ("pair", str(build), "--limits"),
        ("assign", str(build)),
        check,
    ):
        capsys.readouterr()
        assert run(["--book", book, *words]) in (0, 1)
        told = " ".join(capsys.readouterr().out.split())
        assert "contradicted its registered solid height of 29.00 mm (26.53 mm reached" in told
        assert "binds" not in told
