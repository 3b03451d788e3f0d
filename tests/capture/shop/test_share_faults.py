"""Whatever is cut off or goes on at once: after it a fresh bench has all, to the last digit."""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import psycopg
import pytest

from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import SetPlan, find_set, new_set
from coilbench.capture.book.sweeps import StrokeRow
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.shop import bringing, pulling, pushing
from coilbench.capture.shop.sharing import share_book
from coilbench.capture.shop.store import Store
from support import postgres
from support.shop_books import content, make_empty, press

STEPS: list[tuple[Any, str]] = [
    (Store, "add_push"),
    (Store, "add"),
    (Store, "add_words"),
    (psycopg.Connection, "commit"),
    (pushing, "_announce"),
    (pushing, "_count"),
    (pushing, "no_longer_news"),
    (bringing, "_put"),
    (bringing, "merge_attached"),
    (bringing, "_forget_news"),
    (pulling, "keep_seen"),
]


class Killed(BaseException):
    """Nothing in the program catches it, as nothing catches a kill."""


@contextmanager
def killed_at(step: int, *, after: bool) -> Iterator[Callable[[], bool]]:
    """Kill the program at a step of those above, counted together, before or after it."""
    left = [step]

    def cut(real: Callable[..., Any]) -> Callable[..., Any]:
        def called(*arguments: Any, **options: Any) -> Any:
            left[0] -= 1
            here = left[0] == 0
            if here and not after:
                raise Killed
            result = real(*arguments, **options)
            if here:
                raise Killed
            return result

        return called

    with pytest.MonkeyPatch.context() as patch:
        for place, name in STEPS:
            patch.setattr(place, name, cut(getattr(place, name)))
        yield lambda: left[0] <= 0


