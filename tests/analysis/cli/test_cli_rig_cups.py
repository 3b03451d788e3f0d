"""What `coilbench rig ratings` is told of the cups, and what that makes `rig gauge` refuse."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from coilbench.analysis.cli import run as command
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.ratings import Ratings


@pytest.fixture
def book(tmp_path: Path) -> Path:
    return tmp_path / "bench.db"


Run = Callable[..., tuple[int, str]]


@pytest.fixture
def run(book: Path, capsys: pytest.CaptureFixture[str]) -> Run:
    def go(*words: str) -> tuple[int, str]:
        status = command(["--book", str(book), *words])
        return status, "".join(capsys.readouterr())

    return go


def test_what_is_told_one_by_one_adds_up(run: Run) -> None:
    assert run("rig", "ratings", "--cell", "200kg")[0] == 0
    assert run("rig", "ratings", "--rests", "0.142kg", "--cups-meet", "18mm")[0] == 0
    document = json.loads(run("rig", "ratings", "--json")[1])
    assert document["cell_n"] == pytest.approx(1961.33)
    assert document["rests_n"] == pytest.approx(0.142 * 9.80665)
    assert document["cups_meet_mm"] == 18.0
    assert document["press_n"] is None
    shown = run("rig", "ratings")[1]
    assert "0.14 kg" in shown
    assert "18.00 mm" in shown


def test_what_is_not_told_is_said_to_be_missing_from_loads(book: Path, run: Run) -> None:
    with open_book(book, create=True):
        pass
    shown = run("rig", "ratings")[1]
    assert "not told" in shown.split("rests on the spring")[1]


@pytest.mark.parametrize(
    ("shortest_mm", "refused"), [("0", True), ("18", True), ("18.5", False), ("27", False)]
)
def test_gauges_below_where_the_cups_meet_are_refused(
    book: Path, run: Run, tmp_path: Path, shortest_mm: str, refused: bool
) -> None:
    file = tmp_path / "gauges.csv"
    rows = [f"{mm},{-200 * float(mm):.0f}" for mm in ("50", "40", shortest_mm)]
    file.write_text("\n".join(["length_mm,counts", *rows, ""]))
    with open_book(book, create=True) as db:
        Ratings(cups_meet_mm=18.0).store(db)
    status, said = run("rig", "gauge", "--from", str(file))
    assert status == (2 if refused else 0)
    assert ("cups meet" in said) == refused


@pytest.mark.parametrize("given", [("--datum", "18mm"), ("--lengths", "50mm,40mm,0mm")])
def test_guided_gauges_are_refused_before_the_rig_is_asked(
    book: Path, run: Run, given: tuple[str, str]
) -> None:
    with open_book(book, create=True) as db:
        Ratings(cups_meet_mm=18.0).store(db)
    status, said = run("rig", "gauge", "--port", "nowhere:", *given)
    assert status == 2
    assert "cups meet" in said


def test_without_a_word_on_the_cups_a_gauge_of_0_is_taken(run: Run, tmp_path: Path) -> None:
    file = tmp_path / "gauges.csv"
    file.write_text("length_mm,counts\n0,0\n20,-4000\n40,-8000\n")
    assert run("rig", "gauge", "--from", str(file))[0] == 0
