"""Benches with a book each, and the shop's store that they share."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from coilbench.analysis.cli import run
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.soundness import check_book
from coilbench.capture.shop.outcome import Shared
from coilbench.capture.shop.sharing import share_book
from support.postgres import EMPTY, Server, server
from support.shared import copied, made_once
from support.shop_books import content, make_empty, make_larch

__all__ = ["server"]

ANNS, BOBS = "anns_store", "bobs_store"


def _make_ann(folder: Path, server: Server) -> None:
    server.copy(EMPTY, ANNS)
    make_larch(folder / "ann.db")
    share_book(folder / "ann.db", server.address(ANNS))


def _make_bob(folder: Path, server: Server, ann: Path) -> None:
    server.copy(ANNS, BOBS)
    copied(ann, folder)
    share_book(make_empty(folder / "bob.db"), server.address(BOBS))


@pytest.fixture
def books(
    request: pytest.FixtureRequest, server: Server, tmp_path_factory: pytest.TempPathFactory
) -> tuple[str, Path | None]:
    """Return the store to begin with, and the books of those that a test asks for."""
    asked = {"ann", "bob"}.intersection(request.fixturenames)
    if not asked:
        return EMPTY, None
    ann = made_once(tmp_path_factory, ANNS, lambda folder: _make_ann(folder, server))
    if "bob" not in asked:
        return ANNS, ann
    return BOBS, made_once(tmp_path_factory, BOBS, lambda folder: _make_bob(folder, server, ann))


@pytest.fixture
def database(server: Server, books: tuple[str, Path | None]) -> Iterator[str]:
    """Return the name of a store's database; what a test's `ann` and `bob` gave is in it."""
    with server.copied(books[0]) as name:
        yield name


@pytest.fixture
def ann(address: str, books: tuple[str, Path], tmp_path: Path) -> Path:
    """The book `larch`, shared with the test's store."""
    return _told(copied(books[1], tmp_path) / "ann.db", address)


@pytest.fixture
def bob(address: str, ann: Path) -> Path:
    """The book of a bench that had nothing, and took from the store all that `ann` gave."""
    return _told(ann.with_name("bob.db"), address)


def _told(book: Path, address: str) -> Path:
    """Let a book know the store that it shares with by the test's own address."""
    with open_book(book) as db:
        db.execute("UPDATE shop SET address = ?", [address])
    return book


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
