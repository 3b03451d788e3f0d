"""Benches with a book each, and the shop's store that they share."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from coilbench.analysis.cli import run
from coilbench.capture.book.soundness import check_book
from coilbench.capture.shop.outcome import Shared
from coilbench.capture.shop.sharing import share_book
from support.postgres import Server, database, server
from support.shared import made_once
from support.shop_books import content, make_empty, make_larch

__all__ = ["database", "server"]


@pytest.fixture
def address(server: Server, database: str) -> str:
    return server.address(database)


@pytest.fixture
def larch(tmp_path_factory: pytest.TempPathFactory, tmp_path: Path) -> Path:
    """A book with a calibrated set of three springs, two strokes each from counts, one keyed."""
    made = made_once(tmp_path_factory, "larch", lambda folder: make_larch(folder / "bench.db"))
    return Path(shutil.copyfile(made / "bench.db", tmp_path / "ann.db"))


@pytest.fixture
def share(address: str) -> Callable[..., Shared]:
    return lambda path, **options: share_book(path, address, **options)


@pytest.fixture
def answers(capsys: pytest.CaptureFixture[str]) -> Callable[[Path, str], Any]:
    """Return what gives `set check` of a book's set, as JSON."""

    def answer(path: Path, name: str = "larch") -> str:
        capsys.readouterr()
        arguments = ["--book", str(path), "set", "check", name, "--at", "38.5mm", "--json"]
        assert run(arguments) in (0, 1)
        return capsys.readouterr().out

    return answer


@pytest.fixture
def third(tmp_path: Path, larch: Path, share, answers) -> Callable[[Path], None]:
    """Return what lets a fresh bench pull, and compares it with another's book."""

    def compare(of: Path) -> None:
        fresh = make_empty(tmp_path / "third.db")
        share(fresh, push=False)
        assert content(fresh) == content(of)
        assert answers(fresh) == answers(of)
        assert check_book(fresh).findings == []

    return compare
