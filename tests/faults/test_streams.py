"""Nobody to write to, no letters to write with, Ctrl-C at once: a line, no traceback."""

from __future__ import annotations

import io
import json
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from coilbench.analysis.cli import run
from support.signals import AS_STARTED_BY_HAND

PROGRAM = "from coilbench.analysis.__main__ import main; main()"
READ = (
    "status",
    "set list",
    "set show fir --curves",
    "set check fir --at 38.5mm --budget",
    "--help",
)


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> str:
    path = str(tmp_path_factory.mktemp("streams") / "b.db")
    assert run(["--book", path, "set", "new", "fir", "--role", "outer", "--count", "2"]) == 0
    hand = ["--resolution", "0.1kg", "--repeatability", "0.1kg", "--quill", "0.05mm"]
    readings = ["fir-01 38.5mm 22kg # naïve 山", "fir-01 27.6mm 40kg"]
    assert run(["--book", path, "note", "--set", "fir", *hand, *readings]) == 0
    return path


@pytest.mark.parametrize("encoding", ["ascii", "iso8859-1", "cp1252", "utf-16"])
@pytest.mark.parametrize("command", READ)
def test_any_encoding_of_the_output_will_do(
    book: str, command: str, encoding: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = io.TextIOWrapper(io.BytesIO(), encoding, write_through=True)
    monkeypatch.setattr(sys, "stdout", out)
    assert run(["--book", book, *command.split()]) == 0
    assert out.buffer.getvalue().decode(encoding)  # type: ignore[attr-defined]


def test_a_document_is_the_same_in_any_encoding(book: str, monkeypatch: pytest.MonkeyPatch) -> None:
    said = []
    for encoding in ("utf-8", "ascii"):
        out = io.TextIOWrapper(io.BytesIO(), encoding, write_through=True)
        monkeypatch.setattr(sys, "stdout", out)
        assert run(["--book", book, "set", "readings", "fir", "--json"]) == 0
        said.append(json.loads(out.buffer.getvalue().decode(encoding)))  # type: ignore[attr-defined]
    assert said[0] == said[1]
    assert "山" in json.dumps(said[0], ensure_ascii=False)


def shell(line: str, book: str) -> subprocess.CompletedProcess[str]:
    """Run a line of a shell in which coilbench is the program on this book."""
    program = f"coilbench() {{ '{sys.executable}' -c \"{PROGRAM}\" --book '{book}' \"$@\"; }}; "
    return subprocess.run(
        ["sh", "-c", program + line], capture_output=True, text=True, timeout=60, check=False
    )


@pytest.mark.skipif(sys.platform == "win32", reason="a shell of Unix")
@pytest.mark.parametrize(
    ("line", "status"),
    [
        ("coilbench set list >&-", 0),
        ("coilbench set list >&- 2>&-", 0),
        ("coilbench nonsense 2>&-", 2),
        ("coilbench nonsense >&- 2>&-", 2),
        ("{ coilbench set list; echo $? >&2; } | true", 0),
        pytest.param(
            "coilbench set list > /dev/full", 2,
            marks=pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full"),
        ),
    ],
)  # fmt: skip
def test_an_output_that_is_closed_or_full_is_no_traceback(
    book: str, line: str, status: int
) -> None:
    done = shell(line, book)
    assert done.returncode == status
    assert "Traceback" not in done.stderr
    assert "Exception ignored" not in done.stderr
    assert done.stderr.count("coilbench: ") == ("/dev/full" in line)


@pytest.mark.skipif(sys.platform == "win32", reason="signals of Unix")
@pytest.mark.parametrize("delay_s", [0.0, 0.05, 0.15])
def test_ctrl_c_at_once_is_a_line(book: str, delay_s: float) -> None:
    """However far it has come; its first line says that Python itself has started."""
    program = AS_STARTED_BY_HAND + PROGRAM.replace("main()", "print(flush=True); main()")
    done = subprocess.Popen(
        [sys.executable, "-c", program, "--book", book, "set", "check", "fir", "--at", "38.5mm"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert done.stdout is not None
    done.stdout.readline()
    time.sleep(delay_s)
    done.send_signal(signal.SIGINT)
    _, said = done.communicate(timeout=60)
    assert (done.returncode, said.strip()) == (130, "coilbench: stopped")
