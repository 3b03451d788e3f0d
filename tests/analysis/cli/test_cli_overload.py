"""No command that has the cell loaded overlooks the ratings: said at once, nothing stored unasked.

The simulated hand is the judge: it hangs 20 kg, and presses the block to the reading's 90 kg.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from coilbench.analysis.cli import run as command
from coilbench.capture.book.calibrations import newest_part
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.ratings import Ratings
from support.shared import made_once

KGF_N = 9.80665
FAST = "virtual:?pace=fast&do="

Run = Callable[..., tuple[int, str]]


@pytest.fixture
def book(tmp_path: Path) -> Path:
    return tmp_path / "bench.db"


@pytest.fixture
def run(book: Path, capsys: pytest.CaptureFixture[str]) -> Run:
    def go(*words: str) -> tuple[int, str]:
        status = command(["--book", str(book), "rig", *words])
        return status, "".join(capsys.readouterr())

    return go


def rate(book: Path, **kg: float) -> None:
    with open_book(book, create=True) as db:
        Ratings(**{f"{part}_n": load_kg * KGF_N for part, load_kg in kg.items()}).store(db)


@pytest.fixture(scope="module")
def calibrated(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A book whose load and travel were calibrated on the simulated rig."""

    def make(folder: Path) -> None:
        for kind, more in (("weigh", ()), ("gauge", ("--lengths", "0mm,20mm,30mm,40mm,50mm"))):
            port = ("--port", f"{FAST}{kind}&ends=0")
            assert command(["--book", str(folder / "bench.db"), "rig", kind, *port, *more]) == 0

    return made_once(tmp_path_factory, "overload", make) / "bench.db"


@pytest.mark.parametrize(
    "rated", [{"cell": 70.0}, {"press": 65.0}, {"cell": 70.0, "press": 65.0}], ids=str
)
def test_a_block_pressed_past_a_rating_is_stopped_and_not_stored(
    book: Path, run: Run, calibrated: Path, rated: dict[str, float]
) -> None:
    shutil.copy(calibrated, book)
    rate(book, **rated)
    status, said = run("flex", "--port", f"{FAST}flex", "--to", "60kg")
    assert "STOP" in said
    assert status == 2  # the press is asked about, and nobody takes it
    with open_book(book) as db:
        assert newest_part(db, "flex") is None


def test_a_block_pressed_within_the_ratings_is_stored_without_a_word(
    book: Path, run: Run, calibrated: Path
) -> None:
    shutil.copy(calibrated, book)
    rate(book, cell=200.0, press=150.0)
    status, said = run("flex", "--port", f"{FAST}flex&ends=0", "--to", "60kg")
    assert (status, "STOP" in said, "Careful" in said) == (0, False, False)


def test_masses_above_the_cells_rating_are_refused_before_the_rig_is_asked(
    book: Path, run: Run, calibrated: Path
) -> None:
    shutil.copy(calibrated, book)
    rate(book, cell=15.0)
    for words in (("weigh", "--masses", "0,5,10,20,0"), ("check", "--mass", "20kg")):
        status, said = run(words[0], "--port", "nowhere:", *words[1:])
        assert status == 2
        assert "15.00 kg" in said


def test_what_only_the_press_may_not_bear_hangs_on_the_cell_freely(book: Path, run: Run) -> None:
    rate(book, press=15.0)
    status, said = run("weigh", "--port", f"{FAST}weigh&ends=0")
    assert (status, "STOP" in said) == (0, False)


def test_a_heavier_mass_than_asked_for_is_seen_even_while_the_first_calibration_is_made(
    book: Path, run: Run
) -> None:
    rate(book, cell=15.0)
    said = run("weigh", "--port", f"{FAST}weigh", "--masses", "0,5,10,12,0")[1]
    assert "STOP" in said


@pytest.mark.parametrize("words", [("watch", "--seconds", "600"), ("check", "--seconds", "60")])
def test_the_looking_commands_say_it_too(
    book: Path, run: Run, calibrated: Path, words: tuple[str, ...]
) -> None:
    shutil.copy(calibrated, book)
    rate(book, press=5.0)
    # the simulated rig presses within 60 s of its own clock, and ends before 600 s of ours
    assert "STOP" in run(words[0], "--port", f"{FAST}springs", *words[1:])[1]


def test_a_file_of_a_press_past_a_rating_is_stored_with_a_note(
    book: Path, run: Run, tmp_path: Path
) -> None:
    for name, header, rows in (
        ("weigh", "mass_kg,counts", [(kg, 1000 * kg) for kg in (0, 10, 20, 40, 60)]),
        ("gauge", "length_mm,counts", [(mm, -200 * mm) for mm in (25, 35, 45)]),
        ("flex", "load_counts,travel_counts", [(4000 * i, -5000 + 4 * i) for i in range(25)]),
    ):
        lines = [header, *(f"{x},{y}" for x, y in rows), ""]
        (tmp_path / f"{name}.csv").write_text("\n".join(lines))
    assert run("weigh", "--from", str(tmp_path / "weigh.csv"))[0] == 0
    assert run("gauge", "--from", str(tmp_path / "gauge.csv"))[0] == 0
    rate(book, cell=70.0)
    for name, over in (("weigh", False), ("flex", True)):
        status, said = run(name, "--from", str(tmp_path / f"{name}.csv"))
        assert status == 0, said
        assert ("70.00 kg" in said) == over
    rate(book, cell=50.0)
    assert "50.00 kg" in run("weigh", "--from", str(tmp_path / "weigh.csv"))[1]


def test_the_reminder_stays_until_a_rating_is_told(book: Path, run: Run) -> None:
    """Whatever else is told of the rig: only a rating makes overload watched."""
    with open_book(book, create=True) as db:
        Ratings(rests_n=1.0, cups_meet_mm=18.0).store(db)
    assert "--cell" in run("weigh", "--port", f"{FAST}weigh&ends=0")[1]
    rate(book, cell=200.0)
    assert "--cell" not in run("weigh", "--port", f"{FAST}weigh&ends=0")[1]
