"""`set check --budget` and the budget's table: it adds up to the uncertainty beside the load."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path
from typing import get_args

import pytest

from coilbench.analysis.cli import run
from coilbench.analysis.curves.uncertainty import Budget, BudgetLine, SourceKind
from coilbench.analysis.report.budget_text import budget_text
from coilbench.analysis.report.document import document
from coilbench.analysis.report.units import Units

KG = 9.80665
CHECK = ("set", "check", "a", "--at", "38.5mm", "--at", "28mm", "--budget")


@pytest.fixture
def book(tmp_path: Path) -> str:
    """Two springs keyed from a scale whose lever is known to 1 %."""
    name = str(tmp_path / "book.db")
    assert run(["--book", name, "set", "new", "a", "--role", "outer", "--count", "2"]) == 0
    note = ["--book", name, "note", "--set", "a", "--lever", "2", "--lever-u", "1%"]
    assert run([*note, "a-01 38.5mm 10kg", "a-01 28mm 20kg", "a-02 38.5mm 10.2kg"]) == 0
    return name


def test_the_lines_add_up_to_the_readings_own_uncertainty(
    book: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """JCGM 100:2008, 5.1.2: the squares of the contributions; and k times their root."""
    capsys.readouterr()
    assert run(["--book", book, *CHECK, "--json"]) in (0, 1)
    told = json.loads(capsys.readouterr().out)
    by_place = {
        (spring["label"], reading["height_mm"]): reading["load_u_n"]
        for spring in told["springs"]
        for reading in spring["readings"]
        if reading["load_u_n"] is not None
    }
    assert len(told["budgets"]) == len(by_place) == 3
    for budget in told["budgets"]:
        parts = [line["contribution_n"] for line in budget["lines"]]
        combined = math.sqrt(sum(part**2 for part in parts))
        assert budget["combined_u_n"] == pytest.approx(combined)
        assert budget["expanded_u_n"] == pytest.approx(budget["k"] * combined)
        place = budget["label"], budget["height_mm"]
        assert by_place[place] == pytest.approx(budget["expanded_u_n"])
        for line in budget["lines"]:
            found = abs(line["sensitivity_n_per_unit"] * line["value"])
            assert line["contribution_n"] == pytest.approx(found)
            assert line["type"] in ("A", "B")
    lever = next(line for line in told["budgets"][0]["lines"] if line["source"] == "lever")
    assert lever["value"] == pytest.approx(0.01)
    assert lever["contribution_n"] == pytest.approx(0.01 * 20 * KG)


def test_the_table_names_source_type_value_sensitivity_and_contribution(
    book: str, capsys: pytest.CaptureFixture[str]
) -> None:
    capsys.readouterr()
    assert run(["--book", book, *CHECK]) in (0, 1)
    told = capsys.readouterr().out
    for word in ("source", "type", "value", "sensitivity", "contribution", "lever"):
        assert word in told
    assert told.count("Together") == 3
    assert re.search(r"a-02.*\b38\.50 mm.*\b20\.40 kg", told)


def test_one_springs_budget_alone(book: str, capsys: pytest.CaptureFixture[str]) -> None:
    capsys.readouterr()
    assert run(["--book", book, *CHECK, "--why", "a-02"]) in (0, 1)
    assert capsys.readouterr().out.count("Together") == 1


def test_no_budget_unless_asked(book: str, capsys: pytest.CaptureFixture[str]) -> None:
    capsys.readouterr()
    assert run(["--book", book, *CHECK[:-1], "--json"]) in (0, 1)
    assert "budgets" not in json.loads(capsys.readouterr().out)


def test_a_tables_figures_by_hand() -> None:
    """3 and 4 make 5: shares 36 and 64 %; a known input has infinite degrees of freedom."""
    budget = Budget(
        (
            BudgetLine("travel_curve", "B", 0.15, "mm", -20.0),
            BudgetLine("stroke_scatter", "A", 4.0, "N", 1.0, degrees_of_freedom=2.0),
        )
    )
    text = budget_text(budget, Units("N", "mm"))
    assert text.headings[4] == "contribution N"
    assert text.rows == [
        ("travel curve", "B", "0.15 mm", "-20 N/mm", "3.0000", "36"),
        ("scatter of 3 strokes", "A", "4 N", "1 N/N", "4.0000", "64"),
    ]
    # Welch-Satterthwaite: 5^4/(4^4/2) = 4.88; Student's t for 95 % at that, SciPy 2.589
    told = document(budget)
    assert told["effective_degrees_of_freedom"] == pytest.approx(625 / 128)
    assert told["k"] == pytest.approx(2.589, abs=2e-3)
    assert told["lines"][0]["degrees_of_freedom"] is None
    assert re.search(r"\b5\.0000 N.*\b2\.59.*\b95 %", text.words)


def test_an_empty_budget_is_no_division_by_nothing() -> None:
    budget = Budget((BudgetLine("masses", "B", 0.0, "N", 1.0),))
    assert budget_text(budget, Units("kg", "mm")).rows[0][-1] == "-"


@pytest.mark.parametrize("option", [("--resolution", "0kg"), ("--quill", "0mm")])
def test_steps_of_nothing_are_refused(
    tmp_path: Path, option: tuple[str, str], capsys: pytest.CaptureFixture[str]
) -> None:
    book = str(tmp_path / "bench.db")
    assert run(["--book", book, "set", "new", "a", "--role", "outer", "--count", "1"]) == 0
    before = Path(book).read_bytes()
    assert run(["--book", book, "note", "--set", "a", *option, "a-01 38.5mm 22.4kg"]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 1
    assert Path(book).read_bytes() == before


@pytest.mark.parametrize("source", get_args(SourceKind))
def test_every_source_has_words(source: SourceKind) -> None:
    """Words for people, where the kind is what a program goes by."""
    line = BudgetLine(source, "B", 1.0, "N", 1.0, degrees_of_freedom=2.0)
    told = budget_text(Budget((line,)), Units("N", "mm")).rows[0][0]
    assert "_" not in told
    assert "{" not in told
