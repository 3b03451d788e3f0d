"""What `coilbench rig ratings` is told of the cups, and what that makes `rig gauge` refuse."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from coilbench.analysis.cli import rig_ratings
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
    assert "0.142 kg" in shown
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


@pytest.mark.parametrize("command", [("rig", "ratings"), ("note", "--set", "larch", "1 38.5 22.4")])
@pytest.mark.parametrize(
    ("given", "taken"), [("142g", True), ("5oz", True), ("1kg", True), ("1.01kg", False)]
)
def test_a_weight_on_the_spring_may_be_in_grams_and_a_slip_for_kilograms_is_refused(
    run: Run, command: tuple[str, ...], given: str, taken: bool
) -> None:
    run("set", "new", "larch", "--role", "outer", "--count", "2")
    status, said = run(*command, "--rests", given)
    assert (status == 0) == taken, said
    assert ("--yes" in said) != taken
    assert run(*command, "--rests", given, "--yes")[0] == 0


def test_grams_and_ounces_are_what_they_are(book: Path, run: Run) -> None:
    for given, grams in (("142g", 142.0), ("5oz", 5 * 28.349523125)):  # the ounce of 1959
        run("rig", "ratings", "--rests", given)
        with open_book(book) as db:
            assert Ratings.of_book(db).rests_n == pytest.approx(grams * 9.80665e-3)


def test_who_tells_other_cups_hears_of_the_datum_and_who_tells_ratings_does_not(run: Run) -> None:
    assert "--datum" not in run("rig", "ratings", "--cell", "200kg")[1]
    for told in (("--cups-meet", "18mm"), ("--rests", "142g"), ("--rests", "90g")):
        assert "--datum" in run("rig", "ratings", *told)[1]
    assert "--datum" not in run("rig", "ratings", "--rests", "90g")[1]


def test_how_many_older_strokes_have_it_now_is_said(
    book: Path, run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    with open_book(book, create=True):
        pass
    for untold in (3, 1, 0):
        monkeypatch.setattr(rig_ratings, "untold_strokes", lambda _db, count=untold: count)
        said = run("rig", "ratings", "--rests", f"{100 + untold}g")[1]
        assert (f"{untold} stroke" in said) == (untold > 0)


@pytest.mark.parametrize(("told", "asked"), [(None, True), (0.0, False)])
def test_a_gauge_of_0_on_a_rig_whose_cups_are_not_told_says_what_it_would_mean(
    book: Path, run: Run, tmp_path: Path, told: float | None, asked: bool
) -> None:
    with open_book(book, create=True) as db:
        Ratings(cups_meet_mm=told).store(db)
    file = tmp_path / "gauges.csv"
    file.write_text("length_mm,counts\n0,0\n20,-4000\n40,-8000\n")
    status, said = run("rig", "gauge", "--from", str(file))
    assert status == 0
    assert ("--cups-meet" in said) == asked
