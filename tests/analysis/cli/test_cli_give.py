"""The give of scale and press is in no ± of what is read by hand, and that is said."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Call = Callable[..., Any]
WORDS = "scale and press give"
BUILD = """
[cam]
valve_lift = "10.9 mm"
seat_load = "23 kg"
open_load = "41 kg"
[head]
installed_height = "38.5 mm"
valves = 2
[springs]
outer = ["elm"]
"""


def said_once(out: str) -> bool:
    return " ".join(out.split()).count(WORDS) == 1


@pytest.fixture
def build(tmp_path: Path) -> str:
    path = tmp_path / "road.toml"
    path.write_text(BUILD)
    return str(path)


def elm(call: Call, lines: list[str]) -> str:
    assert call("set", "new", "elm", "--role", "single", "--count", "3").status == 0
    said = call("note", "--set", "elm", *lines)
    assert said.status == 0
    return str(said.out)


def test_readings_by_hand_say_it_once_wherever_their_uncertainty_matters(
    call: Call, build: str
) -> None:
    """18 kg over 10.9 mm: 1.65 kg for each millimetre."""
    noted = elm(call, [f"{n} {at}" for n in (1, 2, 3) for at in ("38.5mm 23kg", "27.6mm 41kg")])
    assert said_once(noted)
    assert "SCALE.md" in noted.splitlines()[-1]
    at = ("--at", "38.5mm")
    for command in (
        ("pair", build),
        ("assign", build),
        ("set", "check", "elm", *at, "--budget"),
        ("set", "check", "elm", *at, "--budget", "--why", "elm-01"),
    ):
        said = call(*command)
        assert said_once(said.out)
        assert "1.65 kg" in " ".join(said.out.split())
    assert WORDS not in call("set", "check", "elm", *at).out


def test_loads_that_a_file_states_are_not_said_to_be_read_by_hand(
    call: Call, build: str, tmp_path: Path
) -> None:
    assert call("set", "new", "elm", "--role", "single", "--count", "3").status == 0
    rows = [f"elm-0{n},{mm},{kg}" for n in (1, 2, 3) for mm, kg in ((38.5, 23.0), (27.6, 41.0))]
    file = tmp_path / "points.csv"
    file.write_text("\n".join(["label,height_mm,load_kg", *rows]))
    assert call("import", str(file), "--set", "elm").status == 0
    assert WORDS not in call("pair", build).out
    assert WORDS not in call("set", "check", "elm", "--at", "38.5mm", "--budget").out
