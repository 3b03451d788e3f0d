"""The daemon as a process: killed, told to end, started twice. The rig is this process's."""

import json
import os
import re
import select
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from contextlib import contextmanager

import numpy as np
import pytest

from coilbench.analysis.cli.daemon import run_daemon
from coilbench.capture.book.locks import hold_book, hold_port
from coilbench.capture.book.opening import open_book
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.running.commands import EventKind
from coilbench.capture.running.request import CaptureRequest
from coilbench.capture.strokes.stored import unpack
from coilbench.capture.virtual.bench import Bench, capture_steps
from coilbench.capture.virtual.firmware import Firmware
from coilbench.capture.virtual.instrument import RigModel
from coilbench.capture.virtual.port import LinkKind, Pace, VirtualPort
from coilbench.capture.virtual.spring import OUTER, draw_set
from support.signals import AS_STARTED_BY_HAND

fcntl = pytest.importorskip("fcntl", reason="no such signals here")
termios = pytest.importorskip("termios", reason="no such signals here")

RIG = RigModel.draw(4)
SPRINGS = draw_set(OUTER, 2, 4)
STEPS = capture_steps(SPRINGS, presses=6)
TRUTH = np.concatenate([block.samples for block in Bench(RIG, STEPS, 4).blocks()])
ENDING = [signal.SIGTERM, signal.SIGINT, signal.SIGHUP]
SPEED = 12.0  # times faster than life
KILLS = int(os.environ.get("COILBENCH_KILLS", "6"))  # 200 take some minutes

# Samples of the way up, of the first four presses: a second of each has gone by at least.
RELEASING = np.flatnonzero(
    (TRUTH["load_counts"] > RIG.zero_counts + 60 * RIG.counts_per_n)
    & (np.gradient(TRUTH["travel_counts"].astype(float)) < -5)
    & (TRUTH["seq"] < 1600)
)

DRIVER = f"""{AS_STARTED_BY_HAND}
import sys
from pathlib import Path
from coilbench.capture.running import session
from coilbench.analysis.cli.daemon import run_daemon
from coilbench.capture.errors import CoilbenchError
session.FLUSH_S /= float(sys.argv[3])
session.PARCEL_WAIT_S /= float(sys.argv[3])
request = session.CaptureRequest(Path(sys.argv[1]), "larch", sys.argv[2])
try:
    run_daemon(request, lambda event: print(event.kind.value, *event.what.facts.values()))
except CoilbenchError as error:
    print(error, file=sys.stderr)
    sys.exit(2)
"""


class Rig:
    """A simulated rig whose time goes SPEED times faster and may be held at a sample."""

    def __init__(self, seed, hold_at=None):
        self.firmware = Firmware(RIG, Bench(RIG, STEPS, 4).blocks(), seed=seed, frame_samples=4)
        self.now_s = 0.0
        self.sent = 0
        self._made = 0
        self._asked = False  # whether the daemon has asked who is there
        self._hold_at = hold_at
        self.held = threading.Event()
        self._go_on = threading.Event()
        self.port = VirtualPort(
            self.firmware,
            pace=Pace.REAL,
            link=LinkKind.SOCKET,  # it begins when the daemon is there
            clock=lambda: self.now_s,
            sleep=self._sleep,
        )

    def _sleep(self, seconds):
        if not self._asked:  # opening a port throws away what came before: no sample may
            select.select([self.port._link._reader], [], [], 20.0)
            self._asked = True
        self.sent, self._made = self._made, self.offered  # the frame made last waits to be sent
        if self._hold_at is not None and self.firmware.samples_offered >= self._hold_at:
            self.held.set()
            self._go_on.wait(20.0)
        time.sleep(seconds / SPEED)
        self.now_s += seconds

    @property
    def offered(self):
        return self.firmware.samples_offered

    def wait_until(self, offered, daemon):
        while self.offered < offered and daemon.poll() is None and not self.port.ended:
            time.sleep(0.002)

    def wait_until_arrived(self):
        """Wait until the daemon's end of the cable has all that was sent (its system says so)."""
        reader = self.port._link._reader
        while int.from_bytes(fcntl.ioctl(reader, termios.TIOCOUTQ, bytes(4)), sys.byteorder):
            time.sleep(0.002)

    def close(self):
        self._go_on.set()
        self.port.close()


