"""What a capture says at its end: also what was refused of what came."""

from __future__ import annotations

import pytest

from coilbench.analysis.cli import capture_lines
from coilbench.analysis.cli.capture_lines import capture_ended
from coilbench.capture.running.commands import Snapshot


@pytest.mark.parametrize(
    ("lines_bad", "words"), [(0, "0 lost. "), (1, "1 line corr"), (800, "0 lost, 800 lines corr")]
)
def test_lines_that_were_refused_are_said(
    lines_bad: int, words: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(capture_lines, "book_path", lambda: "bench.db")
    said = " ".join(capture_ended(Snapshot("larch", "usb:", springs=0, lines_bad=lines_bad)))
    assert words in said
    assert ("corrupted" in said) == (lines_bad > 0)
