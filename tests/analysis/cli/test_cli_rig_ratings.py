"""`coilbench rig ratings`: told in parts, kept in the book, the smaller one counts."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from coilbench.analysis.cli import run

KGF_N = 9.80665


def ratings(book: Path, capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    status = run(["--book", str(book), "rig", "ratings", *words])
    said = capsys.readouterr()
    return status, said.out, said.err


def test_they_are_told_one_by_one_and_the_smaller_counts(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    book = tmp_path / "bench.db"
    assert ratings(book, capsys, "--cell", "200kg")[0] == 0
    status, out, _ = ratings(book, capsys, "--press", "150kg")
    assert status == 0
    assert "200.00 kg" in out
    assert "warns at 120.00 kg" in out
    assert "stop at 150.00 kg (press)" in out
    document = json.loads(ratings(book, capsys, "--json")[1])
    assert document == {
        "cell_n": pytest.approx(200 * KGF_N),
        "press_n": pytest.approx(150 * KGF_N),
        "rests_n": None,
        "cups_meet_mm": None,
    }


def test_where_nothing_was_told_it_says_that_nothing_is_watched(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    book = tmp_path / "bench.db"
    run(["--book", str(book), "set", "new", "larch", "--role", "outer", "--count", "2"])
    capsys.readouterr()
    assert "not watched" in ratings(book, capsys)[1]


@pytest.mark.parametrize("load", ["0kg", "-5kg", "heavy", "nankg"])
def test_what_nothing_bears_is_refused_and_changes_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], load: str
) -> None:
    book = tmp_path / "bench.db"
    ratings(book, capsys, "--cell", "200kg")
    before = ratings(book, capsys, "--json")[1]
    status, out, err = ratings(book, capsys, "--cell", load)
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert ratings(book, capsys, "--json")[1] == before
