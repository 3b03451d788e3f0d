"""The window that reads the daemon's lines is closed: the capture goes on to its end."""

import subprocess
import sys

from coilbench.capture.book.opening import open_book
from support import stage as scene
from support.signals import AS_STARTED_BY_HAND

DAEMON = (
    AS_STARTED_BY_HAND
    + """
import sys
from coilbench.analysis.cli import daemon, run
daemon.LINGER_S = 0.0
status = run(["--book", sys.argv[1], "daemon", "--set", "larch", "--port", sys.argv[2]])
sys.stderr.write(f"exit {status}")
"""
)


def test_a_capture_outlives_whoever_reads_its_lines(make_book):
    book = make_book(scene.RIG, springs=3, conditioning=0, measured=4)
    url = "virtual:?seed=4&pace=fast&springs=3&presses=4"
    command = [sys.executable, "-u", "-c", DAEMON, str(book), url]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        process.stdout.readline()
        process.stdout.close()
        err = process.stderr.read()
    assert err == "exit 0"
    with open_book(book) as db:
        (counted,) = db.execute("SELECT count(*) FROM sweeps WHERE counted").fetchone()
        (reason,) = db.execute("SELECT ended_reason FROM sessions").fetchone()
    assert (counted, reason) == (12, "set done")