def kill_at_each_step(act: Callable[[], object]) -> int:
    """Begin again after each kill, until it comes through; returns how often it was killed."""
    kills = 0
    for step in range(1, 200):
        with killed_at(1 + step // 2, after=bool(step % 2)) as reached:
            try:
                act()
            except Killed:
                kills += 1
            else:
                assert not reached()
                return kills
    raise AssertionError("it never came through")


def test_a_bench_killed_at_each_step_of_a_push_and_of_a_pull(
    tmp_path, larch, share, third, monkeypatch
) -> None:
    monkeypatch.setattr(pushing, "CHUNK", 3)
    monkeypatch.setattr(pulling, "CHUNK", 3)
    assert kill_at_each_step(lambda: share(larch)) > 20
    other = make_empty(tmp_path / "bob.db")
    assert kill_at_each_step(lambda: share(other)) > 10
    press(other, "larch-02", 9)
    assert kill_at_each_step(lambda: share(other)) > 5
    share(larch)
    assert content(larch) == content(other)
    third(larch)


def test_a_bench_killed_outright(larch, address, share, third) -> None:
    """SIGKILL, once all of a push is sent, before its commit."""
    script = (
        "import os, signal, sys, psycopg; from pathlib import Path;"
        "from coilbench.capture.shop.sharing import share_book;"
        "real = psycopg.Connection.commit; left = [4];\n"
        "def commit(self):\n"
        "    left[0] -= 1\n"
        "    os.kill(os.getpid(), signal.SIGKILL) if left[0] == 0 else real(self)\n"
        "psycopg.Connection.commit = commit\n"
        "share_book(Path(sys.argv[1]), sys.argv[2])"
    )
    done = subprocess.run([sys.executable, "-c", script, str(larch), address], check=False)
    assert done.returncode == -signal.SIGKILL
    share(larch)
    third(larch)


@pytest.mark.parametrize("at", range(1, 5))
def test_a_lost_answer_to_a_commit_settles(larch, share, third, monkeypatch, at: int) -> None:
    real, left = psycopg.Connection.commit, [at + 1]

    def lost(self: Any) -> None:
        real(self)
        left[0] -= 1
        if left[0] == 0:
            self.close()
            raise psycopg.OperationalError("server closed the connection unexpectedly")

    with monkeypatch.context() as patch:
        patch.setattr(psycopg.Connection, "commit", lost)
        with contextlib.suppress(CoilbenchError):  # where the answer to a reading was lost
            share(larch)
    assert share(larch).news == ()
    with open_book(larch) as db:
        assert db.execute("SELECT count(*) FROM shop_news").fetchone() == (0,)
    third(larch)


@pytest.mark.parametrize("at", [1, 4, 8])
def test_a_connection_that_is_cut_in_mid_push(
    server, database, larch, share, third, monkeypatch, at: int
) -> None:
    real, left = Store.add, [at]

    def cut(self: Any, table: str, rows: Any) -> None:
        left[0] -= 1
        if left[0] == 0:
            server.sql(
                "postgres",
                "SELECT pg_terminate_backend(pid) FROM pg_stat_activity"
                f" WHERE datname = '{database}' AND application_name = 'coilbench share'",
            )
        real(self, table, rows)

    monkeypatch.setattr(Store, "add", cut)
    share(larch)  # connects again by itself
    third(larch)


def test_a_server_that_is_killed_in_mid_push(tmp_path, larch, answers, monkeypatch) -> None:
    """A server of this test's own, killed with SIGKILL; the system keeps what it had written."""
    own = postgres.start_another(Path(f"{os.environ[postgres.RUN]}-killed"))
    try:
        own.sql("postgres", "CREATE DATABASE shop")
        address = own.address("shop")
        store = Store(address)
        store.init()
        store.close()
        real, left = Store.add_words, [2]

        def kill(self: Any, *arguments: Any) -> None:
            left[0] -= 1
            if left[0] == 0:
                own.kill()
            real(self, *arguments)

        with monkeypatch.context() as patch:
            patch.setattr(Store, "add_words", kill)
            with pytest.raises(CoilbenchError, match=r"reached|lost"):
                share_book(larch, address)
        own.start()
        share_book(larch, address)
        fresh = make_empty(tmp_path / "third.db")
        share_book(fresh, address)
        assert content(fresh) == content(larch)
        assert answers(fresh) == answers(larch)
    finally:
        own.remove()


def test_two_benches_at_once_on_the_same_sets(ann, bob, share, third) -> None:
    for number in range(3):
        press(ann, "larch-01", 10 + number)
        press(bob, "larch-01", 20 + number)
        for path, word in ((ann, "use"), (bob, "leave")):
            with open_book(path) as db:
                record = find_set(db, "larch")
                StrokeRow.keep_rulings(db, record, [("larch-02", 1, word)])
        failed: list[BaseException] = []

        def at_once(path: Path, failed: list[BaseException] = failed) -> None:
            try:
                share(path)
            except BaseException as error:
                failed.append(error)

        threads = [threading.Thread(target=at_once, args=(path,)) for path in (ann, bob)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert failed == []
    share(ann)
    share(bob)
    assert content(ann) == content(bob)
    third(ann)


def test_what_changes_while_it_is_being_sent_stays_news(larch, share, third, monkeypatch) -> None:
    real = Store.add_words

    def meanwhile(self: Any, items: Any, *arguments: Any) -> None:
        real(self, items, *arguments)
        if items and items[0].kind.table == "sweeps":
            monkeypatch.setattr(Store, "add_words", real)
            with open_book(larch) as db:
                record = find_set(db, "larch")
                StrokeRow.keep_rulings(db, record, [("larch-02", 1, "leave")])

    monkeypatch.setattr(Store, "add_words", meanwhile)
    share(larch)
    assert share(larch).pushed.rows == {"sweeps": 1}
    third(larch)


def test_a_copied_book_goes_on_as_a_bench_of_its_own(tmp_path, ann, share, third) -> None:
    copy = Path(shutil.copyfile(ann, tmp_path / "copy.db"))
    press(ann, "larch-01", 31)
    press(copy, "larch-02", 32)
    assert share(ann).news == ()
    assert share(copy).news == ("copied_book",)
    assert share(copy).news == ()
    share(ann)
    assert content(ann) == content(copy)
    third(ann)


def test_a_set_that_two_benches_call_alike_stays_two_in_every_book(tmp_path, share) -> None:
    """The second of two sets of one name is not lost, nor its springs."""
    books = [make_empty(tmp_path / name) for name in ("ann.db", "bob.db")]
    for path in books:
        with open_book(path) as db:
            new_set(db, SetPlan("larch", "outer", ("larch-01", "larch-02")))
    for path in (*books, *books):
        share(path)
    fresh = make_empty(tmp_path / "third.db")
    share(fresh)
    assert content(books[0]) == content(books[1]) == content(fresh)
    with open_book(fresh) as db:
        assert db.execute("SELECT count(*), count(DISTINCT name) FROM sets").fetchone() == (2, 2)
        assert db.execute("SELECT count(*) FROM springs").fetchone() == (4,)
