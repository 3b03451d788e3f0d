"""While a capture runs, a press that waits is in no answer of another window, and each says so.

All commands are here: one that is added later has to say which sort it is.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from msgspec.structs import replace

from coilbench.analysis.cli import run
from coilbench.analysis.dashboard.scene import SetTable
from coilbench.analysis.dashboard.set_table import BookReader, read_set_table
from coilbench.analysis.report.units import Units
from coilbench.capture.book.locks import hold_book
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sessions import recover
from coilbench.capture.running.commands import Action, Snapshot
from coilbench.capture.virtual.bench import PressSpring, Rest
from support.alarms import SCENE, drawn
from support.capture_books import book_maker
from support.commands import COMMANDS
from support.datum_desk import PRESS, TO_MM, counted, on_gauge, tell, work
from support.open_questions import SUNK, WRONG, closing_press_differs
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


@contextmanager
def begun(
    folder: Path, capsys: pytest.CaptureFixture[str], conditioning: int = 1
) -> Iterator[Bench]:
    """A capture of two springs, and another set that was keyed in."""
    options = {"device_id": RIG.device_id, "boot_id": HELLO.boot_id, "conditioning": conditioning}
    book = book_maker(folder)(RIG, **options)
    new = ["set", "new", "before", "--role", "outer", "--labels", "larch-01,larch-02"]
    assert run(["--book", str(book), *new]) == 0
    keyed = ["larch-01 40mm 21kg", "larch-01 30mm 37kg", "larch-02 40mm 21kg"]
    assert run(["--book", str(book), "note", "--set", "before", *keyed]) == 0
    capsys.readouterr()
    with hold_book(book), open_book(book) as db:
        yield Bench(folder, Desk(db, closes=True), capsys)


@pytest.fixture
def bench(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Iterator[Bench]:
    """Two springs; the quill was at its stop after the first one, not after the second one."""
    with begun(tmp_path, capsys, conditioning=0) as bench:
        work(bench.desk, *PRESS * 2)
        bench.desk.recorder.interrupt()
        work(bench.desk, *OTHER * 2, slip_mm=-LOW_MM)
        assert counted(bench.desk)[-4:] == [1, 1, "~", "~"]
        bench.store()
        yield bench


def _other_datum(desk: Desk) -> None:
    work(desk, *PRESS * 3, *OTHER * 2)
    on_gauge(desk, 29.5)
    tell(desk, Action.ACCEPT)


def _quill_low(desk: Desk) -> None:
    """The second spring's press waits for its turn, while the first one's wait for the stop."""
    work(desk, Rest(2.0))
    desk.recorder.interrupt()
    work(desk, *PRESS * 2, *OTHER, slip_mm=-LOW_MM)


# What a person is asked of presses, or what one waits for beside those that go on: what leads to
# it, the words by which each window says it, the springs of which, and how many of them.
OPEN: dict[str, tuple[Callable[[Desk], None], str, dict[str, int]]] = {
    "closing press": (closing_press_differs, "KEEP THEM?", {"larch-02": 2}),
    "other datum": (_other_datum, "KEEP THEM?", {"larch-01": 2, "larch-02": 1}),
    "wrong spring": (
        lambda d: work(d, *PRESS * 3, *OTHER, *WRONG),
        "WRONG SPRING?",
        {"larch-02": 1},
    ),
    "sits otherwise": (lambda d: work(d, *PRESS * 2, *SUNK), "DATUM RIGHT?", {"larch-01": 1}),
    "quill low": (_quill_low, "at its stop", {"larch-01": 2, "larch-02": 1}),
}


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


@pytest.mark.parametrize("name", OPEN)
def test_all_windows_hold_what_is_open_to_wait(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """By one count: in the capture's table, in a set's list of strokes, its state and its check."""
    opening, words, waits = OPEN[name]
    with begun(tmp_path, capsys, conditioning=int(name != "quill low")) as bench:
        opening(bench.desk)
        bench.store()
        many = sum(waits.values())
        *_, table = read_set_table(bench.desk.db, "larch", (40.0,), Units(), SetTable((), 0, ()))
        assert {row.label: row.waits for row in table.rows if row.waits} == waits
        for row in table.rows:
            sql = "SELECT sum(counted) FROM sweeps WHERE purpose = 'measured' AND spring_id = ?"
            of = [bench.desk.record.spring(row.label).spring_id]
            (kept,) = bench.desk.db.execute(sql, of).fetchone()
            assert row.strokes - row.waits == (kept or 0)
        strokes = json.loads(bench.said("set strokes larch --json"))["springs"]
        found = {one["label"]: [press["why"] for press in one["strokes"]] for one in strokes}
        assert {
            label: own.count("waits") for label, own in found.items() if "waits" in own
        } == waits
        shown = json.loads(bench.said("set show larch --json"))["springs"]
        told = {one["label"]: one["sweeps_waiting"] for one in shown if one["sweeps_waiting"]}
        assert told == waits
        assert json.loads(bench.said("status --json"))["capture"]["waiting"] == many
        for asked in ("set show larch", f"set check larch {' '.join(AT)}", "plan FILE"):
            said = " ".join(bench.said(asked).split())
            assert words in said or f"counts yet: {many} waiting" in said


@pytest.mark.parametrize("name", ["closing press", "other datum"])
@pytest.mark.parametrize("killed", [False, True])
def test_what_nobody_answered_is_still_said_after_the_end_and_no_more_after_an_answer(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], *, killed: bool
) -> None:
    """Each command tells that presses wait, and the next step is to answer."""
    opening, words, waits = OPEN[name]
    with begun(tmp_path, capsys) as bench:
        opening(bench.desk)
        bench.store()
        if killed:
            recover(bench.desk.db)
        else:
            bench.desk.recorder.end()
            bench.store()
            bench.desk.run.end("told to stop")
        open_ = bench.said("set strokes larch")
        assert words in open_
        many = sum(waits.values())
        alone = " ".join(bench.said("status").split())
        assert f"waiting for an answer: {many} of its presses" in alone
        assert "say whether" in alone
        assert "other springs" not in alone
        again = Desk(bench.desk.db, closes=True)
        again.run_on = bench.desk.run_on
        work(again, Rest(1.0))
        while again.recorder.question and again.recorder.question.kind == "strokes_in_doubt":
            tell(again, Action.TAKE_OUT)
        bench.desk = again
        bench.store()
        again.run.end("told to stop")
        assert bench.said("set strokes larch") != open_
        for asked in ("set strokes larch", "set show larch", "status"):
            assert not re.search("KEEP THEM|wait", bench.said(asked))


def test_while_a_question_about_presses_is_open_each_command_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """And gives the numbers alone that it gives once they are left out by a no."""
    with begun(tmp_path, capsys) as bench:
        closing_press_differs(bench.desk)
        bench.store()
        every = [one for asked in ASKED.values() for one in asked]
        meanwhile = [bench.everything(words, f"{at}") for at, words in enumerate(every)]
        for words, said in zip(every, meanwhile, strict=True):
            assert re.search(r"wait|counts yet", said), words
        tell(bench.desk, Action.TAKE_OUT)
        bench.store()
        for at, (words, said) in enumerate(zip(every, meanwhile, strict=True)):
            assert numbers(said) <= numbers(bench.everything(words, f"{at}-no")), words


def test_the_table_follows_an_answer_that_changes_no_press(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with begun(tmp_path, capsys) as bench:
        closing_press_differs(bench.desk)
        bench.store()
        reader = BookReader(tmp_path / "bench.db", "larch", (40.0,), Units())
        reader.read()
        assert [row.waits for row in reader.table.rows] == [0, 2]
        before = counted(bench.desk)
        tell(bench.desk, Action.TAKE_OUT)
        bench.store()
        reader.read()
        assert counted(bench.desk) == before
        assert [(row.strokes, row.waits) for row in reader.table.rows] == [(2, 0), (0, 0)]


def test_what_nobody_answered_may_be_ruled_on(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A person's word is what it waits for: then it is no more asked about."""
    with begun(tmp_path, capsys) as bench:
        closing_press_differs(bench.desk)
        bench.store()
        said = bench.said("set strokes larch --use larch-02:1 --leave larch-02:2")
        assert "1: kept, by a ruling" in said
        assert "KEEP THEM?" not in said


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