@contextmanager
def running(book, rig):
    """A daemon process on the rig, connected; killed at the end if it still runs."""
    command = [sys.executable, "-u", "-c", DRIVER, str(book), rig.port.url, str(SPEED)]
    with subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=os.environ | {"TMPDIR": str(book.parent)},  # a killed one leaves its socket there
    ) as daemon:
        try:
            yield daemon
        finally:
            daemon.kill()
            rig.close()


def rows(book, sql):
    with open_book(book) as db:
        return list(db.query(sql))


def check_samples(row):
    """A sweep's samples are the rig's, without a hole."""
    stored = unpack(row["samples_format"], row["samples_blob"])
    assert len(stored) == row["samples"]
    whole = TRUTH[stored["seq"][0] : stored["seq"][-1] + 1]
    np.testing.assert_array_equal(stored["seq"], whole["seq"])
    np.testing.assert_array_equal(stored["travel_counts"], whole["travel_counts"])
    return stored


def killed_at_a_sample(rig, daemon, book, sample):
    """Run until the rig has offered that sample, however far the daemon is; then kill."""
    rig.wait_until(sample, daemon)
    assert daemon.poll() is None
    daemon.kill()
    return ""


def killed_in_mid_stroke(rig, daemon, book, _sample):
    """Run until one stroke is told and the next one, held down, is in the book; then kill."""
    line = next(line for line in daemon.stdout if line.startswith("kept"))
    while not rows_untouched(book)["chunks"]:
        assert daemon.poll() is None
        time.sleep(0.01)
    daemon.kill()
    return line


def test_killed_at_any_moment_it_loses_nothing_it_has_told_and_little_else(make_book):
    """Killed again and again over one book, at random samples of a press; the last time in one.

    What the daemon printed is in the book. Of the stroke that was running, all is there that had
    come when the book was last brought up to date (each second of the rig's time).
    """
    book = make_book(RIG, conditioning=0, measured=10 * KILLS)
    rng = np.random.default_rng(11)
    ways = [*[(None, killed_at_a_sample)] * (KILLS - 1), (middle_of_press(1), killed_in_mid_stroke)]
    told = interrupted = 0
    for turn, (hold_at, kill) in enumerate(ways):
        rig = Rig(seed=100 + turn, hold_at=hold_at)
        with running(book, rig) as daemon:
            rig.port.start()
            printed = kill(rig, daemon, book, int(rng.choice(RELEASING)))
            daemon.wait()
            printed += daemon.stdout.read()
        told += len(re.findall("^(?:kept|refused)", printed, re.MULTILINE))
        before = rows_untouched(book)
        sweeps = rows(book, "SELECT * FROM sweeps ORDER BY rowid")
        boot_id = sweeps[-1]["boot_id"] if sweeps else None
        finished = [row for row in sweeps if row["status"] != "interrupted"]
        assert len(finished) >= told
        for row in sweeps:
            check_samples(row)
        last = [row for row in sweeps if row["status"] == "interrupted"]
        if before["phase"] in ("press", "release") and before["chunks"]:
            assert len(last) == interrupted + 1
            assert last[-1]["boot_id"] == boot_id
            safe = int(check_samples(last[-1])["seq"][-1]) + 1
            assert safe >= before["heard"]
            print(f"{rig.offered - safe} of {rig.offered} samples are missing")
        interrupted = len(last)
        told = len(finished)
    assert told >= 1
    assert interrupted >= 1
    reasons = [row["ended_reason"] for row in rows(book, "SELECT ended_reason FROM sessions")]
    assert set(reasons) == {"ended without closing the book"}
    assert len(reasons) <= KILLS  # on a busy machine some are killed before they began


def rows_untouched(book):
    """How the book stands before anyone opens it as a book, which puts it in order."""
    with sqlite3.connect(book) as connection:
        newest = "SELECT samples, live_json FROM sessions ORDER BY rowid DESC LIMIT 1"
        samples, live = connection.execute(newest).fetchone() or (0, None)
        (chunks,) = connection.execute("SELECT count(*) FROM stroke_chunks").fetchone()
    connection.close()
    phase = None if live is None else json.loads(live)["phase"]
    return {"heard": samples, "phase": phase, "chunks": chunks}


