"""How much processor time each answer costs on the demo's book, and how that grows with the book.

    python tests/bench/bench_answers.py [--rounds 5] [--only pair assign] [--springs 100 1000 10000]

Each command is run in a process of its own right after `sqlite-utils --help` of the same
environment; the figure is the middle of the ratios of these pairs, by the processes' own processor
time (user and system), so that other work on the machine counts little: the first time, with
nothing of ours kept from before, and where anything is kept again when nothing has changed. The
first run of each command, which may compile, and with which Matplotlib lists the machine's fonts,
is left out.
"""

from __future__ import annotations

import argparse
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from resource import RUSAGE_CHILDREN, getrusage

from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import SetPlan, labels_for, new_set

# sqlite-utils loads pandas where it finds it: the tests need it, a user has none.
ALONE = "import sys; sys.argv[0] = 'coilbench'; sys.modules['pandas'] = None; "
PROGRAM = f"{ALONE}from coilbench.analysis.__main__ import main; main()"
MEASURE = f"{ALONE}from sqlite_utils.cli import cli; cli(['--help'])"
SPRINGS_A_SET = 100
OPENINGS = 20
AT = ["--at", "38.5mm", "--at", "27.6mm"]
# What is asked, and the most that it may cost, as ratios: first time, and when nothing changed.
ANSWERS: dict[str, tuple[list[str], str]] = {
    "--help": (["--help"], "0.4"),
    "alone": ([], "0.4"),
    "tell --help": (["tell", "--help"], "0.4"),
    "note --help": (["note", "--help"], "0.6"),
    "set check --help": (["set", "check", "--help"], "0.6"),
    "pair --help": (["pair", "--help"], "0.6"),
    "report --help": (["report", "--help"], "0.6"),
    "demo --help": (["demo", "--help"], "0.6"),
    "status": (["status"], "1.3"),
    "set list": (["set", "list"], "1.3"),
    "set show": (["set", "show", "larch"], "1.3"),
    "note, one line": (
        ["note", "--set", "hand", "hand-01 38.5mm 24kg", "--yes", "--tare", "0kg"],
        "1.3",
    ),
    "import, one file": (["import", "points.csv", "--set", "hand", "--yes"], "1.3"),
    "set check": (["set", "check", "larch", *AT], "2.5, 1.6"),
    "set spring": (["set", "spring", "heron", "heron-10"], "2.5, 1.6"),
    "pair": (["pair", "demo.toml"], "5, 2"),
    "assign": (["assign", "demo.toml"], "5, 3"),
    "report": (["report", "demo.toml", "-o", "sheet.html", "--force"], "8, 5"),
}


class Bench:
    """Where the commands run; each finds a file of points that was never imported."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.kept = folder / "cache"
        self._runs = 0

    def cpu_s(self, code: str, *arguments: str) -> float:
        """Return the processor time of one run, s; a traceback ends the bench."""
        environment = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
        environment["XDG_CACHE_HOME"] = str(self.kept)
        self._runs += 1
        points = f"label,height_mm,load_kg\nhand-02,40.0,{20.1 + 0.01 * self._runs:.2f}\n"
        (self.folder / "points.csv").write_text(points)
        before = getrusage(RUSAGE_CHILDREN)
        done = subprocess.run(
            [sys.executable, "-c", code, *arguments],
            cwd=self.folder,
            env=environment,
            capture_output=True,
            text=True,
            check=False,
        )
        after = getrusage(RUSAGE_CHILDREN)
        if done.returncode not in (0, 1) or "Traceback" in done.stderr:
            raise SystemExit(f"{arguments}: {done.stderr}")
        return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime

    def ratio(
        self, arguments: list[str], book: str, rounds: int, *, again: bool = False
    ) -> tuple[float, float]:
        """Return the middle ratio to the measure, and the middle processor time, s."""
        whole = ["--book", book, *arguments]
        self.cpu_s(PROGRAM, *whole)
        pairs = []
        for _ in range(rounds):
            if not again:
                shutil.rmtree(self.kept / "coilbench", ignore_errors=True)
            pairs.append((self.cpu_s(MEASURE), self.cpu_s(PROGRAM, *whole)))
        return (
            statistics.median(ours / measure for measure, ours in pairs),
            statistics.median(ours for _, ours in pairs),
        )


def answers(bench: Bench, rounds: int, only: list[str]) -> None:
    """Print the table of the demo's book, all commands where none is named."""
    bench.cpu_s(PROGRAM, "--book", "demo.db", "demo")
    bench.cpu_s(PROGRAM, "--book", "demo.db", "set", "new", "hand", "--role", "outer", "--count=2")
    print(f"{'':<18}{'CPU s':>8}{'ratio':>8}{'again, s':>10}{'ratio':>8}   at most")
    for name in only or ANSWERS:
        arguments, most = ANSWERS[name]
        ratio, ours_s = bench.ratio(arguments, "demo.db", rounds)
        line = f"{name:<18}{ours_s:8.2f}{ratio:8.2f}"
        if "," in most:
            ratio, ours_s = bench.ratio(arguments, "demo.db", rounds, again=True)
            line += f"{ours_s:10.2f}{ratio:8.2f}"
        print(f"{line:<52}   {most}", flush=True)
    pairs = [
        (bench.cpu_s(MEASURE), bench.cpu_s(PROGRAM, "--book", f"demo-{turn}.db", "demo"))
        for turn in range(rounds)
    ]
    demo_s = statistics.median(ours for _, ours in pairs)
    ratio = statistics.median(ours / measure for measure, ours in pairs)
    print(f"{'demo':<18}{demo_s:8.2f}{ratio:8.2f}{'':21}18")


def opening_s(book: Path) -> float:
    """Return the processor time of one opening in a process that has opened the book before, s."""
    with open_book(book):
        pass
    begun_s = time.process_time()
    for _ in range(OPENINGS):
        with open_book(book):
            pass
    return (time.process_time() - begun_s) / OPENINGS


def growth(bench: Bench, springs: list[int], rounds: int) -> None:
    """Print what questions cost as more springs are registered beside the demo's."""
    print("\nsprings registered   set list   set check   status   opening, CPU ms")
    for count in springs:
        book = f"{count}.db"
        shutil.copy(bench.folder / "demo.db", bench.folder / book)
        with open_book(bench.folder / book) as db:
            for at in range(count // SPRINGS_A_SET):
                name = f"more-{at}"
                new_set(db, SetPlan(name, "outer", labels_for(name, SPRINGS_A_SET)))
        asked = (["set", "list"], ["set", "check", "larch", *AT], ["status"])
        ratios = [bench.ratio(arguments, book, rounds)[0] for arguments in asked]
        cells = "".join(f"{ratio:11.2f}" for ratio in ratios)
        print(f"{count:18d} {cells}{1e3 * opening_s(bench.folder / book):12.1f}", flush=True)


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--only", choices=ANSWERS, nargs="*", default=[])
    parser.add_argument("--springs", type=int, nargs="*", default=[100, 1000, 10_000])
    asked = parser.parse_args()
    print(f"load average {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(Path(folder))
        answers(bench, asked.rounds, asked.only)
        growth(bench, asked.springs, asked.rounds)


if __name__ == "__main__":
    main()
