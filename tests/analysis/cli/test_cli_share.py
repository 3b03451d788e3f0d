"""`coilbench share`: what it says of both ways, as lines and as JSON; the administrator's SQL."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from coilbench.analysis.cli import daemon, run
from coilbench.capture.running.commands import Snapshot
from support.postgres import Server, database, server
from support.shared import made_once
from support.shop_books import make_empty, make_larch, press

__all__ = ["database", "server"]


def told(capsys: pytest.CaptureFixture[str], *arguments: str, status: int = 0) -> str:
    capsys.readouterr()
    assert run(list(arguments)) == status
    out, err = capsys.readouterr()
    return err if status else out


@pytest.fixture
def larch(tmp_path_factory: pytest.TempPathFactory, tmp_path: Path) -> Path:
    made = made_once(tmp_path_factory, "larch", lambda folder: make_larch(folder / "bench.db"))
    return Path(shutil.copyfile(made / "bench.db", tmp_path / "ann.db"))


def test_a_bench_is_told_how_much_went_each_way(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    server: Server,
    database: str,
    larch: Path,
) -> None:
    address = server.address(database)
    words = told(capsys, "--book", str(larch), "share", address)
    assert "for the first time" in words
    assert "To the store: 1 set, 7 strokes, 2 calibrated parts, 1 calibration, 1 scale." in words
    other = make_empty(tmp_path / "bob.db")
    words = told(capsys, "--book", str(other), "share", address, "--push")
    assert "From the store" not in words
    assert "To the store: nothing new." in words
    document = json.loads(told(capsys, "--book", str(other), "share", "--pull", "--json"))
    assert document["pushed"] is None
    assert document["pulled"]["rows"]["sweeps"] == 7
    assert document["address"] == address
    assert "From the store: nothing new." in told(capsys, "--book", str(other), "share")


@pytest.mark.parametrize("lost", [("pushes", "sweeps"), ("sweeps",)])
def test_what_is_not_given_is_not_said_to_be(
    capsys: pytest.CaptureFixture[str],
    server: Server,
    database: str,
    larch: Path,
    lost: tuple[str, ...],
) -> None:
    told(capsys, "--book", str(larch), "share", server.address(database))
    gone = [f"DELETE FROM coilbench.{table}" for table in lost]
    server.sql(database, "SET session_replication_role = replica", *gone)
    capsys.readouterr()
    run(["--book", str(larch), "share", "--pull"])
    words = capsys.readouterr().out
    assert "lack" in words
    assert "is given by coilbench share without --pull" in words
    assert "To the store" not in words
    run(["--book", str(larch), "share"])
    words = capsys.readouterr().out
    assert "7 strokes" in words
    assert "without --pull" not in words


def test_an_administrator_can_read_the_sql_and_run_it(
    capsys: pytest.CaptureFixture[str], server: Server, database: str, larch: Path
) -> None:
    sql = told(capsys, "share", "--init", "--sql")
    assert "DELETE" not in sql
    assert "UPDATE" not in sql
    server.sql(database, "DROP SCHEMA coilbench CASCADE", sql)
    words = told(capsys, "--book", str(larch), "share", server.address(database, "ann"))
    assert "7 strokes" in words
    again = ("share", server.address(database), "--init")
    assert "The store was there" in told(capsys, *again)
    server.sql(database, "DROP SCHEMA coilbench CASCADE")
    assert "The store is made" in told(capsys, *again)


def test_what_can_not_be_is_a_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], server: Server, larch: Path
) -> None:
    book = ("--book", str(larch))
    assert "not shared with a store yet" in told(capsys, *book, "share", status=2)
    assert "--init needs the address" in told(capsys, *book, "share", "--init", status=2)
    assert "goes with --init" in told(capsys, *book, "share", "--sql", status=2)
    nowhere = told(capsys, *book, "share", f"host={tmp_path} dbname=x", status=2)
    assert "can't be reached" in nowhere
    assert "The book is as it was" in nowhere
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(__import__("sys").modules, "psycopg", None)
        assert "pip install" in told(capsys, *book, "share", "host=x", status=2)


@pytest.mark.parametrize("done", [3, 2])
def test_the_daemon_gives_what_a_finished_set_has_and_takes_nothing(
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    server: Server,
    database: str,
    larch: Path,
    done: int,
) -> None:
    """Without a store it ends as well; a set that is not finished is not given."""
    ended = Snapshot("larch", "virtual:", springs=3, springs_done=done)
    monkeypatch.setattr(daemon, "run_daemon", lambda *_: ended)
    command = ("--book", str(larch), "daemon", "--port", "virtual:", "--set", "larch", "--share")
    words = told(capsys, *command)
    assert f"{done} of 3 springs done" in words
    assert ("not shared with a store yet" in words) == (done == 3)
    told(capsys, "--book", str(larch), "share", server.address(database))
    press(larch, "larch-01", 81)
    words = told(capsys, *command)
    assert ("To the store: 1 stroke." in words) == (done == 3)
    assert "From the store" not in words
    server.sql("postgres", f"ALTER DATABASE {database} RENAME TO {database}_gone")
    words = told(capsys, *command)
    assert ("! Not shared" in words) == (done == 3)
    server.sql("postgres", f"ALTER DATABASE {database}_gone RENAME TO {database}")
