"""How long sharing takes, beside a merge and beside `\\copy` of the same bytes.

    python tests/bench/bench_share.py [--springs 1000 10000] [--folder /tmp] [--from-copy]

Books of many springs, three strokes each, made from the demo's (fixed seed). For each: the first
share into an empty store, the first pull into an empty book, a merge into an empty book, psql's
`\\copy` of the store's rows out and into tables like them; then a set of 12 springs pushed by one
bench and pulled by another, and merged from a stick. Wall clock and this process's CPU, once each;
the server is Debian's, started here with its own settings (fsync on) in the folder. With
--from-copy the second bench begins with a copy of the first one's book, for sizes at which pulling
and merging all of it takes too long: sharing of 12 springs is all that is measured then.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

from shop_books import demo, fill

sys.path.insert(0, str(Path(__file__).parents[1]))
from coilbench.capture.book.merging import merge_books
from coilbench.capture.book.opening import open_book
from coilbench.capture.shop import shape
from coilbench.capture.shop.sharing import share_book
from coilbench.capture.shop.store import Store
from support import postgres


def timed(what: str, act: Callable[[], object]) -> float:
    wall_s, cpu_s = time.perf_counter(), time.process_time()
    act()
    wall_s, cpu_s = time.perf_counter() - wall_s, time.process_time() - cpu_s
    print(f"  {what:<44}{wall_s:9.2f} s wall{cpu_s:9.2f} s CPU", flush=True)
    return wall_s


def empty(path: Path) -> Path:
    with open_book(path, create=True):
        return path


def copied(server: postgres.Server, folder: Path) -> None:
    """Copy every table's rows out and into a table like it, with its keys."""
    psql = ["psql", "-q", "-X", "-v", "ON_ERROR_STOP=1", "-d", server.address("shop"), "-c"]
    for table in shape.tables(shape.kinds()):
        file = folder / f"{table}.copy"
        like = f"CREATE TABLE copied.{table} (LIKE coilbench.{table} INCLUDING ALL)"
        for command in (
            f"\\copy coilbench.{table} TO '{file}' (FORMAT binary)",
            like,
            f"\\copy copied.{table} FROM '{file}' (FORMAT binary)",
        ):
            begun_s = time.perf_counter()
            subprocess.run([*psql, command], check=True)
            if " FROM " in command:
                copied.into_s += time.perf_counter() - begun_s  # type: ignore[attr-defined]
        file.unlink()


def new_store(server: postgres.Server) -> str:
    server.sql("postgres", "DROP DATABASE IF EXISTS shop WITH (FORCE)", "CREATE DATABASE shop")
    store = Store(server.address("shop"))
    store.init()
    store.close()
    return server.address("shop")


def measure(
    server: postgres.Server, template: Path, folder: Path, springs: int, *, from_copy: bool
) -> None:
    book, other = folder / "ann.db", folder / "bob.db"
    fill(template, book, springs)
    if from_copy:
        shutil.copy(book, other)
    address = new_store(server)
    print(f"{springs} springs, book {book.stat().st_size / 1e6:.0f} MB:")
    share_s = timed("first share, all pushed", lambda: share_book(book, address))
    ((size,),) = server.sql("shop", "SELECT pg_database_size('shop')")
    print(f"  store {size / 1e6:.0f} MB")
    if from_copy:
        timed("first share of the copy", lambda: share_book(other, address))
        new_springs(template, folder, address)
        return
    empty(other)
    pull_s = timed("first share of an empty book, all pulled", lambda: share_book(other, address))
    merged = empty(folder / "merged.db")
    merge_s = timed("merge into an empty book", lambda: merge_books(merged, [book]))
    server.sql("shop", "CREATE SCHEMA copied")
    copied.into_s = 0.0  # type: ignore[attr-defined]
    copied(server, folder)
    copy_s: float = copied.into_s  # type: ignore[attr-defined]
    print(f"  {'psql copy of the same rows into like tables':<44}{copy_s:9.2f} s wall")
    print(f"  share / merge {share_s / merge_s:.2f}, pull / merge {pull_s / merge_s:.2f}, ", end="")
    print(f"share / copy {share_s / copy_s:.1f}")
    new_springs(template, folder, address, merged)


def new_springs(template: Path, folder: Path, address: str, merged: Path | None = None) -> None:
    """Push and pull sets of 12 springs, and merge them from a stick into a book."""
    book, other = folder / "ann.db", folder / "bob.db"
    timed("share with nothing new", lambda: share_book(book, address))
    for number in range(3):
        stick = empty(folder / "stick.db")
        fill(template, stick if merged else book, 12, f"new{number}-")
        if merged:
            merge_books(book, [stick])
        timed("push of 12 new springs", lambda: share_book(book, address, pull=False))
        timed("pull of them", lambda: share_book(other, address, push=False))
        if merged:
            timed("merge of them from a stick", partial(merge_books, merged, [stick]))
        for left in (stick, *folder.glob("*.before-*")):
            left.unlink()


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--springs", type=int, nargs="*", default=[1000, 10000])
    parser.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()))
    parser.add_argument("--from-copy", action="store_true")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=given.folder) as name:
        folder = Path(name)
        folder.chmod(0o755)
        postgres.begin_run()
        server = postgres.start_durable(folder / "server")
        try:
            template = demo(folder / "demo.db")
            for springs in given.springs:
                (folder / str(springs)).mkdir()
                measure(server, template, folder / str(springs), springs, from_copy=given.from_copy)
                shutil.rmtree(folder / str(springs))
        finally:
            server.remove()
            os.environ.pop(postgres.RUN)


if __name__ == "__main__":
    main()
