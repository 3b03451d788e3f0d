"""Cups that one set only is pressed in: what rests on its springs, in every load of its strokes."""

from __future__ import annotations

import json
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from coilbench.analysis.cli import run as command
from support.edits import change, harm

FIRST = Path(__file__).parents[2] / "data" / "first_version.sqlite"
KG = 9.80665
Run = Callable[..., str]


@pytest.fixture
def book(tmp_path: Path) -> Path:
    shutil.copyfile(FIRST, tmp_path / "bench.db")
    return tmp_path / "bench.db"


@pytest.fixture
def run(book: Path, capsys: pytest.CaptureFixture[str]) -> Run:
    def go(*words: str) -> str:
        capsys.readouterr()
        status = command(["--book", str(book), *words])
        out, error = capsys.readouterr()
        assert status in (0, 1), error
        return out + ("" if "--json" in words else error)

    return go


def load_n(run: Run, *more: str) -> float:
    """The first spring's load, which has strokes of the rig."""
    told = json.loads(run("set", "check", "larch", "--at", "38.5mm", "--json", *more))
    return float(told["springs"][0]["readings"][0]["load_n"])


def columns(book: Path, sql: str) -> list[tuple[Any, ...]]:
    with closing(sqlite3.connect(book)) as plain:
        return plain.execute(sql).fetchall()


STORED = "SELECT load_n FROM curve_rows ORDER BY sweep_id, branch, point"
VIEW = """SELECT load_n, calibration_id IS NOT NULL FROM curve_points
ORDER BY sweep_id, branch, point"""


def test_it_comes_before_the_rigs_and_goes_when_it_is_forgotten(run: Run) -> None:
    bare_n = load_n(run)
    run("rig", "ratings", "--rests", "1.4N")
    assert load_n(run) - bare_n == pytest.approx(1.4, abs=0.05)
    run("set", "edit", "larch", "--rests", "5N")
    assert load_n(run) - bare_n == pytest.approx(5.0, abs=0.1)
    run("rig", "ratings", "--rests", "3N")  # other cups of the rig: not this set's
    assert load_n(run) - bare_n == pytest.approx(5.0, abs=0.1)
    run("set", "edit", "larch", "--forget", "rests")
    assert load_n(run) - bare_n == pytest.approx(3.0, abs=0.1)


def test_strokes_that_were_told_the_rigs_are_read_with_the_sets_and_that_is_said(
    book: Path, run: Run
) -> None:
    bare_n = load_n(run)
    pressed = change(
        book,
        "UPDATE sweeps SET rests_n = 1.4 WHERE calibration_id IS NOT NULL AND spring_id IN"
        " (SELECT springs.id FROM springs JOIN sets ON sets.id = set_id WHERE name = 'larch')",
    )
    assert pressed > 0
    assert load_n(run) - bare_n == pytest.approx(1.4, abs=0.05)
    said = run("set", "edit", "larch", "--rests", "0.5N")
    assert "stroke" in said
    assert "another weight" in said
    assert load_n(run) - bare_n == pytest.approx(0.5, abs=0.05)
    assert "another weight" not in run("set", "edit", "larch", "--forget", "rests")


def test_its_uncertainty_is_in_the_budget(run: Run) -> None:
    assert "rests on the spring" not in run("set", "check", "larch", "--at", "38.5mm", "--budget")
    run("set", "edit", "larch", "--rests", "96g")
    assert "rests on the spring" in run("set", "check", "larch", "--at", "38.5mm", "--budget")


def test_a_newer_calibration_reads_its_strokes_with_it(book: Path, run: Run) -> None:
    """Re-derived: the counts with the calibration, then the cup, which no calibration changes."""
    weights = book.parent / "weights.csv"
    part = columns(book, "SELECT fit_json FROM calibration_parts WHERE kind = 'load'")[0][0]
    zero, per_count = json.loads(part)["coefficients"][:2]
    rows = [f"{kg},{(kg * KG - zero) / per_count / 1.02:.0f}" for kg in (0, 20, 40, 60, 40, 20, 0)]
    weights.write_text("\n".join(["mass_kg,counts", *rows, ""]))
    run("rig", "weigh", "--from", str(weights))
    bare_n = load_n(run, "--calibration", "newest")
    run("set", "edit", "larch", "--rests", "5N")
    assert load_n(run, "--calibration", "newest") - bare_n == pytest.approx(5.0, abs=0.1)


def test_plain_sql_has_it_in_the_view_and_no_stored_row_changes(book: Path, run: Run) -> None:
    run("set", "list")  # brings the book up to date
    stored, before = columns(book, STORED), columns(book, VIEW)
    highest = "SELECT max(highest_load_n) FROM spring_summary WHERE set_name = 'larch'"
    ((highest_n,),) = columns(book, highest)
    run("set", "edit", "larch", "--rests", "5N")
    assert columns(book, STORED) == stored
    after = columns(book, VIEW)
    more_n = [now[0] - was[0] for was, now in zip(before, after, strict=True)]
    raw = [of_rig for _, of_rig in before]
    assert 0 < sum(raw) < len(raw)
    np.testing.assert_allclose(more_n, np.where(raw, 5.0, 0.0), atol=1e-9)
    assert columns(book, highest)[0][0] == pytest.approx(highest_n + 5.0)


