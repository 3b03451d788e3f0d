"""Files come whole or not at all, and over nothing by mistake."""

from __future__ import annotations

import errno
from pathlib import Path
from typing import Any

import pytest

from coilbench.analysis.cli.files_out import refuse_existing, write_whole
from coilbench.capture.errors import CoilbenchError


def test_only_force_takes_a_files_place(tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    refuse_existing(page, force=False)
    page.write_text("old")
    with pytest.raises(CoilbenchError, match="exists already"):
        refuse_existing(page, force=False)
    refuse_existing(page, force=True)
    with pytest.raises(CoilbenchError, match="not a file"):
        refuse_existing(tmp_path, force=True)
    with pytest.raises(CoilbenchError, match="not a file"):
        refuse_existing(Path("/dev/null"), force=True)


def test_a_full_disk_leaves_what_was_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    page = tmp_path / "page.html"
    page.write_text("old")

    def full(self: Path, target: Any) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    with pytest.raises(CoilbenchError, match="No space left"):
        write_whole(page, "new")
    assert page.read_text() == "old"
    assert list(tmp_path.iterdir()) == [page]


def test_any_text_comes_back(tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    write_whole(page, "a\r\nпружина 弹簧\n")
    assert page.read_bytes().decode("utf-8") == "a\r\nпружина 弹簧\n"
