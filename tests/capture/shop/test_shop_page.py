"""The page on setting a store up, run line by line on a server of this test's own, as it stands.

Only what is of the machine is put in: who `sudo` is, the server's port, its folder and its network.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from support import postgres
from support.shop_books import content

PAGE = Path(__file__).parents[3] / "capture" / "SHOP.md"
BLOCK = re.compile(r"(?:^ {4}.*\n)+", re.MULTILINE)
PASSWORD = "tremolo"


def lines_of(section: str) -> list[str]:
    """Return the commands of a section, those over several lines as one."""
    text = PAGE.read_text("utf-8").partition(f"\n## {section}\n")[2].partition("\n## ")[0]
    block = "".join(BLOCK.findall(text))
    joined = re.sub(r"(\\|\|)\n +", lambda found: f"{found[1].strip(chr(92))} ", block)
    return [line.strip() for line in joined.splitlines()]


@pytest.fixture
def own(tmp_path: Path) -> Iterator[postgres.Server]:
    server = postgres.start_another(Path(f"{os.environ[postgres.RUN]}-page"))
    try:
        (server.folder / "data" / "pg_hba.conf").write_text("local all all trust\n")
        server.control("restart", "-w")
        yield server
    finally:
        server.remove()


@pytest.fixture
def type_in(tmp_path: Path, own: postgres.Server) -> Callable[..., str]:
    """Return what runs a line of the page at a machine with a home of its own."""
    tools = tmp_path / "tools"
    tools.mkdir()
    drop = "" if os.geteuid() else "setpriv --reuid=postgres --regid=postgres --clear-groups "
    admin = f"PGHOST={own.folder} PGPORT={own.port} PGUSER=shop PGDATABASE=postgres"
    scripts = {
        "sudo": '[ "$1" = -u ] || exec "$@"\nshift 2\n'
        f'exec {drop}env -u PGHOSTADDR HOME={own.folder} {admin} "$@"\n',
        "systemctl": f'exec {drop}{postgres.program("pg_ctl")} -D {own.folder}/data -w -s "$1"'
        f" -l {own.folder}/log </dev/null >/dev/null 2>&1\n",
        "coilbench": f'exec {sys.executable} -c "import sys; from coilbench.analysis.cli import'
        ' run; sys.exit(run(sys.argv[1:]))" "$@"\n',
    }
    for name, script in scripts.items():
        (tools / name).write_text(f"#!/bin/sh\n{script}")
        (tools / name).chmod(0o755)
    own.folder.chmod(0o755)

    def run(line: str, home: str = "home", typed: str = "", status: int = 0) -> str:
        folder = tmp_path / home
        folder.mkdir(exist_ok=True)
        for told, here in (
            ("/var/lib/postgresql", str(own.folder)), ("192.168.1.0/24", "127.0.0.1/32"),
            ("'*'", "'localhost'"), (":5432:", f":{own.port}:"), ("THE-PASSWORD", PASSWORD),
        ):  # fmt: skip
            line = line.replace(told, here)
        environ = {
            **{name: os.environ[name] for name in ("PYTHONPATH", "LANG") if name in os.environ},
            "PATH": f"{tools}:{os.environ['PATH']}", "HOME": str(folder),
            "PGHOSTADDR": "127.0.0.1", "PGPORT": str(own.port),
            "COILBENCH_BOOK": str(folder / "book.db"),
        }  # fmt: skip
        done = subprocess.run(
            ["bash", "-c", line], cwd=folder, env=environ, input=typed, text=True, check=False,
            capture_output=True, start_new_session=True,
        )  # fmt: skip
        assert done.returncode == status, f"{line}\n{done.stdout}{done.stderr}"
        return done.stdout + done.stderr

    return run


def test_a_club_sets_its_store_up_from_the_page(
    tmp_path: Path, own: postgres.Server, larch: Path, type_in: Callable[..., str]
) -> None:
    """Certificate, roles, passwords, a bench, a reader, backup, putting back, a lost laptop."""
    home = tmp_path / "home"
    home.mkdir()
    shutil.copyfile(larch, home / "book.db")
    for line in lines_of("Make the store"):
        if line.startswith("coilbench share ADDRESS"):
            continue
        typed = f"{PASSWORD}\n{PASSWORD}\n" if "password" in line else ""
        type_in(line, typed=typed)
    hba = ""
    for line in lines_of("Let the benches reach it"):
        if line.startswith("HBA="):
            hba = f"{line}; "
            continue
        if line.startswith("psql"):
            visitor = f"shop.local:{own.port}:springs:visitor:{PASSWORD}\n"
            with (home / ".pgpass").open("a") as passwords:
                passwords.write(visitor)
        said = type_in(hba + line if "$HBA" in line else line)
    assert "ann" in said
    for line in lines_of("Backup"):
        if "< roles.sql" in line:  # this server has the roles already
            assert "already exists" in type_in(line)
        else:
            type_in(line)
    assert "nothing new" in type_in("coilbench share")
    new = "sudo -u postgres psql -c \"CREATE ROLE eve LOGIN IN ROLE coilbench_bench PASSWORD 'x'\""
    type_in(new)
    laptop = lines_of("A lost laptop")
    type_in(laptop[0])
    assert "may no longer log in" in type_in("coilbench share", status=2)
    type_in(laptop[1])
    assert "can't be reached" in type_in("coilbench share", status=2)
    other = tmp_path / "other"
    other.mkdir()
    shutil.copytree(home / ".postgresql", other / ".postgresql")
    (other / ".pgpass").write_text(f"shop.local:{own.port}:springs:eve:x\n")
    (other / ".pgpass").chmod(0o600)
    type_in("coilbench share postgresql://eve@shop.local/springs", home="other")
    assert content(other / "book.db") == content(larch)
    assert own.sql("springs", "SELECT DISTINCT added_by FROM coilbench.sweeps") == [("ann",)]
    _, out = lines_of("Taking out what somebody added")
    type_in(out.replace("'mal'", "'ann'"))
    assert own.sql("springs", "SELECT count(*) FROM coilbench.sets") == [(0,)]
    assert "given all that this book has" in " ".join(type_in("coilbench share", "other").split())
    assert own.sql("springs", "SELECT DISTINCT added_by FROM coilbench.sweeps") == [("eve",)]