def test_show_card_and_ratings_tell_it(run: Run) -> None:
    run("set", "edit", "larch", "--rests", "96g")
    assert "0.096 kg" in run("set", "show", "larch")
    assert json.loads(run("set", "show", "larch", "--json"))["set"]["rests_n"] == pytest.approx(
        0.096 * KG
    )
    for words in (("rig", "card"), ("rig", "ratings")):
        said = run(*words)
        assert "larch" in said
        assert "0.096 kg" in said
    card = json.loads(run("rig", "card", "--json"))
    assert card["rests_of_sets"] == {"larch": pytest.approx(0.096 * KG)}


def test_a_new_set_may_be_told_it_and_the_same_springs_again_have_it(run: Run) -> None:
    run("set", "new", "heron", "--role", "inner", "--count", "2", "--rests", "96g")
    run("set", "new", "heron-after", "--again", "heron")
    for name in ("heron", "heron-after"):
        assert "0.096 kg" in run("set", "show", name)


@pytest.mark.parametrize(
    "words",
    [("set", "edit", "larch"), ("set", "new", "heron", "--role", "inner", "--count", "2")],
)
def test_kilograms_for_grams_are_refused_and_nothing_changes(
    book: Path, run: Run, words: tuple[str, ...]
) -> None:
    assert command(["--book", str(book), *words, "--rests", "96kg"]) == 2
    assert "96.000 kg" not in run("rig", "ratings")
    assert command(["--book", str(book), *words, "--rests", "96kg", "--yes"]) == 0
    assert "96.000 kg" in run("rig", "ratings")


def test_a_set_with_what_rests_on_it_can_be_removed(run: Run) -> None:
    run("set", "new", "heron", "--role", "inner", "--count", "2", "--rests", "96g")
    run("set", "edit", "heron", "--remove")
    assert "heron" not in run("rig", "ratings")


def test_strokes_that_keep_another_weight_are_told_wherever_their_loads_are(
    book: Path, run: Run
) -> None:
    """A weight told wrong and corrected holds for later strokes alone; and no screen says each."""
    run("rig", "ratings", "--rests", "142g")
    told_no_other = "added to the loads of strokes that were told no other weight"
    assert told_no_other in " ".join(run("rig", "card").split())
    check = ("set", "check", "larch", "--at", "38.5mm")
    of_set = (
        check,
        (*check, "--why", "larch-01"),
        ("set", "show", "larch"),
        ("set", "strokes", "larch"),
    )
    assert not any("different weights" in run(*words) for words in of_set)
    changed = change(
        book,
        "UPDATE sweeps SET rests_n = 0.0142 * 9.80665 WHERE id IN (SELECT sweep_id FROM"
        " resting_weights JOIN sweeps ON sweeps.id = sweep_id WHERE purpose = 'measured' LIMIT 1)",
    )
    assert changed == 1
    told = run("rig", "ratings", "--rests", "143.5g")
    command_line = "coilbench set edit larch --rests 143.5g"
    for said in (told, run("rig", "card")):
        said = " ".join(said.split())
        assert "1 stroke of larch keeps 0.014 kg" in said
        assert command_line in said
        assert "each load" not in said
        assert "every load" not in said.replace("every load read", "")
    assert json.loads(run("rig", "card", "--json"))["kept_rests"] == [
        {"set": "larch", "rests_n": pytest.approx(0.0142 * KG), "strokes": 1}
    ]
    for words in of_set:
        said = " ".join(run(*words).split())
        assert "different weights" in said, words
        assert "0.014 kg in 1" in said
        assert "coilbench set edit larch --rests WEIGHT" in said
    run(*command_line.split()[1:])
    assert "keeps" not in run("rig", "ratings")
    assert told_no_other in " ".join(run("rig", "ratings").split())
    assert not any("different weights" in run(*words) for words in of_set)


@pytest.mark.parametrize("asked", ["rig card", "rig ratings", "set show larch", "set check larch"])
def test_whoever_counts_weights_refuses_a_damaged_one(book: Path, run: Run, asked: str) -> None:
    run("set", "list")  # brings the book up to date
    harmed = harm(
        book, "UPDATE sweeps SET rests_n = 1.4 WHERE calibration_id IS NOT NULL AND counted"
    )
    assert harmed > 0
    assert command(["--book", str(book), *asked.split()]) == 2


def test_where_what_it_does_to_strokes_cannot_be_said_nothing_is_told(
    book: Path, run: Run, capsys: pytest.CaptureFixture[str]
) -> None:
    """The strokes of larch were told no weight; nest has none of the rig."""
    run("set", "list")  # brings the book up to date
    told = ("rig", "ratings", "--rests", "142g")
    harm(book, "UPDATE springs SET spring_note = 'x' WHERE label LIKE 'larch%'")
    assert command(["--book", str(book), *told]) == 2
    assert "the spring larch-01 is damaged" in capsys.readouterr().err
    assert "not told, and taken as 0" in run("rig", "ratings")
    run("rig", "ratings", "--cell", "200kg")  # what of the rig no stroke has


def test_a_damaged_set_without_strokes_of_the_rig_keeps_no_weight_from_being_told(
    book: Path, run: Run
) -> None:
    run("set", "list")
    label = columns(
        book, "SELECT label FROM springs JOIN sets ON sets.id = set_id WHERE sets.name = 'nest'"
    )[0][0]
    assert harm(book, "UPDATE springs SET spring_note = 'x' WHERE label = ?", label)
    run("rig", "ratings", "--rests", "142g")
    assert "0.142 kg" in run("rig", "ratings")
