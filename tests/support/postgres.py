"""A PostgreSQL server of the tests' own: one for a whole run, a database for each test.

Debian's postgresql, in a folder that goes with the run, on a socket there and by TLS on localhost.
"""

from __future__ import annotations

import contextlib
import importlib.util
import os
import pwd
import shutil
import signal
import socket
import subprocess
import time
import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec
import pytest
from filelock import FileLock

from support.tools import missing, tool

EMPTY = "empty_store"
RUN = "COILBENCH_TEST_SERVER"  # where this run's server is, for all of its workers
_QUICK = """
fsync = off
full_page_writes = off
wal_level = minimal
max_wal_senders = 0
autovacuum = off
max_connections = 60
shared_buffers = 16MB
"""
_CONF = """
ssl = on
listen_addresses = 'localhost'
"""
_HBA = """
local all all trust
hostssl all locked 127.0.0.1/32 scram-sha-256
hostssl all all 127.0.0.1/32 trust
"""


class Server(msgspec.Struct, frozen=True):
    """Where the run's server is; `pid` is its process."""

    folder: Path
    port: int

    @property
    def certificate(self) -> Path:
        return self.folder / "server.crt"

    @property
    def pid(self) -> int:
        return int((self.folder / "data" / "postmaster.pid").read_text().split()[0])

    def address(self, database: str, user: str = "shop") -> str:
        """Return the address by the socket."""
        return f"host={self.folder} port={self.port} user={user} dbname={database}"

    def tls_address(self, database: str, user: str = "shop") -> str:
        """Return the address by TLS, with the server's own certificate trusted."""
        of = f"{user}@localhost:{self.port}/{database}"
        return f"postgresql://{of}?sslrootcert={self.certificate}"

    def sql(self, database: str, *statements: str, user: str = "shop") -> list[tuple[Any, ...]]:
        """Run statements past the program; returns the last one's rows."""
        import psycopg

        with psycopg.connect(self.address(database, user), autocommit=True) as connection:
            cursor = None
            for statement in statements:
                cursor = connection.execute(statement)
            return cursor.fetchall() if cursor is not None and cursor.description else []

    def copy(self, database: str, name: str) -> None:
        """Copy a database file by file, which costs a third of the usual way."""
        self.sql("postgres", f"CREATE DATABASE {name} TEMPLATE {database} STRATEGY = FILE_COPY")

    @contextlib.contextmanager
    def copied(self, database: str) -> Iterator[str]:
        """Give the name of a copy of a database, which is dropped afterwards."""
        name = f"shop_{uuid.uuid4().hex[:12]}"
        self.copy(database, name)
        yield name
        self.sql("postgres", f"DROP DATABASE IF EXISTS {name} WITH (FORCE)")

    def kill(self) -> None:
        """Kill it and all that serves for it; returns once it is gone."""
        pid = self.pid
        os.kill(pid, signal.SIGKILL)
        while Path(f"/proc/{pid}").exists() and _state(pid) != "Z":
            time.sleep(0.01)

    def start(self) -> None:
        """Start it again, once what served for the one that was killed has gone, too."""
        until_s = time.monotonic() + 20.0
        while True:
            try:
                self.control("start", "-w")
            except subprocess.CalledProcessError:
                if time.monotonic() > until_s:
                    raise
                time.sleep(0.1)
            else:
                return

    def remove(self) -> None:
        """Stop it, and leave nothing."""
        with contextlib.suppress(subprocess.CalledProcessError):
            self.control("stop", "-m", "immediate")
        shutil.rmtree(self.folder, ignore_errors=True)

    def control(self, *arguments: str) -> None:
        """Run pg_ctl on it."""
        command = [program("pg_ctl"), "-D", str(self.folder / "data"), *arguments]
        log = self.folder / "log"
        _as_its_user([*command, "-l", str(log), "-s"], self.folder)


def begin_run(within: Path = Path("/tmp")) -> None:
    """Name the folder of this run's server, before workers begin; a socket's path is short."""
    os.environ[RUN] = str(within / f"coilbench-pg-{uuid.uuid4().hex[:8]}")


