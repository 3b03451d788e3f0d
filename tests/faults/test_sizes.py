"""Files and books larger than any bench has: some cases of tests/fuzz/sizes.py."""

from __future__ import annotations

from pathlib import Path

import pytest

sizes = pytest.importorskip("sizes", exc_type=ImportError)  # the limits are those of Unix

FEW = ("1e6 columns", "100,000 labels", "20,000 dotted keys", "100,000 names", "a zlib bomb")


def test_too_much_is_refused_in_a_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sizes, "BOMB_BYTES", 1 << 26)  # just above what a stroke may unpack to
    sizes.make_book(tmp_path)
    found = {}
    for what, arguments in sizes.cases(tmp_path, FEW):
        status, said = sizes.within_limits(arguments)
        found[f"{what}: {arguments[2]}"] = status
        assert "coilbench: " in said or "DAMAGED" in said
    assert len(found) >= len(FEW)
    assert set(found.values()) <= {1, 2}, found


def test_a_limit_that_is_passed_would_be_seen(tmp_path: Path) -> None:
    def take_all(_arguments: list[str]) -> int:
        return len(bytearray(2 * sizes.MEMORY_BYTES))

    status, said = sizes.within_limits([], take_all)
    assert status == sizes.NOT_ANSWERED
    assert "MemoryError" in said
