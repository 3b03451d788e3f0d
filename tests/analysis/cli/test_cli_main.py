"""The program as a whole: help, start-up, exit statuses, one line an error."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from coilbench.analysis.cli import cli, run

COMMANDS = tuple(cli.list_commands(None))  # type: ignore[arg-type]
GROUPS = ("rig", "set", "book")  # their commands have the examples


def python(code: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False
    )


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help_with_an_example(
    command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run([command, "--help"]) == 0
    told = capsys.readouterr().out
    assert "Usage: coilbench " + command in told
    if command not in GROUPS:
        assert "Example" in told


def test_help_lists_every_command_with_safety_first(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["--help"]) == 0
    told = capsys.readouterr().out
    assert "can blind" in told
    for command in COMMANDS:
        assert f"  {command} " in told
    job = [told.index(title) for title in ("\nBegin:", "\nMeasure:", "\nDecide:", "\nKeep:")]
    assert job == sorted(job)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["nonsense"], "No such command 'nonsense'"),
        (["set", "new"], "Missing argument 'NAME'"),
        (["set", "new", "a", "--role", "upper"], "upper"),
        (["--load-unit", "stone", "set", "list"], "stone"),
        (["set", "check", "a", "--at", "high"], "is not a length"),
        (["set", "check", "a", "--at", "1,234mm"], "ambiguous"),
        (["set", "check", "a", "--at", "38.5kg"], "not a unit of length"),
        (["set", "check", "a", "--at", "38.5mm", "--tolerance", "5"], "has no unit"),
    ],
)
def test_bad_usage_is_one_line_and_exit_2(
    arguments: list[str],
    words: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("COILBENCH_BOOK", str(tmp_path / "none.db"))
    assert run(arguments) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert len(told.err.splitlines()) == 1
    assert told.err.startswith("coilbench: ")
    assert words in told.err
    assert list(tmp_path.iterdir()) == []  # nothing was made


@pytest.mark.parametrize(
    "arguments",
    [
        ["rig", "flex", "--port", "/dev/no-such-port"],
        ["rig", "gauge", "--datum", "30mm", "--port", "/dev/no-such-port"],
        ["set", "list"],
        ["rig", "card"],
    ],
)
def test_a_refusal_where_there_is_no_book_makes_none(
    arguments: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["--book", str(tmp_path / "none.db"), *arguments]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 1
    assert list(tmp_path.iterdir()) == []


def test_a_decimal_comma_is_read_on_the_command_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    book = str(tmp_path / "b.db")
    arguments = ["--book", book, "set", "new", "larch", "--role", "outer", "--count", "2"]
    assert run([*arguments, "--free-length", "53,5mm"]) == 0
    assert run(["--book", book, "set", "show", "larch"]) == 0
    assert "free length 53.50 mm" in capsys.readouterr().out


def test_the_book_comes_from_the_environment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COILBENCH_BOOK", str(tmp_path / "env.db"))
    assert run(["set", "new", "larch", "--role", "outer", "--count", "2"]) == 0
    assert (tmp_path / "env.db").exists()


def test_output_into_a_closed_pipe_is_no_traceback(tmp_path: Path) -> None:
    done = subprocess.run(
        f"{sys.executable} -c 'from coilbench.analysis.cli import main; main()' --help | true",
        shell=True,
        capture_output=True,
        text=True,
        cwd=tmp_path,
        timeout=60,
        check=False,
    )
    assert "Traceback" not in done.stderr


def test_a_reader_that_has_gone_is_no_fault(tmp_path: Path) -> None:
    """Written and flushed into a pipe that nobody reads any more."""
    read, write = os.pipe()
    os.close(read)
    code = "from coilbench.analysis.cli import main; main()"
    with os.fdopen(write, "wb") as gone:
        done = subprocess.run(
            [sys.executable, "-c", code, "--book", str(tmp_path / "none.db"), "status"],
            stdout=gone,
            stderr=subprocess.PIPE,
            timeout=60,
            check=False,
        )
    assert (done.returncode, done.stderr) == (0, b"")


@pytest.mark.parametrize("unit", ["lb", "lbs", "lbf"])
def test_pounds_by_any_name_are_lbf(unit: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["--book", "none.db", "--load-unit", unit, "status"]) == 0
    assert "coilbench --load-unit lbf begin" in capsys.readouterr().out
    assert run(["--load-unit", "pounds", "status"]) == 2
