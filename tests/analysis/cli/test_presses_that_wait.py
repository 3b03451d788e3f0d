"""While a capture runs, a press that waits is in no answer of another window, and each says so.

All commands are here: one that is added later has to say which sort it is.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from msgspec.structs import replace

from coilbench.analysis.cli import run
from coilbench.analysis.dashboard.scene import SetTable
from coilbench.analysis.dashboard.set_table import read_set_table
from coilbench.analysis.report.units import Units
from coilbench.capture.book.locks import hold_book
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sessions import recover
from coilbench.capture.running.commands import Snapshot
from coilbench.capture.virtual.bench import PressSpring, Rest
from support.alarms import SCENE, drawn
from support.capture_books import book_maker
from support.commands import COMMANDS
from support.datum_desk import PRESS, TO_MM, counted, work
from support.recorder_desk import HELLO, RIG, SPRINGS, Desk

BUILD = """
[cam]
name = "Lake four"
valve_lift = "10 mm"
seat_load = "208 N"
seat_tolerance = "20 N"
open_load = "336 N"
open_tolerance = "20 N"
[head]
installed_height = "40 mm"
valves = 2
[limits]
coil_bind_margin = "1 mm"
[springs]
outer = ["larch"]
"""
AT = ("--at", "40mm", "--at", "30mm")
# What a command is asked, by its name; FILE is the build file, OUT a folder of its own.
ASKED = {
    "status": ["status", "status --json"],
    "set show": ["set show larch", "set show larch --json", "set show larch --curves"],
    "set check": [
        f"set check larch {' '.join(AT)}",
        f"set check larch {' '.join(AT)} --json",
        f"set check larch {' '.join(AT)} --why larch-02",
        f"set check larch {' '.join(AT)} --budget",
    ],
    "set spring": ["set spring larch larch-01", "set spring larch larch-02"],
    "set strokes": ["set strokes larch", "set strokes larch --json"],
    "set compare": [f"set compare before larch --at 40mm{how}" for how in ("", " --json")],
    "plan": ["plan FILE", "plan FILE --json"],
    "pair": ["pair FILE", "pair FILE --json"],
    "assign": ["assign FILE", "assign FILE --json"],
    "report": ["report FILE --output OUT/sheet.html", "report FILE --json"],
    "export": ["export --out OUT/files"],
}
# Those that read no stroke, with why.
OTHERS = {
    **dict.fromkeys(("begin", "demo", "completion"), "makes something else"),
    **dict.fromkeys(("daemon", "live", "tell"), "is the capture, or goes to it"),
    **dict.fromkeys(("note", "import", "set new", "set edit", "set measure"), "puts something in"),
    **dict.fromkeys(("set nominal", "depths", "set readings"), "of what was typed"),
    **dict.fromkeys(("merge", "share", "book copy", "book put-back"), "takes the state with it"),
    **dict.fromkeys(("set list", "book check"), "counts springs, or rows"),
    **{name: "of the rig" for name in COMMANDS if name.startswith("rig ")},
}
OTHER = [PressSpring(SPRINGS[1], TO_MM), Rest(1.0)]
LOW_MM = 1.3  # so far the scale slips: the loads of what waits are 8 % off


class Bench:
    """A capture that runs, and another window."""

    def __init__(self, folder: Path, desk: Desk, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder, self.desk, self._capsys = folder, desk, capsys

    def store(self) -> None:
        """Store its state, as a session does each second."""
        self.desk.recorder.flush()
        self.desk.run.update(Snapshot("larch", "x:").to_document())

    def said(self, words: str) -> str:
        (self.folder / "b.toml").write_text(BUILD)
        words = words.replace("FILE", str(self.folder / "b.toml"))
        status = run(["--book", str(self.folder / "bench.db"), *words.split()])
        told = self._capsys.readouterr()
        assert status in (0, 1, 2), told.err
        return told.out + told.err

    def everything(self, words: str, folder: str) -> str:
        """Return what a command says, and what it writes."""
        out = self.folder / folder
        out.mkdir()
        said = self.said(words.replace("OUT", str(out)))
        return said + "".join(one.read_text() for one in sorted(out.rglob("*")) if one.is_file())


@pytest.fixture
def bench(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Iterator[Bench]:
    """Two springs; the quill was at its stop after the first one, not after the second one."""
    options = {"device_id": RIG.device_id, "boot_id": HELLO.boot_id, "conditioning": 0}
    book = book_maker(tmp_path)(RIG, **options)
    new = ["set", "new", "before", "--role", "outer", "--labels", "larch-01,larch-02"]
    assert run(["--book", str(book), *new]) == 0
    keyed = ["larch-01 40mm 21kg", "larch-01 30mm 37kg", "larch-02 40mm 21kg"]
    assert run(["--book", str(book), "note", "--set", "before", *keyed]) == 0
    capsys.readouterr()
    with hold_book(book), open_book(book) as db:
        desk = Desk(db, closes=True)
        work(desk, *PRESS * 2)
        desk.recorder.interrupt()
        work(desk, *OTHER * 2, slip_mm=-LOW_MM)
        assert counted(desk)[-4:] == [1, 1, "~", "~"]
        bench = Bench(tmp_path, desk, capsys)
        bench.store()
        yield bench


def numbers(text: str) -> set[str]:
    """Return the numbers in a text, but for lines that say what waits, times and ids."""
    apart = re.compile(r"wait|_utc|_days|below its stop|moved_mm")
    lines = (line for line in text.splitlines() if not apart.search(line))
    return set(re.findall(r"(?<![\w.:-])-?\d+\.\d+(?![\w:])", "\n".join(lines)))


def test_every_command_is_of_one_sort() -> None:
    assert sorted([*ASKED, *OTHERS]) == sorted(COMMANDS.keys() - {"rig", "set", "book"})


@pytest.mark.parametrize("words", [one for asked in ASKED.values() for one in asked])
def test_what_waits_is_in_no_answer_and_each_says_so(bench: Bench, words: str) -> None:
    """Its numbers are those that the book gives once the presses are left out."""
    meanwhile = bench.everything(words, "meanwhile")
    assert re.search(r"wait|counts yet", meanwhile)
    assert "nothing against them" not in meanwhile.partition("larch-02")[2]
    bench.desk.recorder.end()
    assert counted(bench.desk)[-4:] == [1, 1, 0, 0]
    bench.store()
    assert numbers(meanwhile) <= numbers(bench.everything(words, "afterwards"))


def test_the_screen_shows_what_waits_and_no_load_of_it(bench: Bench) -> None:
    *_, table = read_set_table(bench.desk.db, "larch", (40.0,), Units(), SetTable((), 0, ()))
    first, second = table.rows
    assert (first.strokes, first.waits) == (2, 0)
    assert first.loads_n[0] is not None
    assert (second.strokes, second.waits, second.loads_n) == (2, 2, (None,))
    screen = drawn(replace(SCENE, table=table), 80, 24).splitlines()
    (line,) = (one for one in screen if one[1:].startswith("larch-02"))
    assert line[1:].split()[:4] == ["larch-02", "0/2", "2", "wait"]


def test_a_press_that_waits_is_not_ruled_in(bench: Bench) -> None:
    assert "waits: nothing shows its heights yet" in bench.said(
        "set strokes larch --use larch-02:1"
    )
    assert counted(bench.desk)[-2:] == ["~", "~"]


def test_where_the_capture_is_killed_it_is_left_out_and_may_be_ruled_in(bench: Bench) -> None:
    recover(bench.desk.db)  # as the next command does that finds no capture on the book
    assert counted(bench.desk)[-4:] == [1, 1, 0, 0]
    words = "the capture was cut off before its heights were shown: the quill reads 1.30 mm below"
    assert words in " ".join(bench.said("set strokes larch").split())
    assert "1: kept, by a ruling" in bench.said("set strokes larch --use larch-02:1")
