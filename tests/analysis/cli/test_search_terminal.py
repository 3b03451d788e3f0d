"""Ctrl-C on a real search, on a terminal: what there is is told, and the program ends as it would.

And work of HiGHS that was given up, or left by an error: the process ends by its own status.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from coilbench.analysis.cli import run
from support.lake_twin import build_text
from support.terminal import CODES, Terminal

if os.name != "posix":
    pytest.skip("a pseudo-terminal is needed", allow_module_level=True)

SPRINGS, VALVES = 24, 16
STOCK = {"0.1 mm": 5, "0.15 mm": 5, "0.25 mm": 4, "0.4 mm": 3}


@pytest.fixture
def book(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    """Springs that differ, valves that differ, shims that are scarce: minutes of search."""
    path, random = tmp_path / "book.db", np.random.default_rng(1)
    for name, role, free_mm, rate in (("larch", "outer", 50.0, 20.0), ("heron", "inner", 48.0, 10)):
        new = ["--role", role, "--count", str(SPRINGS), "--solid-height", "15mm"]
        assert run(["--book", str(path), "set", "new", name, *new]) == 0
        rows = ["label,height_mm,load_n"]
        for number in range(1, SPRINGS + 1):
            own = rate * (1.0 + 0.02 * random.standard_normal())
            free = free_mm + 0.3 * random.standard_normal()
            rows += [
                f"{name}-{number:02},{mm:.1f},{own * (free - mm):.3f}"
                for mm in np.arange(43.0, 25.0, -0.5)
            ]
        points = tmp_path / f"{name}.csv"
        points.write_text("\n".join(rows))
        assert run(["--book", str(path), "import", str(points), "--set", name]) == 0
    heights = [
        f'{n} = "{40.0 + 0.1 * random.standard_normal():.2f} mm"' for n in range(1, VALVES + 1)
    ]
    shims = [f'[[shims]]\nthickness = "{mm}"\ncount = {count}' for mm, count in STOCK.items()]
    text = build_text(
        "\n".join(["[head.valves]", *heights]), shims="\n".join(shims), limits="max_shims = 3"
    )
    (tmp_path / "twin.toml").write_text(text)
    capsys.readouterr()
    return path


def test_ctrl_c_gives_the_best_so_far(book: Path) -> None:
    terminal = Terminal(
        *("--book", str(book), "assign", str(book.parent / "twin.toml"), "--seconds", "1000")
    )
    try:
        terminal.wait_for(r"best so far 0\.\d+, none is below .* left, Ctrl-C ends it")
        terminal.process.send_signal(signal.SIGINT)
        status = terminal.end()
        shown = " ".join(CODES.sub("", terminal.written).split())
        assert "of 16 valves are inside" in shown
        assert "Not proven" in shown
        # what is told of the clock after the signal, or of the first of the searches
        assert "; 0 s left" in shown or "the search ended before it was sure" in shown
        assert "no other choice is below" in shown
        assert status in (0, 1)
        assert "Traceback" not in shown
    finally:
        terminal.close()


# A market split problem (Cornuejols and Dawande, 1998, from memory): small, and hard for any
# branch and bound.
HARD = """
import sys
import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from coilbench.analysis.cli.beside import Beside, leave

def hard():
    rows = np.random.default_rng(1).integers(0, 100, (5, 40)).astype(float)
    split = np.floor(rows.sum(axis=1) / 2.0)
    slack = np.hstack([rows, np.eye(5), -np.eye(5)])
    cost = np.concatenate([np.zeros(40), np.ones(10)])
    whole = np.concatenate([np.ones(40), np.zeros(10)])
    return milp(cost, constraints=LinearConstraint(slack, split, split), integrality=whole,
                bounds=Bounds(0.0, np.concatenate([np.ones(40), np.full(10, np.inf)])),
                options={"time_limit": LIMIT})

beside = Beside(hard)
beside.join(0.2)
assert beside.is_alive()
print("told")
"""


@pytest.mark.parametrize(
    ("limit_s", "end", "status"),
    [
        (0.6, "raise TypeError('a defect')", 1),  # the interpreter waits for the work
        (0.6, "sys.exit(5)", 5),
        (600.0, "sys.stdout.flush(); leave(3)", 3),  # the program does not
    ],
)
def test_the_process_ends_by_its_own_status_while_highs_runs(
    limit_s: float, end: str, status: int
) -> None:
    ended = subprocess.run(
        [sys.executable, "-c", HARD.replace("LIMIT", str(limit_s)) + end],
        capture_output=True,
        text=True,
        timeout=120.0,
        check=False,
    )
    assert ended.returncode == status, ended.stderr
    assert ended.stdout == "told\n"
