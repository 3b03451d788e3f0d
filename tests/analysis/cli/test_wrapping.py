"""What is printed on a terminal breaks between words, and never inside one."""

from __future__ import annotations

import io
import os
import re
import subprocess
import sys
import textwrap
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.text import Text

from coilbench.analysis.cli import wrapping
from coilbench.analysis.cli.plain_console import PlainConsole
from coilbench.analysis.cli.wrapping import RewritingStream, fitted, printed_with, wrapped

WORDS = st.lists(st.text("abcdefg-=.", min_size=1, max_size=30), min_size=1, max_size=40)


@given(WORDS, st.integers(0, 12), st.integers(20, 200))
@settings(max_examples=200, deadline=None)
def test_no_word_is_broken_and_none_is_lost(words: list[str], lead: int, width: int) -> None:
    line = " " * lead + " ".join(words)
    lines = wrapped(line + "\n", width).splitlines()
    assert " ".join(lines).split() == words
    for one in lines:
        assert len(one) <= width or len(one.split()) == 1  # a word that fits on no line


def test_a_line_that_fits_and_what_is_no_plain_line_pass_as_they_are() -> None:
    line = "x" * 39 + " " + "y" * 40
    assert wrapped(line, 80) == line
    assert wrapped(line, 79) != line
    for text in (f"{line} z\n{line} z\n", f"\x1b[1m{line} z\x1b[0m", ""):
        assert wrapped(text, 60) == text


def test_the_stream_is_a_terminal_still() -> None:
    """What else is asked of it, its encoding for example, the terminal answers."""
    under = io.TextIOWrapper(io.BytesIO(), encoding="utf-8")
    stream = RewritingStream(under, fitted)
    assert (stream.encoding, stream.isatty()) == ("utf-8", False)
    with pytest.raises(TypeError):
        stream.write(b"bytes")  # type: ignore[arg-type]


def test_whatever_is_printed_meanwhile_is_text_and_what_rich_draws_too(
    capsys: pytest.CaptureFixture[str],
) -> None:
    with printed_with("--load-unit N"):
        click.echo("a\x1b[2Jb \u202e coilbench set list", color=True)
        PlainConsole(force_terminal=True).print(Text("c\x9bd", style="bold"), "e\x07")
    assert capsys.readouterr().out == (
        "a\\u001b[2Jb \\u202e coilbench --load-unit N set list\n\x1b[1mc\\u009bd\x1b[0m e\\u0007\n"
    )


def test_no_other_console_draws() -> None:
    """Another one would go past the gate with whatever its words hold."""
    rooms = Path(wrapping.__file__).parents[1]
    made = {
        path.name: found
        for path in rooms.rglob("*.py")
        if (found := re.findall(r"\bConsole\(.*", path.read_text("utf-8")))
    }
    assert made == {}


pty = pytest.importorskip("pty")


def test_an_error_on_a_terminal_of_80_is_broken_on_words(tmp_path: Path) -> None:
    master, slave = pty.openpty()
    program = "import sys; from coilbench.analysis.cli import main; main()"
    arguments = ["--book", "none.db", "set", "check", "larch", "--at", "38.5mm"]
    environment = {**os.environ, "COLUMNS": "80", "TERM": "xterm"}
    subprocess.run([sys.executable, "-c", program, *arguments], stdout=slave, stderr=slave,
                   stdin=slave, env=environment, cwd=tmp_path, check=False)  # fmt: skip
    os.close(slave)
    said = "".join(_read(master)).replace("\r\n", "\n")
    os.close(master)
    lines = said.rstrip("\n").splitlines()
    assert len(lines) > 1
    assert max(map(len, lines)) <= 80
    whole = " ".join(said.split())
    assert textwrap.fill(whole, 80, break_on_hyphens=False).split() == whole.split()
    assert whole.startswith("coilbench: ")


def _read(master: int) -> Iterator[str]:
    while True:
        try:
            data = os.read(master, 65536)
        except OSError:  # nobody has the other end open any more
            return
        if not data:
            return
        yield data.decode()
