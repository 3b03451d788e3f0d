"""Benches with a book each, and the shop's store that they share."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from coilbench.analysis.cli import run
from coilbench.capture.book.soundness import check_book
from coilbench.capture.shop.outcome import Shared
from coilbench.capture.shop.sharing import share_book
from support.postgres import EMPTY, Server, server
from support.shared import copied, made_once, run_folder
from support.shop_books import content, make_empty, make_larch

__all__ = ["server"]

ANNS = "anns_store"


@pytest.fixture
def database(
    request: pytest.FixtureRequest, server: Server, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[str]:
    """Return the name of a store's database; what `ann` gave is in it if a test asks for her."""

    def make(folder: Path) -> None:
        server.copy(EMPTY, ANNS)
        make_larch(folder / "ann.db")
        share_book(folder / "ann.db", server.address(ANNS))

    asked = "ann" in request.fixturenames
    if asked:
        made_once(tmp_path_factory, ANNS, make)
    with server.copied(ANNS if asked else EMPTY) as name:
        yield name


@pytest.fixture
def ann(database: str, tmp_path_factory: pytest.TempPathFactory, tmp_path: Path) -> Path:
    """The book `larch`, shared with the test's store."""
    return copied(run_folder(tmp_path_factory) / ANNS, tmp_path) / "ann.db"


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
def third(tmp_path: Path, share) -> Callable[[Path], None]:
    """Return what lets a fresh bench pull, and compares it with another's book."""

    def compare(of: Path) -> None:
        fresh = make_empty(tmp_path / "third.db")
        share(fresh, push=False)
        assert content(fresh) == content(of)
        assert check_book(fresh).findings == []

    return compare
