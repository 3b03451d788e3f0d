"""`coilbench plan` on a book: keyed press by press until it asks no more; pages, sets unread."""

from __future__ import annotations

import json
import math
from collections import Counter, defaultdict
from collections.abc import Callable
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from coilbench.analysis.cli import run

SEAT_KG, OPEN_KG, SHUT_MM, LIFT_MM, OFFSET_MM = 34.0, 72.0, 39.0, 11.0, 2.0
BUILD = f"""
[cam]
name = "Lake four"
valve_lift = "{LIFT_MM} mm"
seat_load = "{SEAT_KG} kg"
seat_tolerance = "2 kg"
open_load = "{OPEN_KG} kg"
open_tolerance = "2 kg"
[head]
installed_height = "{SHUT_MM} mm"
inner_offset = "{OFFSET_MM} mm"
valves = 3
[[shims]]
thickness = "0.5 mm"
[limits]
max_shims = 1
[springs]
outer = ["larch", "rowan"]
inner = ["heron"]
"""
SINGLE = BUILD.replace('inner = ["heron"]', "").replace('["larch", "rowan"]', '["larch"]')
SETS = {  # role, kg with the valve shut, kg/mm
    "larch": ("outer", 21.0, 2.20),
    "rowan": ("outer", 23.5, 2.35),
    "heron": ("inner", 12.6, 1.22),
}
FREE_MM = {"larch": 55.0, "rowan": 54.0, "heron": 52.0}
SOLID_MM = {"larch": 25.5, "rowan": 24.0, "heron": 22.0}


def load_kg(name: str, spring: int, height_mm: float) -> float:
    """What a spring truly pushes; the last of larch lost a tenth of its load when shut."""
    role, shut_kg, rate = SETS[name]
    at_mm = SHUT_MM - (OFFSET_MM if role == "inner" else 0.0)
    own = 1.0 + 0.008 * (spring - 1.5)
    tired_kg = 0.1 * shut_kg if (name, spring) == ("larch", 3) else 0.0
    return own * (shut_kg + rate * (at_mm - height_mm)) - tired_kg


Book = Callable[..., list[str]]


@pytest.fixture
def new_book(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Book:
    """Make a book of sets with nothing read, and a build file; returns the call before a command."""

    def make(*names: str, build: str = BUILD, free: bool = True, role: str = "") -> list[str]:
        book = ["--book", str(tmp_path / "b.db")]
        for name in names:
            new = ["set", "new", name, "--role", role or SETS[name][0], "--count", "4"]
            new += ["--free-length", f"{FREE_MM[name]}mm"] if free else []
            new += ["--solid-height", f"{SOLID_MM[name]}mm"] if free else []
            assert run([*book, *new]) == 0
        (tmp_path / "four.toml").write_text(build)
        capsys.readouterr()
        return book

    return make


def asked(book: list[str], capsys: pytest.CaptureFixture[str], *options: str) -> dict[str, Any]:
    """Return the plan's document."""
    build = str(Path(book[1]).parent / "four.toml")
    assert run([*book, "plan", build, "--json", *options]) == 0
    return json.loads(capsys.readouterr().out)  # type: ignore[no-any-return]


def key_in(book: list[str], presses: list[dict[str, Any]], rng: np.random.Generator) -> None:
    """Read what is asked for as a scale with steps of 0.1 kg shows it, and key it in."""
    lines = defaultdict(list)
    for press in presses:
        name, label, height_mm = press["set"], press["label"], press["height_mm"]
        true_kg = load_kg(name, int(label.rsplit("-", 1)[1]) - 1, height_mm + rng.normal(0, 0.03))
        shown_kg = round(true_kg + rng.normal(0.0, 0.1), 1)
        lines[name].append(f"{label} {height_mm}mm {shown_kg:.1f}kg")
    for name, own in lines.items():
        assert run([*book, "note", "--set", name, "--repeatability", "0.1kg", *own]) == 0


def truly_best() -> tuple[str, float]:
    """By brute force: the outer set and shim whose sound springs' means are nearest to the card."""
    misses = {}
    for outer, shim_mm in product(("larch", "rowan"), (0.0, 0.5)):
        off = []
        for lift_mm, card_kg in ((0.0, SEAT_KG), (LIFT_MM, OPEN_KG)):
            sound = range(3) if outer == "larch" else range(4)
            at_mm = SHUT_MM - shim_mm - lift_mm
            total = np.mean([load_kg(outer, spring, at_mm) for spring in sound])
            total += np.mean([load_kg("heron", spring, at_mm - OFFSET_MM) for spring in range(4)])
            off.append((total - card_kg) / 2.0)
        misses[outer, shim_mm] = math.hypot(*off)
    return min(misses, key=misses.__getitem__)


def test_keyed_press_by_press_until_done(new_book: Book, capsys: pytest.CaptureFixture[str]) -> None:
    book, rng = new_book(*SETS), np.random.default_rng(5)
    stages, made, seen = [], 0, Counter[tuple[str, float]]()
    while True:
        plan = asked(book, capsys)
        stages.append(plan["stage"])
        if plan["done"]:
            break
        for press in plan["presses"]:
            name, height_mm = press["set"], press["height_mm"]
            assert SOLID_MM[name] + 1.0 <= height_mm < FREE_MM[name]
            assert press["depth_mm"] == pytest.approx(FREE_MM[name] - height_mm)
            assert press["why"]
            seen[name, height_mm] += 1
        made += len(plan["presses"])
        assert made < 120
        assert plan["remaining"] >= len(plan["presses"])
        key_in(book, plan["presses"], rng)
        capsys.readouterr()
    assert stages[0] == "begin"
    order = ["begin", "decide", "tired", "valve", "done"]
    assert set(stages) <= set(order)
    assert plan["presses"] == []
    assert plan["made"] == made
    assert plan["risk"] < 0.02
    best = plan["best"]
    assert (best["outer"], best["shim_mm"]) == truly_best()
    assert (best["inner"], best["seat_cut_mm"]) == ("heron", 0.0)