def end_run() -> None:
    """Stop this run's server, if a test started one."""
    folder = Path(os.environ[RUN])
    if (folder / "data" / "postmaster.pid").exists():
        with contextlib.suppress(subprocess.CalledProcessError):
            Server(folder, 0).control("stop", "-m", "immediate")
    shutil.rmtree(folder, ignore_errors=True)
    Path(f"{folder}.lock").unlink(missing_ok=True)


def _state(pid: int) -> str:
    with contextlib.suppress(OSError):
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    return "Z"


def program(name: str) -> str:
    places = sorted(Path("/usr/lib/postgresql").glob(f"*/bin/{name}"))
    return str(places[-1]) if places else tool(name, package="postgresql")


def _user() -> str | None:
    """Return who runs the server where this process is root's: PostgreSQL refuses root."""
    if os.geteuid() != 0:
        return None
    names = {one.pw_name for one in pwd.getpwall()}
    return "postgres" if "postgres" in names else "nobody"


def _as_its_user(command: list[str], folder: Path) -> None:
    user = _user()
    group = None if user is None else pwd.getpwnam(user).pw_gid
    subprocess.run(
        command, check=True, cwd=folder, user=user, group=group, stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, env={"PATH": os.environ["PATH"]},
    )  # fmt: skip


def _start(folder: Path, quick: str = _QUICK) -> None:
    folder.mkdir(mode=0o755)
    if (user := _user()) is not None:
        shutil.chown(folder, user, pwd.getpwnam(user).pw_gid)
    make = [tool("openssl"), "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256"]
    make += [
        "-nodes",
        "-days",
        "2",
        "-subj",
        "/CN=localhost",
        "-addext",
        "subjectAltName=DNS:localhost",
    ]
    _as_its_user([*make, "-keyout", "server.key", "-out", "server.crt"], folder)
    data = folder / "data"
    options = ["-D", str(data), "-U", "shop", "-A", "trust", "-E", "UTF8", "--locale=C", "-N"]
    _as_its_user([program("initdb"), *options], folder)
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    places = f"port = {port}\nunix_socket_directories = '{folder}'\n"
    keys = f"ssl_cert_file = '{folder}/server.crt'\nssl_key_file = '{folder}/server.key'\n"
    (data / "postgresql.conf").write_text(quick + _CONF + places + keys)
    (data / "pg_hba.conf").write_text(_HBA)
    (folder / "port").write_text(str(port))
    Server(folder, port).control("start", "-w")


def running_server() -> Server:
    """Return this run's server; the first test that asks for it starts it."""
    if importlib.util.find_spec("psycopg") is None:
        missing("psycopg (pip install '.[shop]')")
    program("initdb")
    folder = Path(os.environ[RUN])
    with FileLock(f"{folder}.lock"):
        if not (folder / "made").exists():
            shutil.rmtree(folder, ignore_errors=True)
            _start(folder)
            _make_template(Server(folder, int((folder / "port").read_text())))
            (folder / "made").touch()
    return Server(folder, int((folder / "port").read_text()))


def start_another(folder: Path) -> Server:
    """Start a server that a test may kill."""
    running_server()  # skips where there is none
    _start(folder)
    return Server(folder, int((folder / "port").read_text()))


def start_durable(folder: Path) -> Server:
    """Start a server with its own settings, for what is measured."""
    _start(folder, quick="")
    return Server(folder, int((folder / "port").read_text()))


def _make_template(server: Server) -> None:
    from coilbench.capture.shop.store import Store

    server.sql("postgres", f"CREATE DATABASE {EMPTY}")
    store = Store(server.address(EMPTY))
    store.init()
    store.close()
    roles = [f"CREATE ROLE {name} LOGIN IN ROLE coilbench_bench" for name in ("ann", "bob")]
    server.sql("postgres", *roles, "CREATE ROLE locked LOGIN PASSWORD 'tremolo'")


@pytest.fixture(scope="session")
def server() -> Server:
    return running_server()


@pytest.fixture
def database(server: Server) -> Iterator[str]:
    """Return the name of a database with an empty store in it."""
    with server.copied(EMPTY) as name:
        yield name
