"""A calibration that was broken off: its points come back whole, or not at all."""

import pytest

from coilbench.analysis.cli.guiding import Unfinished
from coilbench.capture.calibration.steady import Hold
from coilbench.capture.errors import CoilbenchError

HOLD = Hold(24_500.5, -13.0, 41.0, 139)
BEGUN = Unfinished("weigh", "C011", 7, (0.0, 5.0, 10.0), (HOLD, HOLD), "2030-01-01T10:00:00.000+00")


def test_points_come_back_as_they_were(tmp_path):
    book = tmp_path / "new folder" / "bench.db"
    assert Unfinished.find(book, "weigh") is None
    BEGUN.keep(book)
    assert Unfinished.find(book, "weigh") == BEGUN
    assert Unfinished.find(book, "gauge") is None
    assert [path.name for path in book.parent.iterdir()] == ["bench.db.unfinished-weigh.json"]


def test_without_points_there_is_no_file(tmp_path):
    book = tmp_path / "bench.db"
    BEGUN.keep(book)
    Unfinished("weigh", "C011", 7, (0.0,), (), "x").keep(book)
    assert list(tmp_path.iterdir()) == []
    Unfinished.drop(book, "weigh")


@pytest.mark.parametrize(
    "text", ["", "{", "[]", "{}", '{"kind": 1}', "\x00", '{"holds": [[]]}', " " * 100_001 + "{}"]
)
def test_a_damaged_file_is_refused_with_the_way_out(tmp_path, text):
    book = tmp_path / "bench.db"
    BEGUN.keep(book)
    (tmp_path / "bench.db.unfinished-weigh.json").write_text(text, "utf-8")
    with pytest.raises(CoilbenchError, match="--afresh"):
        Unfinished.find(book, "weigh")


def test_a_crash_while_it_is_written_leaves_the_points_before_it(tmp_path, monkeypatch):
    book = tmp_path / "bench.db"
    BEGUN.keep(book)

    def full(_fd):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("coilbench.analysis.cli.guiding.os.fsync", full)
    with pytest.raises(CoilbenchError, match="No space left"):
        Unfinished("weigh", "C011", 7, (0.0,), (HOLD,) * 3, "x").keep(book)
    monkeypatch.undo()
    assert Unfinished.find(book, "weigh") == BEGUN
