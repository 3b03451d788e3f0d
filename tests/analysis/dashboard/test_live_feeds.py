"""Where scenes come from: a table that can't be read is said and does not end anything."""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from msgspec.structs import replace

from coilbench.analysis.cli import live, run
from coilbench.analysis.cli.live import Ageing, OtherCapture
from coilbench.analysis.dashboard import set_table
from coilbench.analysis.dashboard.scene import SetTable
from coilbench.analysis.dashboard.set_table import BookReader
from coilbench.analysis.report.units import Units
from coilbench.capture.book.counting import uncount
from coilbench.capture.book.locks import hold_book
from coilbench.capture.book.nominals import NominalLoad, SetNominal
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sessions import CaptureRun
from coilbench.capture.book.sets import SetPlan, find_set, labels_for, new_set
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.running.commands import Snapshot


@pytest.fixture
def book(tmp_path: Path) -> Path:
    path = tmp_path / "bench.db"
    with open_book(path, create=True) as db:
        nominal = SetNominal((NominalLoad(38.5, 230.0), NominalLoad(27.6, 400.0)))
        labels = labels_for("larch", 3)
        new_set(db, SetPlan("larch", "outer", labels, solid_height_mm=24.0, nominal=nominal))
    return path


def reader_of(book: Path) -> BookReader:
    return BookReader(book, "larch", (38.5,), Units())


def until(what: Callable[[], bool]) -> None:
    end_s = time.monotonic() + 20.0
    while not what():
        assert time.monotonic() < end_s
        time.sleep(0.01)


def test_a_set_not_measured_yet_has_its_labels_and_solid_height(book: Path) -> None:
    reader = reader_of(book)
    reader.read()
    assert [row.label for row in reader.table.rows] == ["larch-01", "larch-02", "larch-03"]
    assert reader.table.solid_mm == 24.0
    assert reader.table.nominal_mm == (38.5, 27.6)
    assert reader.standing == ""  # nothing was calibrated


@pytest.mark.parametrize(
    ("error", "words"),
    [(CoilbenchError("the book is locked"), "the book is locked"), (ValueError("x"), "ValueError")],
)
def test_what_keeps_the_table_from_being_read_is_said_and_it_is_tried_again(
    book: Path, monkeypatch: pytest.MonkeyPatch, error: Exception, words: str
) -> None:
    real = set_table.read_set_table
    failing = [True]

    def read(*arguments: object) -> Iterator[SetTable]:
        if failing:
            raise error
        return real(*arguments)  # type: ignore[arg-type]

    monkeypatch.setattr(set_table, "read_set_table", read)
    monkeypatch.setattr(set_table, "RETRY_S", 0.01)
    monkeypatch.setattr(set_table, "BOOK_LOOK_S", 0.01)
    reader = reader_of(book)
    reader.start()
    try:
        until(lambda: "THE TABLE CAN'T BE READ" in reader.standing)
        assert words in reader.standing
        failing.clear()
        until(lambda: len(reader.table.rows) == 3)
        assert reader.standing == ""
    finally:
        reader.close()


def test_it_reads_again_when_the_book_has_changed_and_only_then(
    book: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    reads: list[int] = []
    real = set_table.read_set_table

    def read(*arguments: object) -> Iterator[SetTable]:
        reads.append(1)
        return real(*arguments)  # type: ignore[arg-type]

    monkeypatch.setattr(set_table, "read_set_table", read)
    reader = reader_of(book)
    reader.read()
    reader.read()
    assert len(reads) == 1
    with open_book(book) as db:
        db.execute("UPDATE springs SET label = 'A' WHERE label = 'larch-01'")
        db.conn.commit()
    reader.read()
    assert len(reads) == 2
    assert reader.table.rows[0].label == "A"


RULED = "UPDATE sweeps SET ruling = 'leave' WHERE rowid = (SELECT max(rowid) FROM sweeps)"


@pytest.mark.parametrize(
    "change",
    [
        RULED,
        "UPDATE sets SET nominal_json = NULL",
        "UPDATE sets SET solid_height_mm = 23.0",
        "UPDATE springs SET solid_height_mm = 23.0 WHERE label = 'larch-01'",
    ],
)
def test_it_reads_again_when_what_the_flags_rest_on_has_changed(book: Path, change: str) -> None:
    run(["--book", str(book), "note", "--set", "larch", "larch-01 38.5mm 20kg"])
    reader = reader_of(book)
    reader.read()
    before = reader.table
    with open_book(book) as db:
        db.execute(change)
        db.conn.commit()
    reader.read()
    assert reader.table is not before


def test_it_reads_again_when_as_many_strokes_came_from_another_bench_as_stopped_counting(
    book: Path, tmp_path: Path
) -> None:
    note = ("note", "--set", "larch")
    run(["--book", str(book), *note, "larch-01 38.5mm 20kg"])
    other = tmp_path / "other.db"
    shutil.copy(book, other)
    run(["--book", str(other), *note, "larch-02 38.5mm 21kg"])
    with open_book(other) as db:
        uncount(db, find_set(db, "larch").spring("larch-01").spring_id, last_only=False)
    reader = reader_of(book)
    reader.read()
    assert [row.strokes for row in reader.table.rows] == [1, 0, 0]
    run(["--book", str(book), "merge", str(other)])
    reader.read()
    assert [row.strokes for row in reader.table.rows] == [0, 1, 0]


def test_another_capture_is_read_from_the_book_where_it_does_not_answer(
    book: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    feed = OtherCapture(book)
    assert feed.see() is None
    with hold_book(book):  # as a running capture does
        with open_book(book) as db:
            set_id = db.execute("SELECT id FROM sets").fetchone()[0]
            run = CaptureRun.begin(db, set_id, "x:", None, None)
            snapshot = Snapshot("larch", "x:", link="up", sample_age_s=0.5, load_n=222.8)
            run.update(snapshot.to_document())
        seen = feed.see()
        assert seen is not None
        assert seen.link == "up"
        assert seen.sample_age_s is not None
        assert seen.sample_age_s >= 0.5  # it grows older while it lies in the book
        assert seen.load_n is None  # and then its numbers are not of now
        monkeypatch.setattr(live, "SILENT_S", -1.0)
        silent = feed.see()
        assert silent is not None
        assert silent.link == "lost"
        assert silent.link_what is not None
        assert silent.link_what.kind == "capture_silent"


@pytest.mark.parametrize(("later_s", "now"), [(0.39, True), (0.41, False)])
def test_a_snapshot_that_stays_the_same_grows_old(later_s: float, now: bool) -> None:
    """A capture that hangs answers with the snapshot of before: 0.1 s old when it was made."""
    clock = [100.0]
    ageing = Ageing(lambda: clock[0])
    snapshot = Snapshot("larch", "x:", link="up", sample_age_s=0.1, load_n=222.8, height_mm=38.0)
    assert ageing(snapshot) == snapshot
    clock[0] += later_s
    aged = ageing(Snapshot.from_document(snapshot.to_document()))  # read again, no newer
    assert (aged.load_n is not None) == now
    assert (aged.height_mm is not None) == now
    assert aged.phase == ("idle" if now else "unknown")
    assert ageing(replace(snapshot, samples=5)).load_n == 222.8  # a newer one is of now