def middle_of_press(number):
    """The sample at the bottom of the press of that number."""
    down = TRUTH["travel_counts"] > 0.9 * TRUTH["travel_counts"].max()
    starts = np.flatnonzero(np.diff(down.astype(int)) > 0)
    return int(starts[number]) + 10


@pytest.mark.skipif(sys.platform != "linux", reason="no telling what has arrived here")
@pytest.mark.parametrize("number", ENDING)
def test_told_to_end_in_mid_stroke_it_takes_what_came_and_closes(make_book, number):
    book = make_book(RIG)
    rig = Rig(seed=5, hold_at=middle_of_press(1))
    with running(book, rig) as daemon:
        rig.port.start()
        assert rig.held.wait(20.0)
        sent = rig.sent
        while (line := daemon.stdout.readline()).startswith("link"):
            pass  # connected; and on a busy machine, that the rig is slow
        assert line.startswith("kept larch-01")
        rig.wait_until_arrived()
        daemon.send_signal(number)
        out, err = daemon.communicate(timeout=20.0)
        assert daemon.returncode == 0
    assert "interrupted" in out
    assert err == ""
    first, last = rows(book, "SELECT * FROM sweeps ORDER BY rowid")
    assert (first["status"], last["status"], last["counted"]) == ("complete", "interrupted", 0)
    assert check_samples(last)["seq"][-1] == sent - 1  # to the last sample that was sent
    (session,) = rows(book, "SELECT * FROM sessions")
    assert session["ended_reason"] == "stopped"
    assert session["samples"] == sent


def test_a_second_daemon_is_refused_in_words(make_book, tmp_path):
    book = make_book(RIG)
    url = "/dev/ttyUSB77"
    request = CaptureRequest(book, "larch", url)
    with hold_port(url), pytest.raises(CoilbenchError, match=r"another.*using"):
        run_daemon(request, lambda _: None)
    with hold_book(book), pytest.raises(CoilbenchError, match=r"another.*writing"):
        run_daemon(request, lambda _: None)


@pytest.mark.parametrize(
    ("url", "words"),
    [
        ("/dev/no-such-port", "there is no such port"),
        ("nonsense", "no port and no address"),
        ("virtual:?speed=2", "'speed'.*unknown"),
        ("recording:/no/such/file", "the recording can't be read"),
    ],
)
def test_a_port_that_cannot_be_opened_is_an_error_at_once(make_book, url, words):
    book = make_book(RIG)
    with pytest.raises(CoilbenchError, match=words):
        run_daemon(CaptureRequest(book, "larch", url), lambda _: None)
    assert rows(book, "SELECT * FROM sessions") == []


def test_a_whole_set_by_its_url_and_the_signals_are_given_back(make_book):
    book = make_book(RIG)
    before = [signal.getsignal(number) for number in ENDING]
    events = []
    url = "virtual:?seed=4&pace=fast&springs=2&presses=3"
    snapshot = run_daemon(CaptureRequest(book, "larch", url), events.append)
    assert (snapshot.springs_done, snapshot.springs, snapshot.samples_lost) == (2, 2, 0)
    assert events[-1].kind is EventKind.DONE
    assert [
        signal.getsignal(number) for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)
    ] == before


def test_a_capture_that_is_to_outlive_its_terminal_does(make_book):
    """As `nohup` asks for."""
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        heard = []
        request = CaptureRequest(make_book(RIG), "larch", "virtual:?seed=4&pace=fast&springs=1")
        run_daemon(request, lambda _: heard.append(signal.getsignal(signal.SIGHUP)))
        assert set(heard) == {signal.SIG_IGN}
    finally:
        signal.signal(signal.SIGHUP, before)


def test_it_runs_in_any_thread(make_book):
    book = make_book(RIG)
    url = "virtual:?seed=4&pace=fast&springs=2&presses=3"
    done = []
    request = CaptureRequest(book, "larch", url)
    thread = threading.Thread(target=lambda: done.append(run_daemon(request, lambda _: None)))
    thread.start()
    thread.join(20.0)
    assert done[0].springs_done == 2
