"""What a terminal can show decides the glyphs: braille and blocks where it writes UTF-8."""

from __future__ import annotations

import io
import sys
from collections.abc import Callable
from typing import Any

import pytest
from rich.console import Console

from coilbench.analysis.cli.live import drawn
from coilbench.analysis.dashboard.scene import Scene, SetTable
from coilbench.analysis.report.units import Units
from coilbench.capture.running.commands import Snapshot
from coilbench.capture.strokes.judging import Purpose, Turn

PRESSED = Snapshot("larch", "x", turn=Turn("larch-01", Purpose.MEASURED, 1, 3), load_n=220.0)


def out(encoding: str) -> io.TextIOWrapper:
    return io.TextIOWrapper(io.BytesIO(), encoding=encoding, write_through=True)


def written(file: io.TextIOWrapper) -> str:
    buffer = file.buffer
    assert isinstance(buffer, io.BytesIO)
    return buffer.getvalue().decode(file.encoding)


@pytest.mark.parametrize(("encoding", "plain"), [("utf-8", False), ("UTF-8", False),
                                                 ("ascii", True), ("iso8859-1", True)])  # fmt: skip
def test_the_dashboard_draws_what_the_terminal_can_show(encoding: str, plain: bool) -> None:
    console = Console(file=out(encoding), width=120, height=50)
    console.print(drawn(Scene(PRESSED, SetTable((), 3, ()), Units()), console))
    text = written(console.file)  # type: ignore[arg-type]
    assert text.isascii() == plain
    assert ("█" in text) != plain
    assert ("#" in text) == plain


@pytest.mark.parametrize(("encoding", "plain"), [("utf-8", False), ("ascii", True)])
def test_curves_are_drawn_in_what_the_terminal_can_show(
    larch: Callable[..., Any], monkeypatch: pytest.MonkeyPatch, encoding: str, plain: bool
) -> None:
    file = out(encoding)
    monkeypatch.setattr(sys, "stdout", file)
    assert larch("set", "show", "larch", "--curves").status == 0
    text = written(file)
    assert text.isascii() == plain
    assert any("\u2801" <= char <= "\u28ff" for char in text) != plain
