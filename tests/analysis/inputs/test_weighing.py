"""Rows of a file are weighed beside each other and the book's, at a cost in proportion to them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from random import Random

import pytest
from sqlite_utils import Database

from coilbench.analysis.inputs import weighing
from coilbench.analysis.inputs.weighing import doubtful_rows
from coilbench.analysis.sets.courses import ReadAt
from coilbench.analysis.sets.foretelling import Given
from coilbench.analysis.sets.slips import slips
from coilbench.capture.book.importing import import_table
from coilbench.capture.book.importing_points import ImportedRow
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import SetPlan, find_set, labels_for, new_set
from coilbench.capture.tables.csv_table import read_table

KG = 9.80665
RATE_N_PER_MM, FREE_MM = 16.0, 53.0


@pytest.fixture
def db(tmp_path: Path) -> Iterator[Database]:
    with open_book(tmp_path / "b.db", create=True) as opened:
        new_set(opened, SetPlan("oak", "outer", labels_for("oak", 5), free_length_mm=FREE_MM))
        yield opened


def file_rows(rng: Random, springs: int, heights: int) -> list[ImportedRow]:
    """Springs of one kind, each read at heights of its own; line numbers as places."""
    rows = []
    for spring in range(1, springs + 1):
        rate = RATE_N_PER_MM * (1.0 + rng.gauss(0.0, 0.02))
        for at in range(heights):
            mm = 50.0 - 25.0 * (at + 0.2 * rng.random()) / heights
            load_n = rate * (FREE_MM - mm)
            line = len(rows)
            rows.append(ImportedRow("f", line, f"oak-0{spring}", mm, load_n, True, 1.0, 0.05))
    return rows


def slipped(rows: Sequence[ImportedRow], lines: Sequence[int]) -> list[ImportedRow]:
    """Ten times the load, as where a point was forgotten."""
    return [
        ImportedRow(r.file, r.line, r.label, r.height_mm, r.load_n * 10.0, True, 1.0, 0.05)
        if r.line in lines
        else r
        for r in rows
    ]


def one_by_one(rows: Sequence[ImportedRow]) -> list[int]:
    """The lines that are doubtful by the plain rule: all weighed again after each that is out."""
    left, found = list(rows), []
    while True:
        worst = None
        for row in left:
            read = weighing._read_of(row)
            others: list[ReadAt] = [weighing._read_of(one) for one in left if one is not row]
            why = slips(read, others, Given(free_length_mm=FREE_MM))
            weight = max(map(weighing._weight, why), default=-1.0)
            if why and (worst is None or weight > worst[0]):
                worst = weight, row
        if worst is None:
            return sorted(found)
        left.remove(worst[1])
        found.append(worst[1].line)


@pytest.mark.parametrize("seed", range(8))
def test_the_wrong_rows_alone_are_found_as_by_the_plain_rule(db: Database, seed: int) -> None:
    rng = Random(seed)
    rows = file_rows(rng, 4, 6)
    wrong = sorted(6 * spring + rng.randrange(6) for spring in rng.sample(range(4), 2))
    rows = slipped(rows, wrong)
    found = [one.row.line for one in doubtful_rows(db, find_set(db, "oak"), rows, "this")]
    assert found == one_by_one(rows) == wrong


def test_the_work_grows_with_the_rows_not_with_their_square(
    db: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    calls = 0

    def counting(*arguments: object) -> object:
        nonlocal calls
        calls += 1
        return slips(*arguments)  # type: ignore[arg-type]

    monkeypatch.setattr(weighing, "slips", counting)
    for heights in (20, 80):
        rows = slipped(file_rows(Random(1), 5, heights), [7, 33])
        calls = 0
        assert [one.row.line for one in doubtful_rows(db, find_set(db, "oak"), rows, "this")] == [
            7,
            33,
        ]
        assert calls < 5 * len(rows)
        calls = 0
        wrong = slipped(rows, range(len(rows)))
        wrong = [*wrong[: len(wrong) // 5], *rows[len(rows) // 5 :]]  # one spring in other units
        doubtful_rows(db, find_set(db, "oak"), wrong, "this")
        assert calls <= 60 * len(rows)


def test_rows_are_weighed_beside_a_sampled_curve(db: Database) -> None:
    """What the rig measured of the spring: the file alone would look sound."""
    times = range(401)
    heights = [54.0 - 0.13 * min(t, 400 - t) for t in times]
    lines = [
        f"{t / 100},{max(FREE_MM - mm, 0.0) * RATE_N_PER_MM / KG:.4f},{mm:.4f}"
        for t, mm in zip(times, heights, strict=True)
    ]
    stroke = "\n".join(["t_s,load_kg,height_mm", *lines]).encode()
    record = find_set(db, "oak")
    import_table(db, record, read_table(stroke, "rig.csv"), label="oak-01", entry_id="rig")
    load_n = RATE_N_PER_MM * (FREE_MM - 38.5)

    def doubts(entry_id: str, share: float) -> list[int]:
        row = ImportedRow("f", 2, "oak-01", 38.5, share * load_n, True, 1.0, 0.05)
        return [one.row.line for one in doubtful_rows(db, record, [row], entry_id)]

    assert doubts("this", 1.02) == []
    assert doubts("this", 1.25) == [2]
    assert doubts("rig", 1.25) == []  # where the curve came in the same run
