"""How long each command takes to start, against a general-purpose program of the same kind.

    python tests/bench/bench_startup.py

`coilbench COMMAND --help` for every command, `coilbench` alone and a list of a small book, each in
a process of its own, the middle of five runs taken in turn. The measure is `sqlite-utils --help`
from the same environment, in the same turns; a bare interpreter is the bound.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from coilbench.analysis.cli import cli, run

ROUNDS = 5


def seconds(command: list[str], environment: dict[str, str]) -> float:
    """Return how long a command takes, s."""
    start = time.perf_counter()
    subprocess.run(command, env=environment, capture_output=True, check=True)
    return time.perf_counter() - start


def main() -> None:
    """Print the table."""
    scripts = Path(sys.executable).parent
    ours, measure = str(scripts / "coilbench"), str(scripts / "sqlite-utils")
    with tempfile.TemporaryDirectory() as folder:
        environment = os.environ | {"COILBENCH_BOOK": f"{folder}/bench.db"}
        run(
            [
                "--book",
                f"{folder}/bench.db",
                "set",
                "new",
                "larch",
                "--role",
                "outer",
                "--count",
                "9",
            ]
        )
        commands = {
            "a bare interpreter": [sys.executable, "-c", "pass"],
            "sqlite-utils --help": [measure, "--help"],
            "coilbench --help": [ours, "--help"],
            "coilbench": [ours],
            "coilbench set list": [ours, "set", "list"],
        }
        for name in cli.list_commands(None):  # type: ignore[arg-type]
            commands[f"coilbench {name} --help"] = [ours, name, "--help"]
        taken: dict[str, list[float]] = {name: [] for name in commands}
        for _ in range(ROUNDS):
            for name, command in commands.items():
                taken[name].append(seconds(command, environment))
    middle = {name: statistics.median(times) for name, times in taken.items()}
    print(f"{'':<30}{'ms':>8}{'ratio':>8}")
    for name, middle_s in middle.items():
        print(f"{name:<30}{1000 * middle_s:8.0f}{middle_s / middle['sqlite-utils --help']:8.2f}")


if __name__ == "__main__":
    main()
