"""`coilbench tell` against a capture that runs: what was asked is done, and said."""

import re
import socket
import threading
import time

import pytest

from coilbench.analysis.cli import run
from coilbench.analysis.cli.daemon import run_daemon
from coilbench.capture.book.opening import open_book
from coilbench.capture.running import questions
from coilbench.capture.running.control import ask_snapshot
from coilbench.capture.running.request import CaptureRequest
from coilbench.capture.unit_factors import KGF_N
from coilbench.capture.virtual.instrument import RigModel

RIG = RigModel.draw(1)  # as the address asks for

pytestmark = pytest.mark.skipif(
    not hasattr(socket, "AF_UNIX"), reason="no Unix domain sockets here: no channel is opened"
)


@pytest.fixture
def book(tmp_path, capsys):
    path = tmp_path / "tell.db"
    counts = "".join(
        f"{kg},{RIG.zero_counts + RIG.counts_per_n * KGF_N * kg:.0f}\n" for kg in (0, 10, 20, 40)
    )
    (tmp_path / "masses.csv").write_text(f"mass_kg,counts\n{counts}")
    (tmp_path / "gauges.csv").write_text("length_mm,counts\n0,14000\n20,10000\n50,4000\n")
    for words in (
        ["set", "new", "cedar", "--role", "outer", "--count", "3"],
        ["rig", "weigh", "--from", str(tmp_path / "masses.csv")],
        ["rig", "gauge", "--from", str(tmp_path / "gauges.csv")],
    ):
        assert run(["--book", str(path), *words]) == 0
    capsys.readouterr()
    return path


@pytest.fixture
def capture(book):
    """A capture in real time on this book's simulated rig; it lasts until it is told to finish."""
    request = CaptureRequest(book, "cedar", "virtual:?seed=1&presses=1&springs=1")
    ended = []
    thread = threading.Thread(target=lambda: ended.append(run_daemon(request, lambda _: None)))
    thread.start()
    while (snapshot := ask_snapshot(book)) is None or snapshot.turn is None:
        assert thread.is_alive()
    yield ended
    run(["--book", str(book), "tell", "finish"])
    end_s = time.monotonic() + 20.0
    while thread.is_alive() and time.monotonic() < end_s:  # what was hardly asked is no answer yet
        run(["--book", str(book), "tell", "accept"])
        thread.join(0.2)
    thread.join(20.0)


def tell(book, capsys, *words):
    status = run(["--book", str(book), "tell", *words])
    said = capsys.readouterr()
    return status, said.out, said.err


def test_a_capture_hears_and_says_what_came_of_it(book, capture, capsys):
    assert tell(book, capsys, "redo") == (
        0,
        "no press to take back: none counted since\n",
        "",
    )
    status, out, _ = tell(book, capsys, "skip", "cedar-01")
    assert (status, out) == (0, "cedar-01 postponed: it comes after the others; now cedar-02\n")
    _, out, _ = tell(book, capsys, "skip", "cedar-01")
    assert re.search("cedar-01.*cedar-02's", out)
    _, out, _ = tell(book, capsys, "rename", "cedar-02", "blue")
    assert out == "cedar-02 is now called blue\n"
    with open_book(book) as db:
        labels = {row["label"] for row in db.query("SELECT label FROM springs")}
    assert "blue" in labels
    assert "cedar-02" not in labels


def test_a_datum_and_an_answer_to_nothing_are_refused_with_the_reason(book, capture, capsys):
    while (now := ask_snapshot(book)) is None or now.load_n is None:
        assert now is None or now.load_unknown is None or now.load_unknown.kind == "no_sample"
    assert "nothing was asked" in tell(book, capsys, "accept")[1]
    assert "no datum" in tell(book, capsys, "datum", "30mm")[1]  # it has not stood for a second


def test_told_to_finish_it_ends(book, capture, capsys, monkeypatch):
    monkeypatch.setattr(questions, "READ_S", 0.0)  # tested by its own clock elsewhere
    status, out, _ = tell(book, capsys, "finish")
    assert status == 0
    assert re.search("3 of 3 springs unfinished(.|\n)*tell accept(.|\n)*tell take-out", out)
    status, out, _ = tell(book, capsys, "take-out")  # no: it goes on
    assert ask_snapshot(book).question is None
    tell(book, capsys, "finish")
    status, out, _ = tell(book, capsys, "accept")
    assert status == 0
    assert out.endswith("The capture has ended.\n")
    while ask_snapshot(book) is not None:
        pass
    status, _, err = tell(book, capsys, "finish")
    assert status == 2
    assert re.search("capture.*running", err)
    with open_book(book) as db:
        last = db.execute("SELECT ended_reason FROM sessions ORDER BY rowid DESC").fetchone()
    assert last == ("finished by hand",)


@pytest.mark.parametrize(
    ("words", "refusal"),
    [
        (["redo"], "capture.*running"),
        (["rename", "cedar-01"], "a rename needs two labels"),
        (["skip", "a", "b"], "nothing else takes one"),
        (["datum"], "needs the gauge's length"),
        (["datum", "30"], "no unit|unit"),
        (["datum", "2 m"], "this is no command|unit"),
        (["stop"], "'stop' is not one of"),
    ],
)
def test_bad_words_are_refused_in_one_line(tmp_path, capsys, words, refusal):
    status, out, err = tell(tmp_path / "none.db", capsys, *words)
    assert (status, out) == (2, "")
    assert re.search(refusal, err)
    assert err.count("\n") == 1
