"""A server that can't be reached, or falls silent: what is said, and that it ends."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from coilbench.analysis.report.share_text import share_lines
from coilbench.analysis.report.units import SI
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.shop import line
from coilbench.capture.shop import store as store_module
from coilbench.capture.shop.line import lost, not_reached
from coilbench.capture.shop.sharing import share_book
from coilbench.capture.shop.store import Store
from support.shop_books import content, make_empty

# As PostgreSQL 15 and its library say them.
NOT_FOUND = 'could not translate host name "shop.local" to address: Name or service not known'
SAID = {
    "connection failed: fe_sendauth: no password supplied": ".pgpass",
    'FATAL: password authentication failed for user "ann"': ".pgpass",
    'FATAL: role "ann" does not exist': "no such role",
    'FATAL: database "spring" does not exist': "no such database",
    'FATAL: role "ann" is not permitted to log in': "ALTER ROLE",
    'root certificate file "/srv/.postgresql/root.crt" does not exist Either provide the file, '
    "use the system's trusted roots with sslrootcert=system, or change sslmode to disable server "
    "certificate verification": "~/.postgresql/root.crt",
    "SSL error: certificate verify failed": "Is the clock right?",
    'server certificate for "a" does not match host name "b"': "another name",
    'no pg_hba.conf entry for host "::1", user "ann", database "fir"': "lets no ann into fir",
    NOT_FOUND: "/etc/hosts",
    "connection to server failed: Connection refused": "running",
    "connection timeout expired": "in time",
}


@pytest.mark.parametrize("message", SAID)
def test_each_way_not_to_get_in_has_its_own_hint(message: str) -> None:
    told = not_reached(message)
    said = f"{told.what}; {told.hint}"
    assert "?." not in said
    assert SAID[message] in said
    assert "disable" not in said


def test_the_line_that_a_password_is_missing_in_is_said() -> None:
    no_password = next(iter(SAID))
    asked = {"host": "shop.local", "user": "ann", "dbname": "springs"}
    assert "shop.local:5432:springs:ann:PASSWORD" in str(not_reached(no_password, asked).hint)
    assert "SERVER:5432:DATABASE:ROLE:PASSWORD" in str(not_reached(no_password).hint)


def test_a_role_or_database_that_is_not_there_is_said_by_a_real_server(server, database) -> None:
    good = server.address(database)
    nowhere = good.replace(database, "no_such")
    with pytest.raises(CoilbenchError, match="no such database"):
        Store(nowhere)
    nobody = server.address(database, "nobody")
    with pytest.raises(CoilbenchError, match="no such role"):
        Store(nobody)


def test_two_machines_with_one_book_are_called_so() -> None:
    told = lost('duplicate key value violates unique constraint "pushes_pkey"', "added to")
    assert "copy of this book" in str(told)


def test_without_a_book_the_address_is_asked_for(tmp_path: Path) -> None:
    with pytest.raises(CoilbenchError) as refused:
        share_book(tmp_path / "none.db", None)
    assert "coilbench share postgresql://" in str(refused.value.hint)
    assert not (tmp_path / "none.db").exists()


@contextmanager
def listening() -> Iterator[socket.socket]:
    with closing(socket.create_server(("127.0.0.1", 0))) as door:
        yield door


def test_a_server_that_takes_a_call_and_never_speaks_ends_in_time() -> None:
    with listening() as door:
        port = door.getsockname()[1]
        with pytest.raises(CoilbenchError, match="did not answer in time"):
            Store(f"postgresql://ann@127.0.0.1:{port}/springs", wait_s=2)


def test_a_line_that_falls_silent_in_mid_share_is_hung_up(
    server, database, larch, monkeypatch, capfd
) -> None:
    monkeypatch.setattr(line, "_ANSWER_S", 1)
    silent = threading.Event()
    with relayed(server, silent) as folder:
        address = server.address(database).replace(str(server.folder), str(folder))
        assert str(folder) in address
        share_book(larch, address)
        before = content(larch)
        monkeypatch.setattr(Store, "heads", lambda self: silent.set() or self.query("SELECT 1"))
        with pytest.raises(CoilbenchError, match="no answer for 1 s"):
            share_book(larch, None)
    assert content(larch) == before
    assert capfd.readouterr().err == ""


@contextmanager
def relayed(server, silent: threading.Event) -> Iterator[Path]:
    """Stand between a bench and a server: what the server says is withheld once `silent` is set."""
    folder = server.folder / "relay"
    folder.mkdir(exist_ok=True)
    inner = next(server.folder.glob(".s.PGSQL.*[0-9]"))
    path = folder / inner.name
    path.unlink(missing_ok=True)
    door = socket.socket(socket.AF_UNIX)
    door.bind(str(path))
    door.listen()

    def carry(source: socket.socket, sink: socket.socket, *, back: bool) -> None:
        with source, suppress(OSError):
            while data := source.recv(65536):
                if not (back and silent.is_set()):
                    sink.sendall(data)
            sink.shutdown(socket.SHUT_RDWR)

    def serve() -> None:
        with suppress(OSError):
            while True:
                bench, _ = door.accept()
                there = socket.socket(socket.AF_UNIX)
                there.connect(str(inner))
                for ends in ((bench, there, False), (there, bench, True)):
                    carriers.append(
                        threading.Thread(target=carry, args=ends[:2], kwargs={"back": ends[2]})
                    )
                    carriers[-1].start()

    carriers: list[threading.Thread] = []
    serving = threading.Thread(target=serve)
    serving.start()
    try:
        yield folder
    finally:
        door.shutdown(socket.SHUT_RDWR)
        serving.join()
        door.close()
        for one in carriers:
            one.join()


def test_a_clock_that_is_off_is_said_and_one_that_is_days_off_refused(
    tmp_path, address, larch, monkeypatch
) -> None:
    def at(**off: float) -> None:
        now = (datetime.now(UTC) + timedelta(**off)).isoformat(timespec="milliseconds")
        monkeypatch.setattr(store_module, "utc_now", lambda: now)

    at(minutes=7)
    told = " ".join(share_lines(share_book(larch, address), SI))
    assert "clock is 7 minutes ahead of the server's" in told
    at(minutes=-7)
    assert "7 minutes behind" in " ".join(share_lines(share_book(larch, address), SI))
    at(seconds=20)
    assert "clock" not in " ".join(share_lines(share_book(larch, address), SI))
    fresh = make_empty(tmp_path / "fresh.db")
    before = content(fresh)
    for days in (3, -3):
        at(days=days)
        with pytest.raises(CoilbenchError, match="nothing was shared"):
            share_book(fresh, address)
    assert content(fresh) == before
