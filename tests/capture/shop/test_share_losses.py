"""What a store lost, or lacks since it was put back, is noticed and given again, or named."""

from __future__ import annotations

import re
from typing import Any

import pytest

from coilbench.analysis.cli import run
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import SetPlan, find_set, new_set
from coilbench.capture.book.soundness import check_book
from coilbench.capture.book.sweeps import StrokeRow
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.shop import manifests, pulling, sharing
from coilbench.capture.shop.line import TryAgain
from support.shop_books import content, make_empty, press


def test_an_older_store_that_is_put_back_is_given_all_again(
    tmp_path, server, database, ann, share, third
) -> None:
    server.sql("postgres", f"CREATE DATABASE {database}_old TEMPLATE {database}")
    other = make_empty(tmp_path / "bob.db")
    share(other)
    press(other, "larch-02", 41)
    share(other)
    press(ann, "larch-01", 42)
    share(ann)
    server.sql(
        "postgres",
        f"DROP DATABASE {database} WITH (FORCE)",
        f"ALTER DATABASE {database}_old RENAME TO {database}",
    )
    press(other, "larch-03", 43)
    assert share(other).news == ("older_store",)
    assert share(ann).news == ("older_store",)
    share(other)
    assert content(ann) == content(other)
    third(ann)


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
    tmp_path, server, database, ann, bob, share, third, what: str
) -> None:
    """By the bench that gave it, by one that took it, and by one that never had it."""
    press(ann, "larch-01", 91)
    share(ann)
    share(bob)
    ((sweep_id,),) = server.sql(
        database, "SELECT min(id) FROM coilbench.sweeps WHERE push = 5 AND origin <> 'keyed'"
    )
    lose = [statement.format(sweep_id) for statement in LOST[what]]
    for book in (ann, bob):
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
        third(ann)
        (tmp_path / "third.db").unlink()


def test_what_came_in_before_the_store_was_lost_is_told(ann, share, tmp_path, monkeypatch) -> None:
    """And what this bench has is given in spite of it."""
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
    assert share(ann).pulled.rows == {"sets": 1, "springs": 1}


def test_what_needs_something_that_was_changed_in_the_store_is_left_out(
    server, database, ann, share, tmp_path
) -> None:
    """The rest comes in; once the store is mended, so does this."""
    server.sql(database, "UPDATE coilbench.sweeps SET samples_lost = samples_lost + 7")
    fresh = make_empty(tmp_path / "third.db")
    done = share(fresh)
    assert len(done.left) == 7
    assert all("which shop added: it is not what was pushed" in one for one in done.left)
    assert len(content(fresh)["springs"]) == 3
    assert content(fresh)["sweeps"] == []
    server.sql(database, "UPDATE coilbench.sweeps SET samples_lost = samples_lost - 7")
    assert share(fresh).left == ()
    assert content(fresh) == content(ann)
    server.sql(database, "UPDATE coilbench.sets SET made_utc = '2020-01-01T00:00:00+00:00'")
    fourth = make_empty(tmp_path / "fourth.db")
    assert any(one.startswith("sets ") for one in share(fourth).left)
    assert [table for table, rows in content(fourth).items() if rows] == [
        *("calibration_parts", "calibration_points", "calibrations", "scales", "scale_points")
    ]


def test_a_changed_mind_that_is_gone_is_named_and_said_again_by_who_knows_it(
    tmp_path, server, database, ann, share, third
) -> None:
    for word in ("leave", "use"):
        with open_book(ann) as db:
            StrokeRow.keep_rulings(db, find_set(db, "larch"), [("larch-02", 1, word)])
        share(ann)
    server.sql(database, "DELETE FROM coilbench.sweeps_words WHERE ruling = 'use'")
    assert "sweeps " in share(make_empty(tmp_path / "bob.db"), push=False).lost
    assert "sweeps " in share(ann).lost
    assert share(ann).lost == ""
    third(ann)
    server.sql(database, "DELETE FROM coilbench.sweeps_words WHERE ruling = 'leave'")
    assert share(ann).lost == ""  # nobody's word any more
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
    real = manifests.lacking
    monkeypatch.setattr(
        manifests, "lacking", lambda store, listed: (seen.append(1), real(store, listed))[1]
    )
    share(larch)
    assert len(seen) == 16
    monkeypatch.setattr(manifests, "_LOOK_BYTES", 1)
    seen.clear()
    share(larch)
    assert len(seen) == 1
    read: list[str] = []
    whole = manifests.items_of
    monkeypatch.setattr(
        manifests,
        "items_of",
        lambda store, kind, ids, left, content: (
            read.extend(ids),
            whole(store, kind, ids, left, content=content),
        )[1],
    )
    monkeypatch.setattr(manifests, "_LOOK_BYTES", 1 << 16)
    monkeypatch.setattr(manifests, "_READ_WHOLE", 1)
    share(larch)
    assert len(read) == 16
