"""`note --plan` asked on a plain terminal: from set to set, and where the quill shall stand."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from coilbench.analysis.cli import note_asking

Call = Callable[..., Any]
BUILD = """
[cam]
valve_lift = "11 mm"
seat_load = "34 kg"
seat_tolerance = "2 kg"
open_load = "72 kg"
open_tolerance = "2 kg"
[head]
installed_height = "39 mm"
inner_offset = "2 mm"
valves = 3
[springs]
outer = ["larch"]
inner = ["heron"]
"""
RATES = {"larch": (48.5, 2.2), "heron": (47.3, 1.2)}  # free length, kg/mm
ASKED = re.compile(r"((\w+)-\d+) \(spring \d of 4\), ([\d.]+) mm = ([\d.]+) mm on the quill")


@pytest.fixture
def build(call: Call, tmp_path: Path) -> str:
    for name, role in (("larch", "outer"), ("heron", "inner")):
        free = f"{RATES[name][0]}mm"
        new = ("set", "new", name, "--role", role, "--count", "4", "--free-length", free)
        assert call(*new).status == 0
    path = tmp_path / "four.toml"
    path.write_text(BUILD)
    return str(path)


def test_it_goes_from_set_to_set_and_says_how_far_to_press(
    call: Call, build: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[str] = []

    def prompt(question: str, **_: Any) -> str:
        found = ASKED.match(question)
        assert found is not None, question
        label, name, height, depth = found.groups()
        free_mm, rate = RATES[name]
        assert float(height) + float(depth) == pytest.approx(free_mm)
        asked.append(label)
        if len({one.partition("-")[0] for one in asked}) == 2 and asked.count(label) > 1:
            return "q"
        return f"{rate * (free_mm - float(height)):.1f}"

    monkeypatch.setattr(note_asking.click, "prompt", prompt)
    said = call("note", "--plan", build)
    assert said.status == 0
    first, second = dict.fromkeys(one.partition("-")[0] for one in asked)
    assert f"Set {second}:" in said.out
    for name in (first, second):
        assert call("set", "readings", name, "--json").document["readings"]


def test_the_plan_says_that_the_quill_is_set_deeper_by_a_known_give(call: Call, build: str) -> None:
    lines = [f"{n} {mm}mm {2.2 * (48.5 - mm):.1f}kg" for n in (1, 2) for mm in (38, 28)]
    assert call("note", "--set", "larch", "--give", "1mm@50kg", *lines).status == 0
    said = " ".join(call("plan", build).out.split())
    assert "set the quill deeper by what scale and press give, 1.00 mm at 50.00 kg" in said
    assert f"coilbench note --plan {build}" in said


READ = [f"{n} {mm}mm {2.2 * (48.5 - mm):.1f}kg" for n in (1, 2) for mm in (38, 28)]


@pytest.mark.parametrize("tare", ["0kg", "3.2kg"])
@pytest.mark.parametrize("give", ["none", "1mm@50kg"])
def test_the_plan_says_what_no_figure_of_its_readings_holds(
    call: Call, build: str, tare: str, give: str
) -> None:
    given = ("--tare", tare, "--give", give)
    assert call("note", "--set", "larch", *given, *READ).status == 0
    said = " ".join(call("plan", build).out.split())
    assert ("leaves out how far scale and press give" in said) == (give == "none")
    assert ("with a tare of 0.00 kg: right only if" in said) == (tare == "0kg")


def test_a_tare_that_nobody_told_is_taken_as_none_and_that_is_said(call: Call, build: str) -> None:
    first, second = (call("note", "--set", "larch", line).out for line in READ[:2])
    assert "Tare taken as 0.00 kg" in first
    assert "As the last time: no tare" in second


def test_the_build_file_tells_tare_and_give(call: Call, build: str) -> None:
    path = Path(build)
    scale = '[scale]\ntare = "3.2 kg"\ngive = "1.1 mm"\ngive_at = "50 kg"\n'
    path.write_text(path.read_text() + scale)
    said = " ".join(call("plan", build).out.split())
    assert f"note --plan {build} --tare 3.2kg --give 1.10mm@50kg" in said
    noted = call("note", "--plan", build, READ[0])  # the plan's first set
    assert "Tare taken" not in noted.out
    said = " ".join(call("set", "readings", "larch").out.split())
    assert "tare 3.20 kg" in said
    assert "give 1.10 mm at 50.00 kg" in said
