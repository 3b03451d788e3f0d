"""The computer's clock is set while a capture runs: no stroke and no order depends on it."""

import ast
import itertools
from datetime import UTC, datetime, timedelta
from pathlib import Path

from coilbench.capture.book import rows as rows_module
from coilbench.capture.book.opening import open_book
from coilbench.capture.running.commands import Action, Command, EventKind
from support import stage as scene

HOUSE = Path(__file__).parents[2]


class Jumping(datetime):
    """A clock that is set back by an hour whenever it is looked at."""

    looks = itertools.count()

    @classmethod
    def now(cls, tz=None):
        back = timedelta(hours=next(cls.looks))
        return (datetime(2026, 3, 29, 1, 0, tzinfo=UTC) - back).astimezone(tz)


def captured(book, monkeypatch):
    """Three strokes with a redo after the second; returns what was told and what is stored."""
    clock = scene.Clock()
    clock.in_step(monkeypatch)

    def redo():
        stage.session.submit(Command(Action.REDO))
        return scene.QUIET

    pieces = [scene.later(scene.PRESS, turn) for turn in range(3)]
    source = scene.FakeSource(clock, *pieces[:2], redo, scene.QUIET, pieces[2], scene.ENDED)
    stage = scene.Stage(book, source, clock=clock)
    snapshot = stage.run()
    kept = ("status", "purpose", "counted", "samples", "samples_lost", "note", "samples_blob")
    stored = [{name: row[name] for name in kept} for row in scene.sweeps(book)]
    return list(stage.events), stored, snapshot


def test_a_clock_that_jumps_changes_no_stroke_and_no_order(make_book, monkeypatch):
    book = make_book(scene.RIG, conditioning=0, measured=9, name="honest.db")
    honest = captured(book, monkeypatch)
    monkeypatch.setattr(rows_module, "datetime", Jumping)
    book = make_book(scene.RIG, conditioning=0, measured=9, name="jumping.db")
    assert captured(book, monkeypatch) == honest
    events, stored, _ = honest
    assert [event.kind for event in events].count(EventKind.REDO) == 1
    assert [row["counted"] for row in stored].count(0) == 1
    with open_book(book) as db:
        times = [
            row["stored_utc"] for row in db.query("SELECT stored_utc FROM sweeps ORDER BY rowid")
        ]
    assert times != sorted(times)  # it did jump


def test_no_interval_is_measured_by_a_clock_that_can_be_set():
    """In the capture `time.time` is nowhere, `datetime.now` only where a moment is written down.

    Or where a moment that another bench wrote down is held to the time of day here: values.py.
    """
    looks = set()
    for path in HOUSE.glob("capture/**/*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
                name = f"{node.value.id}.{node.attr}"
                assert name not in ("time.time", "time.localtime", "time.ctime"), path
                if name in ("datetime.now", "datetime.utcnow", "datetime.today"):
                    looks.add(path.relative_to(HOUSE).as_posix())
    assert looks <= {f"capture/book/{name}.py" for name in ("copies", "rows", "values")}
