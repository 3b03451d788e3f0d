"""A spring that was filed in the wrong set is noticed where its loads come in, and at the check."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from coilbench.analysis.cli import run

Call = Callable[..., Any]
# Loads in kg at 38 and 27 mm: outers and inners of like lengths, an outer 60 % above an inner.
LOADS = {"larch": (22.4, 40.7), "heron": (14.0, 25.4)}


@pytest.fixture
def call(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Call:
    def run_it(*arguments: str) -> tuple[int, str]:
        status = run(["--book", str(tmp_path / "b.db"), *arguments])
        told = capsys.readouterr()
        return status, " ".join((told.out + told.err).split())

    for name, role in (("larch", "outer"), ("heron", "inner")):
        assert run_it("set", "new", name, "--role", role, "--count", "6")[0] == 0
    return run_it


def lines(name: str, numbers: range, share: float = 1.0) -> list[str]:
    return [
        f"{n} {mm}mm {share * kg * (1 + 0.003 * (n % 3)):.1f}kg"
        for n in numbers
        for mm, kg in zip((38, 27), LOADS[name], strict=True)
    ]


def both(call: Call) -> None:
    assert call("note", "--set", "larch", *lines("larch", range(1, 7)))[0] == 0
    assert call("note", "--set", "heron", *lines("heron", range(1, 6)))[0] == 0


def test_said_after_it_is_noted_and_at_the_check(call: Call) -> None:
    both(call)
    status, said = call("note", "--set", "heron", "--yes", *lines("larch", range(6, 7)))
    assert status == 0
    assert (
        said.count("the loads of heron-06 are 60% off those of heron and fit larch within 1%") == 1
    )
    status, said = call("set", "check", "heron", "--at", "38mm", "--at", "27mm")
    assert (status, said.count("fit larch within")) == (1, 1)


def test_said_after_it_is_imported(call: Call, tmp_path: Path) -> None:
    both(call)
    file = tmp_path / "p.csv"
    file.write_text("label,height_mm,load_kg\nheron-06,38,22.5\nheron-06,27,40.6\n")
    status, said = call("import", str(file), "--set", "heron", "--yes")
    assert (status, said.count("fit larch within")) == (0, 1)


@pytest.mark.parametrize(
    "typed",
    [
        lines("heron", range(6, 7)),  # as its fellows
        lines("heron", range(6, 7), 0.85),  # weak
        lines("heron", range(6, 7), 1.3),  # between both sets
        ["6 38mm 22.5kg", "6 27mm 30kg"],  # fits at one of two heights
    ],
)
def test_nothing_is_said_of_others(call: Call, typed: list[str]) -> None:
    both(call)
    status, said = call("note", "--set", "heron", "--yes", *typed)
    assert (status, "fit larch" in said) == (0, False)


def test_the_same_springs_measured_again_are_no_other_set(call: Call) -> None:
    both(call)
    assert call("set", "new", "larch-after", "--again", "larch")[0] == 0
    low = lines("larch", range(1, 6), 0.85)
    assert call("note", "--set", "larch-after", "--yes", *low)[0] == 0
    _, said = call("note", "--set", "larch-after", "--yes", *lines("larch", range(6, 7)))
    assert "fit larch within" not in said
