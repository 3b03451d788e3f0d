"""What an administrator or an accident changed in the store is named, and healed if it can be."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from coilbench.analysis.cli import run
from coilbench.capture.book.soundness import check_book
from support.shop_books import content, make_empty, press

PAST_KEYS = "SET session_replication_role = replica"


@pytest.fixture
def fresh_has_all(tmp_path: Path, larch: Path, share) -> Callable[[], None]:
    def compare() -> None:
        fresh = make_empty(tmp_path / "fresh.db")
        assert share(fresh, push=False).left == ()
        assert content(fresh) == content(larch)
        assert check_book(fresh).findings == []

    return compare


@pytest.mark.parametrize("push", [1, 3, 4])
def test_a_push_that_is_gone_while_its_rows_are_there_is_put_back(
    tmp_path, server, database, larch, share, fresh_has_all, push: int
) -> None:
    """A fresh bench takes what needs nothing of it, the owner heals it; of the last push, too."""
    share(larch)
    press(larch, "larch-01", 91)
    share(larch)
    server.sql(database, PAST_KEYS, f"DELETE FROM coilbench.pushes WHERE push = {push + 1}")
    never = make_empty(tmp_path / "never.db")
    left = share(never, push=False).left
    assert push == 4 or any(f"has no push {push + 1}, though" in one for one in left)
    assert check_book(never).findings == []
    done = share(larch)
    assert done.lost or "older_store" in done.news
    assert share(larch).lost == ""
    fresh_has_all()


@pytest.mark.parametrize(
    ("of", "change"),
    [
        ("sweeps", "sweeps SET samples_lost = samples_lost + 1"),
        ("sweeps", "sweeps SET samples_blob = substr(samples_blob, 2)"),
        ("sweeps", "sweeps_words SET note = 'mine'"),
        ("calibration_parts", "calibration_points SET length_mm = length_mm + 1"),
        ("sets", "sets SET made_utc = '2020-01-01T00:00:00+00:00'"),
        ("sets", "set_labels SET label = 'x' || label"),
        ("hand_entries", "hand_entries SET length_mm = 50"),
    ],
)
def test_what_was_changed_in_the_store_is_named_when_all_is_compared(
    server, database, larch, share, capsys, of: str, change: str
) -> None:
    share(larch)
    server.sql(database, f"UPDATE coilbench.{change} WHERE true")
    assert run(["--book", str(larch), "share", "--all"]) == 1
    out = " ".join(capsys.readouterr().out.split())
    assert f"! Left out: {of}" in out
    assert "which shop added" in out
    assert "given again" not in out
    if "samples_blob" not in change:  # a sharing looks back at all of a small store, but content
        assert run(["--book", str(larch), "share"]) == 1


@pytest.mark.parametrize("manifest", ["none", ""])
def test_a_damaged_list_bars_nobody(
    server, database, larch, share, fresh_has_all, tmp_path, manifest: str
) -> None:
    share(larch)
    server.sql(database, f"UPDATE coilbench.pushes SET manifest = '{manifest}'")
    press(larch, "larch-01", 91)
    done = share(larch, pull=False)
    assert done.pushed.rows == {"sweeps": 1}
    assert any("the list of push 1 of" in one for one in done.left)
    other = make_empty(tmp_path / "bob.db")
    assert any("the list of push 1 of" in one for one in share(other).left)
    assert content(other) == content(larch)
