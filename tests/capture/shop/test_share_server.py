"""Whatever a server answers, or fails to, is an error in words; no capture waits for it."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import psycopg
import pytest

from coilbench.analysis.cli import run
from coilbench.capture.book.locks import hold_book
from coilbench.capture.book.soundness import check_book
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.shop import line, sharing
from coilbench.capture.shop.line import safe_address
from coilbench.capture.shop.sharing import share_book
from coilbench.capture.shop.store import Store
from support.shop_books import content, make_empty, press


def test_the_book_is_free_while_the_server_is_waited_for(
    tmp_path, larch, share, monkeypatch
) -> None:
    """A note, a capture and a dashboard go on, however long the server takes."""
    other, asked = make_empty(tmp_path / "bob.db"), []

    def free(path: Path) -> None:
        asked.append(path)
        with hold_book(path), closing(sqlite3.connect(path, timeout=0)) as plain:
            plain.execute("BEGIN IMMEDIATE")

    for path in (larch, other, larch, other):
        with monkeypatch.context() as patch:
            for name in ("raw", "execute", "add", "add_push", "again", "look"):
                real = getattr(Store, name)

                def watched(
                    *given: Any, _real: Any = real, _of: Path = path, **options: Any
                ) -> Any:
                    free(_of)
                    return _real(*given, **options)

                patch.setattr(Store, name, watched)
            share(path)
        press(path, "larch-01", 61 + len(asked))
    assert len(asked) > 100


def test_a_capture_that_begins_while_the_store_is_read_goes_on(
    tmp_path, ann, share, monkeypatch
) -> None:
    other = make_empty(tmp_path / "bob.db")
    real, held = sharing._holding, []

    @contextmanager
    def begun(path: Path) -> Iterator[None]:
        held.append(path)
        if len(held) < 3:  # the look at whether it is free, and the first to write
            with real(path):
                yield
        else:
            with hold_book(path), real(path):
                yield

    monkeypatch.setattr(sharing, "_holding", begun)
    done = share(other)
    assert done.waits
    assert done.pulled is not None
    assert content(other)["sets"] != []
    assert content(other)["sweeps"] == []
    monkeypatch.undo()
    assert not share(other).waits
    assert content(other) == content(ann)


SPOILT = {
    "empty": lambda rows: [tuple(None for _ in row) for row in rows],
    "numbers": lambda rows: [tuple(7 for _ in row) for row in rows],
    "bytes": lambda rows: [tuple(b"\xff" for _ in row) for row in rows],
    "short": lambda rows: [row[:-1] for row in rows],
    "twice": lambda rows: rows * 2,
    "none": lambda rows: [],
    "another": lambda rows: [tuple("x" if type(c) is str else c for c in row) for row in rows],
    "backwards": lambda rows: rows[::-1],
}


@pytest.mark.parametrize("how", SPOILT)
@pytest.mark.parametrize("path", ["gave", "takes"])
def test_an_answer_that_is_none_a_store_gives(
    tmp_path, ann, share, monkeypatch, how: str, path: str
) -> None:
    """To a bench that gave and one that takes; each answer in turn is spoilt in one of the ways."""
    press(ann, "larch-01", 62)
    book = ann if path == "gave" else make_empty(tmp_path / "fresh.db")
    real = Store.raw
    for number in range(1 + list(SPOILT).index(how), 60, len(SPOILT)):
        left = [number]

        def lie(self: Store, *given: Any, _left: list[int] = left) -> Any:
            rows = real(self, *given)
            _left[0] -= 1
            return SPOILT[how](rows) if _left[0] == 0 else rows

        monkeypatch.setattr(Store, "raw", lie)
        with contextlib.suppress(CoilbenchError):
            share(book)
        assert check_book(book).findings == []
        if left[0] > 0:
            break


def lost(*_: Any, **__: Any) -> Any:
    raise psycopg.OperationalError("server closed the connection unexpectedly")


@pytest.mark.parametrize("at", range(1, 40, 3))
def test_a_connection_that_is_lost_at_whatever_point_is_an_error_in_words(
    tmp_path, address, ann, monkeypatch, at: int
) -> None:
    """With no book yet, and with answers."""
    left, real = [at], psycopg.Connection.execute

    def cut(self: Any, *given: Any, **options: Any) -> Any:
        left[0] -= 1
        return lost() if left[0] == 0 else real(self, *given, **options)

    monkeypatch.setattr(psycopg.Connection, "execute", cut)
    for path in (tmp_path / "new.db", ann):
        left[0] = at
        assert run(["--book", str(path), "share", address, "--answers"]) in (0, 2)


def test_init_while_the_schema_is_locked(server, database, address, capsys, monkeypatch) -> None:
    monkeypatch.setattr(line, "_OPTIONS", "-c search_path=pg_catalog -c lock_timeout=50")
    with psycopg.connect(server.address(database)) as other:
        other.execute("LOCK TABLE coilbench.pushes")
        assert run(["share", address, "--init"]) == 2
    assert "is adding to the store and does not end" in capsys.readouterr().err


def test_who_holds_the_next_push_open_is_no_loss(
    server, database, address, larch, monkeypatch
) -> None:
    share_book(larch, address)
    press(larch, "larch-01", 63)
    monkeypatch.setattr(line, "_OPTIONS", "-c search_path=pg_catalog -c lock_timeout=50")
    with psycopg.connect(server.address(database, "bob")) as other:
        other.execute(
            "INSERT INTO coilbench.pushes (bench, push, uuid, version, pushed_utc, manifest)"
            " SELECT bench, max(push) + 1, 'mine', 'v', 't', '' FROM coilbench.pushes GROUP BY 1"
        )
        with pytest.raises(CoilbenchError, match="is adding to the store and does not end"):
            share_book(larch, address)
    assert share_book(larch, address).pushed.rows == {"sweeps": 1}


def test_a_store_of_two_ids_is_none(server, database, address, larch) -> None:
    server.sql(database, "INSERT INTO coilbench.store (id) VALUES ('another')")
    with pytest.raises(CoilbenchError, match="a store of several ids"):
        share_book(larch, address)


@pytest.mark.parametrize("encoding", ["LATIN1", "SQL_ASCII"])
def test_a_database_that_keeps_not_every_text_is_refused(
    tmp_path, server, database, larch, capsys, encoding: str
) -> None:
    other = f"{database}_other"
    server.sql(
        "postgres", f"CREATE DATABASE {other} ENCODING '{encoding}' LOCALE 'C' TEMPLATE template0"
    )
    for book, *options in ((larch,), (tmp_path / "new.db",), (larch, "--init")):
        assert run(["--book", str(book), "share", server.address(other), *options]) == 2
        said = capsys.readouterr().err
        assert f"keeps text as {encoding}" in said
        assert "createdb -E UTF8" in said
    server.sql("postgres", f"DROP DATABASE {other}")


def test_an_address_has_only_what_may_be_kept(server, database) -> None:
    """Whatever libpq knows beside it is refused, secrets of later versions among it."""
    good = {
        "host",
        "port",
        "user",
        "dbname",
        "sslrootcert",
        "sslmode",
        "service",
        "connect_timeout",
    }
    known = {one.keyword.decode() for one in psycopg.pq.Conninfo.get_defaults()}
    assert good <= known
    refused, told = set(), []
    for name in known - {"dbname", "sslmode"}:
        try:
            safe_address(f"host=x {name}=tremolo")
        except CoilbenchError as error:
            refused.add(name)
            told.append(str(error))
    assert not any("tremolo" in one for one in told)
    assert {one for one in known if "key" in one or "secret" in one or "password" in one} <= {
        *refused, "sslkey", "keepalives",
    } | {one for one in known if one.startswith("keepalives")}  # fmt: skip
    assert not refused & good
    assert "options" in refused


@pytest.mark.parametrize("address", ["", " "])
def test_an_address_of_nothing_is_none(address: str) -> None:
    with pytest.raises(CoilbenchError, match="no address of a PostgreSQL server"):
        safe_address(address)
