"""Whatever is cut off, lost or put back: after it a fresh bench has all, to the last digit."""

from __future__ import annotations

import contextlib
import os
import re
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

from coilbench.analysis.cli import run
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import SetPlan, find_set, new_set
from coilbench.capture.book.soundness import check_book
from coilbench.capture.book.sweeps import StrokeRow
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.shop import bringing, looking_back, pulling, pushing, sharing
from coilbench.capture.shop.line import TryAgain
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


def test_two_benches_at_once_on_the_same_sets(tmp_path, larch, share, third) -> None:
    share(larch)
    other = make_empty(tmp_path / "bob.db")
    share(other)
    for number in range(3):
        press(larch, "larch-01", 10 + number)
        press(other, "larch-01", 20 + number)
        for path, word in ((larch, "use"), (other, "leave")):
            with open_book(path) as db:
                record = find_set(db, "larch")
                StrokeRow.keep_rulings(db, record, [("larch-02", 1, word)])
        failed: list[BaseException] = []

        def at_once(path: Path, failed: list[BaseException] = failed) -> None:
            try:
                share(path)
            except BaseException as error:
                failed.append(error)

        threads = [threading.Thread(target=at_once, args=(path,)) for path in (larch, other)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert failed == []
    share(larch)
    share(other)
    assert content(larch) == content(other)
    third(larch)


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


def test_a_copied_book_goes_on_as_a_bench_of_its_own(tmp_path, larch, share, third) -> None:
    share(larch)
    copy = Path(shutil.copyfile(larch, tmp_path / "copy.db"))
    press(larch, "larch-01", 31)
    press(copy, "larch-02", 32)
    assert share(larch).news == ()
    assert share(copy).news == ("copied_book",)
    assert share(copy).news == ()
    share(larch)
    assert content(larch) == content(copy)
    third(larch)


def test_an_older_store_that_is_put_back_is_given_all_again(
    tmp_path, server, database, larch, share, third
) -> None:
    share(larch)
    server.sql("postgres", f"CREATE DATABASE {database}_old TEMPLATE {database}")
    other = make_empty(tmp_path / "bob.db")
    share(other)
    press(other, "larch-02", 41)
    share(other)
    press(larch, "larch-01", 42)
    share(larch)
    server.sql(
        "postgres",
        f"DROP DATABASE {database} WITH (FORCE)",
        f"ALTER DATABASE {database}_old RENAME TO {database}",
    )
    press(other, "larch-03", 43)
    assert share(other).news == ("older_store",)
    assert share(larch).news == ("older_store",)
    share(other)
    assert content(larch) == content(other)
    third(larch)


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


LOST = {
    "strokes": ("DELETE FROM coilbench.sweeps_words WHERE id = '{0}'",
                "DELETE FROM coilbench.sweeps WHERE id = '{0}'"),
    "rulings": ("DELETE FROM coilbench.sweeps_words",),
    "labels": ("DELETE FROM coilbench.set_labels WHERE label = 'larch-02'",),
    "points": ("DELETE FROM coilbench.scale_points WHERE point = 2",),
    "a calibration": ("SET session_replication_role = replica",
                      "DELETE FROM coilbench.calibrations"),
    "a push": ("DELETE FROM coilbench.sweeps_words", "DELETE FROM coilbench.sweeps",
               "DELETE FROM coilbench.pushes WHERE push = 5"),
}  # fmt: skip


@pytest.mark.parametrize("what", LOST)
def test_what_the_store_no_longer_has_is_noticed_and_given_again(
    tmp_path, server, database, larch, share, third, what: str
) -> None:
    """By the bench that gave it, by one that took it, and by one that never had it."""
    share(larch)
    other = make_empty(tmp_path / "bob.db")
    share(other)
    press(larch, "larch-01", 91)
    share(larch)
    share(other)
    ((sweep_id,),) = server.sql(
        database, "SELECT min(id) FROM coilbench.sweeps WHERE push = 5 AND origin <> 'keyed'"
    )
    lose = [statement.format(sweep_id) for statement in LOST[what]]
    for book in (larch, other):
        server.sql(database, *lose)
        fresh = make_empty(tmp_path / "never.db")
        left = share(fresh, push=False).left
        assert any(re.search("store lacks|not what was pushed|has no push 5", one) for one in left)
        assert content(fresh) != content(book)
        assert check_book(fresh).findings == []
        fresh.unlink()
        done = share(book)
        assert done.lost != ""
        assert share(book).lost == ""
        third(larch)
        (tmp_path / "third.db").unlink()


def test_what_came_in_before_the_store_was_lost_is_told(
    larch, share, tmp_path, monkeypatch
) -> None:
    """And what this bench has is given in spite of it."""
    share(larch)
    fresh = make_empty(tmp_path / "third.db")
    with open_book(fresh) as db:
        new_set(db, SetPlan("birch", "outer", ("birch-01",)))

    def lost(*_: Any) -> Any:
        raise TryAgain("the store was lost")

    with monkeypatch.context() as patch:
        patch.setattr(pulling, "_strokes", lost)
        with pytest.raises(CoilbenchError, match=r"1 set, 3 springs.* brought in before"):
            share(fresh)
    assert content(fresh)["sweeps"] == []
    assert share(larch).pulled.rows == {"sets": 1, "springs": 1}


def test_what_needs_something_that_was_changed_in_the_store_is_left_out(
    server, database, larch, share, tmp_path
) -> None:
    """The rest comes in; once the store is mended, so does this."""
    share(larch)
    server.sql(database, "UPDATE coilbench.sweeps SET samples_lost = samples_lost + 7")
    fresh = make_empty(tmp_path / "third.db")
    done = share(fresh)
    assert len(done.left) == 7
    assert all("which shop added: it is not what was pushed" in one for one in done.left)
    assert len(content(fresh)["springs"]) == 3
    assert content(fresh)["sweeps"] == []
    server.sql(database, "UPDATE coilbench.sweeps SET samples_lost = samples_lost - 7")
    assert share(fresh).left == ()
    assert content(fresh) == content(larch)
    server.sql(database, "UPDATE coilbench.sets SET made_utc = '2020-01-01T00:00:00+00:00'")
    fourth = make_empty(tmp_path / "fourth.db")
    assert any(one.startswith("sets ") for one in share(fourth).left)
    assert [table for table, rows in content(fourth).items() if rows] == [
        *("calibration_parts", "calibration_points", "calibrations", "scales", "scale_points")
    ]


def test_a_changed_mind_that_is_gone_is_named_and_said_again_by_who_knows_it(
    tmp_path, server, database, larch, share, third
) -> None:
    share(larch)
    for word in ("leave", "use"):
        with open_book(larch) as db:
            StrokeRow.keep_rulings(db, find_set(db, "larch"), [("larch-02", 1, word)])
        share(larch)
    server.sql(database, "DELETE FROM coilbench.sweeps_words WHERE ruling = 'use'")
    assert "sweeps " in share(make_empty(tmp_path / "bob.db"), push=False).lost
    assert "sweeps " in share(larch).lost
    assert share(larch).lost == ""
    third(larch)
    server.sql(database, "DELETE FROM coilbench.sweeps_words WHERE ruling = 'leave'")
    assert share(larch).lost == ""  # nobody's word any more
    assert "sweeps " in share(make_empty(tmp_path / "eve.db")).lost


def test_the_whole_book_is_compared_on_demand_and_a_loss_ends_with_1(
    server, database, address, larch, share, third, monkeypatch, capsys
) -> None:
    """A large store is looked back at in part: what a look missed, `--all` finds."""
    share(larch)
    server.sql(
        database,
        "DELETE FROM coilbench.sweeps_words",
        "DELETE FROM coilbench.sweeps WHERE origin = 'keyed'",
    )
    with monkeypatch.context() as patch:
        patch.setattr(sharing, "look_back", lambda *_: [])
        assert share(larch).pushed.rows == {}
        assert run(["--book", str(larch), "share", "--all"]) == 0
    assert "7 strokes" in capsys.readouterr().out
    third(larch)
    server.sql(database, "DELETE FROM coilbench.sweeps_words")
    assert run(["--book", str(larch), "share"]) == 1
    said = capsys.readouterr().out
    assert "! The store had and now lacks sweeps " in said
    assert run(["--book", str(larch), "share"]) == 0


def test_a_small_store_is_looked_back_at_as_a_whole_and_a_large_one_in_part(
    tmp_path, server, database, larch, share, monkeypatch
) -> None:
    for shift in range(20):
        press(larch, "larch-01", 100 + shift)
        share(larch)
    ((pushes,),) = server.sql(database, "SELECT count(*) FROM coilbench.pushes")
    assert pushes == 24
    seen: list[int] = []
    real = looking_back.lacking
    monkeypatch.setattr(
        looking_back, "lacking", lambda store, listed: (seen.append(1), real(store, listed))[1]
    )
    share(larch)
    assert len(seen) == 16
    monkeypatch.setattr(looking_back, "_LOOK_BYTES", 1)
    seen.clear()
    share(larch)
    assert len(seen) == 1
