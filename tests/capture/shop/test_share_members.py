"""What one member gives the store spoils no other's book, and bars nobody: it is named."""

from __future__ import annotations

import json
import struct
import uuid
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import psycopg
import pytest

from coilbench.analysis.report.share_text import share_lines
from coilbench.analysis.report.units import SI
from coilbench.capture.blocks import Hello
from coilbench.capture.book.by_hand import keep_of_springs
from coilbench.capture.book.calibrations import store_part
from coilbench.capture.book.digests import digest_of_content
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.rows import utc_now
from coilbench.capture.book.sets import SetPlan, find_set, new_set, rename_set
from coilbench.capture.book.soundness import check_book
from coilbench.capture.book.sweeps import StrokeRow
from coilbench.capture.calibration.fit import load_part, travel_part
from coilbench.capture.calibration.known_points import GaugePoint, LoadPoint
from coilbench.capture.shop.outcome import Shared
from coilbench.capture.shop.rows import Item
from coilbench.capture.shop.shape import kinds
from coilbench.capture.strokes.stored import pack, unpack
from coilbench.capture.tables.spring_lines import SpringEntry
from support.shop_books import content, make_empty, press
from support.shop_members import give, items_in, renewed

Share = Callable[..., Shared]


@pytest.fixture
def eve(server, database) -> str:
    return server.address(database, "bob")


@pytest.fixture
def whole(tmp_path: Path, ann: Path, share: Share) -> Callable[..., None]:
    """Return what compares all that a fresh bench and the owner get with what the owner had."""
    had = content(ann)

    def compare(*named: str) -> None:
        fresh = make_empty(tmp_path / "fresh.db")
        press(ann, "larch-01", 77)
        for path in (fresh, ann):
            done = share(path)
            for words in named:
                assert any(words in one and "bob" in one for one in done.left), done.left
            assert check_book(path).findings == []
            if path == fresh:
                assert content(path) == had
        assert content(ann)["sweeps"] != had["sweeps"]
        assert share(fresh).pulled.rows["sweeps"] == 1

    return compare


POINTS = {
    "calibration_parts": {
        "point": -1, "mass_kg": -1.0, "length_mm": float("inf"), "load_counts": float("-inf"),
        "travel_counts": float("inf"), "u_mm": float("inf"), "residual_n": float("inf"),
    },
    "scales": {"point": -1, "mass_kg": -2.0, "shown_kg": float("inf"), "u_kg": float("-inf")},
}  # fmt: skip


def test_points_that_cannot_be_shut_nobodys_book(ann, eve, whole) -> None:
    items = []
    for table, column, cell in ((t, *one) for t, own in POINTS.items() for one in own.items()):
        one = next(one for one in items_in(ann, table, but=renewed) if column in one.points[0])
        one.points[0][column] = cell
        items.append(one)
    give(eve, items)
    whole(*(one.row_id for one in items))


ROWS: dict[str, tuple[str, dict[str, Any]]] = {
    "a part's date": ("calibration_parts", {"made_utc": "yesterday"}),
    "a part's kind": ("calibration_parts", {"kind": "other"}),
    "a part without a kind": ("calibration_parts", {"kind": None}),
    "a fit": ("calibration_parts", {"fit_json": "{}"}),
    "a scale's gravity": ("scales", {"gravity_m_s2": -1.0}),
    "a calibration of nothing": ("calibrations", {"made_utc": "2026"}),
    "a part of a time to come": (
        "calibration_parts",
        {"made_utc": "2097-01-01T00:00:00.000+00:00"},
    ),
    "a set without springs": ("sets", {"name": "birch"}),
    "a set's role": ("sets", {"name": "birch", "role": "none"}),
    "a set without a name": ("sets", {"name": None}),
    "a set's name of two lines": ("sets", {"name": "a\nb"}),
    "a set's length": ("sets", {"name": "birch", "free_length_mm": float("nan")}),
    "an entry's length": ("hand_entries", {"length_mm": -4.0, "edits": 900_000}),
    "an entry too far": ("hand_entries", {"edits": 2**53}),
}


def test_rows_that_cannot_be_are_left_out_and_named(ann, eve, whole) -> None:
    given = []
    for table, cells in ROWS.values():
        items = items_in(ann, table, but=renewed)
        said = (one for one in items if one.fixed.get("what", "free_length_mm") == "free_length_mm")
        item = next(said)
        item.labels.clear()
        for name, cell in cells.items():
            (item.words if name in item.words else item.fixed)[name] = cell
        given.append(item)
    give(eve, given)
    whole(*(one.row_id for one in given))


CURVES = {
    "nan": [(0.0, float("nan"), 1.0)],
    "infinite": [(0.0, 40.0, float("inf"))],
    "large": [(0.0, 1e300, 1.0)],
    "point": [(float("nan"), 40.0, 1.0)],
    "huge point": [(1e300, 40.0, 1.0)],
    "half point": [(0.5, 40.0, 1.0)],
    "twice": [(1.0, 40.0, 1.0), (1.0, 39.0, 1.0)],
}


def test_curves_that_cannot_be(ann, eve, whole) -> None:
    given = []
    for points in CURVES.values():
        for counted in (0, 1):
            item = items_in(ann, "sweeps", but=renewed)[0]
            _curve(item, [np.array(points).tobytes(), b""])
            item.words["counted"] = counted
            given.append(item)
    give(eve, given)
    whole(*(one.row_id for one in given))


def _curve(item: Item, branches: list[bytes]) -> None:
    head = struct.pack("<II", *map(len, branches))
    item.fixed["curve_packed"] = head + zlib.compress(b"".join(branches))
    blob = item.fixed["samples_blob"]
    item.fixed["content_digest"] = digest_of_content(item.row_id, blob, branches)


@pytest.mark.parametrize("honest", [True, False])
def test_a_curve_that_unpacks_to_far_more_than_a_stroke_has(ann, eve, whole, honest: bool) -> None:
    """Whether its head says so or not, no more of it is unpacked than a curve may have."""
    item = items_in(ann, "sweeps", but=renewed)[0]
    size = 24 * 2_000_000
    bomb = zlib.compress(bytes(size))
    item.fixed["curve_packed"] = struct.pack("<II", size if honest else 24, 0) + bomb
    give(eve, [item])
    whole(item.row_id)


def test_a_stroke_of_more_samples_than_any_file_may_have(ann, eve, whole) -> None:
    """200,000 are 40 minutes at 80 a second."""
    item = next(one for one in items_in(ann, "sweeps", but=renewed) if one.fixed["samples_format"])
    kept = unpack(item.fixed["samples_format"], item.fixed["samples_blob"])
    many = np.resize(kept, 200_001)
    for name, step in (("seq", 1), ("t_us", 12_500)):
        many[name] = np.arange(len(many)) * step
    item.fixed["samples_format"], blob = pack(many)
    item.fixed |= {"samples": len(many), "samples_blob": blob}
    item.fixed["content_digest"] = digest_of_content(item.row_id, blob, item.curve() or [])
    give(eve, [item])
    whole(f"{item.row_id}, which bob added: it has more than 200000 samples")


UNREAD = {  # strokes of which no answer is made, so that none would look into them
    "left out": {"counted": 0},
    "a press to settle the spring": {"purpose": "conditioning"},
    "a copy of one that is there": {},  # what a merge counts once
}


@pytest.mark.parametrize("cells", UNREAD.values(), ids=UNREAD)
def test_samples_that_cannot_be_of_a_stroke_that_no_answer_is_made_of(
    ann, eve, whole, cells: dict[str, Any]
) -> None:
    item = next(one for one in items_in(ann, "sweeps", but=renewed) if one.fixed["samples_format"])
    for name, cell in cells.items():
        (item.words if name in item.words else item.fixed)[name] = cell
    item.fixed["id"] = f"ffffffff{item.row_id[8:]}"  # of two copies the first by id counts
    item.fixed["samples"] = 2
    blob = item.fixed["samples_blob"]
    item.fixed["content_digest"] = digest_of_content(item.row_id, blob, item.curve() or [])
    give(eve, [item])
    # Why depends on what it came in with: a copy that comes before the other counts.
    whole(f"{item.row_id}, which bob added: ")


def test_a_document_without_what_its_readers_ask_for_stops_no_sharing(ann, eve, whole) -> None:
    """Of a set whose free length was told by hand: its depths are looked into as it comes in."""
    given = []
    for document in ({"setup": None}, {"readings": []}, {"readings": [{}], "setup": None}):
        keyed = items_in(ann, "sweeps", but=renewed)
        item = next(one for one in keyed if one.fixed["keyed_json"])
        item.fixed |= {"keyed_json": json.dumps(document), "origin": "points file"}
        content_digest = digest_of_content(item.row_id, None, item.curve() or [])
        item.fixed["content_digest"] = content_digest
        given.append(item)
    give(eve, given)
    whole(*(f"{one.row_id}, which bob added: its keyed_json" for one in given))


def test_a_set_called_as_another_is_by_its_id(ann, eve, whole) -> None:
    """Else that name, in build files of every bench, would mean it."""
    (item,) = items_in(ann, "sets")
    item.words |= {"name": "larch~380d", "name_edits": 1}
    give(eve, words=[item])
    whole("which names a set by the first characters of its id")


@pytest.mark.parametrize(
    ("counter", "count"),
    [
        *((counter, 1_000_001) for counter in ("name_edits", "label_edits", "nominal_edits")),
        *(("name_edits", count) for count in (2**53, 2**63 - 1)),
    ],
)
def test_a_word_counted_too_far_holds_nowhere(ann, eve, whole, counter: str, count: int) -> None:
    (item,) = items_in(ann, "sets")
    item.words |= {"name": "mine", counter: count}
    give(eve, words=[item])
    whole(item.row_id)


def test_a_word_counted_as_far_as_can_be_is_topped_by_the_next(ann, eve, share, tmp_path) -> None:
    (item,) = items_in(ann, "sets")
    item.words |= {"name": "mine", "name_edits": 1_000_000}
    give(eve, words=[item])
    assert share(ann).left == ()
    with open_book(ann) as db:
        rename_set(db, find_set(db, "mine"), "larch")
    share(ann)
    fresh = make_empty(tmp_path / "fresh.db")
    assert share(fresh).left == ()
    assert content(fresh) == content(ann)


def test_a_spring_put_into_anothers_set(ann, eve, share, whole) -> None:
    """Labelled as one of a set of the member's own, or of that set itself."""
    spring = items_in(ann, "springs", but=renewed)[0]
    spring.fixed["turn"] = 4
    birch = items_in(ann, "sets", but=renewed)[0]
    birch.words["name"] = "birch"
    birch.labels = {spring.row_id: "birch-01"}
    larch = items_in(ann, "sets")[0]
    larch.labels[spring.row_id] = "larch-04"
    give(eve, [spring, birch], [larch])
    whole(birch.row_id, larch.row_id)


def test_points_and_labels_added_to_anothers_rows(server, database, ann, whole) -> None:
    for statement in (
        "INSERT INTO coilbench.scale_points (scale_id, point, direction, mass_kg, shown_kg,"
        " residual_n) SELECT id, 99, 'up', 1, 2, 0 FROM coilbench.scales",
        "INSERT INTO coilbench.set_labels (id, words, spring_id, label) SELECT w.id, w.words,"
        " 'extra', 'x' FROM coilbench.sets_words w",
    ):
        if "set_labels" in statement:
            spring = items_in(ann, "springs", but=renewed)[0]
            spring.fixed["turn"] = 4
            give(server.address(database, "bob"), [spring])
            statement = statement.replace("'extra'", f"'{spring.row_id}'")
        server.sql(database, statement, user="bob")
    whole("points that bob added")  # labels are of what the same role said: those are of nothing


@pytest.mark.parametrize("push", [3, 10_000_000, 10**12, 2**63 - 1])
def test_a_push_far_ahead_of_the_others(ann, eve, whole, push: int) -> None:
    give(eve)
    give(eve, push=push)
    whole(f"has no push 2, though bob added its push {push}")


@pytest.mark.parametrize("name", ["b" * 400, "b" * 201, "", "a\nBefore you press: all is well"])
def test_a_push_of_a_bench_that_cannot_be_called_so(ann, eve, whole, name: str) -> None:
    give(eve, bench=name)
    whole("no bench is called so")


@pytest.mark.parametrize("row_id", ["zzzz", "ABCDEF01-0000-4000-8000-000000000000", "0" * 36])
def test_a_set_of_an_id_that_no_bench_makes(ann, eve, whole, row_id: str) -> None:
    """Sets of one name are told apart by the first figures of their ids."""
    (of_larch,) = items_in(ann, "sets")
    (spring, *_) = items_in(ann, "springs", but=renewed)
    of_larch.fixed["id"] = spring.fixed["set_id"] = row_id
    of_larch.labels = {spring.row_id: "his"}
    give(eve, [of_larch, spring])
    whole(f"sets {row_id}, which bob added: no bench makes such ids")


def test_rows_of_nothing_at_all(ann, eve, whole) -> None:
    """One of each kind, of which all but the id is empty, its set too."""
    named = []
    for number, kind in enumerate(kinds().values(), 1):
        row_id = str(uuid.uuid4())
        cells = {**dict.fromkeys(kind.fixed), "id": row_id}
        give(eve, [Item(kind, cells, dict.fromkeys(kind.words))], push=number)
        named += [row_id] * (kind.table != "springs")  # which come with their sets
    whole(*named)


def test_a_spring_in_anothers_place_holds_up_only_what_needs_that(larch, eve, share) -> None:
    """As after an older store was put back: another gives the set first, with a spring of his."""
    (of_larch,), (spring, *_) = items_in(larch, "sets"), items_in(larch, "springs")
    renewed(spring)
    of_larch.labels = {spring.row_id: "his"}
    give(eve, [of_larch, spring])
    with open_book(larch) as db:
        new_set(db, SetPlan("oak", "outer", ("oak-01",)))
        own = {row_id for (row_id,) in db.execute("SELECT id FROM sweeps")}
        turns = dict(db.execute("SELECT turn, id FROM springs WHERE label LIKE 'larch%'"))
    done = share(larch).pushed
    assert done.rows["sets"] == 1
    assert done.unlike[f"springs {turns[spring.fixed['turn']]}"] == "bob"
    assert done.unlike[f"sets {of_larch.row_id}"] == "bob"
    assert 0 < done.rows["sweeps"] < len(own)
    again = share(larch, answering=(lambda *_: "not pressed", "1"))
    assert (again.pushed.rows, again.pushed.unlike) == ({}, done.unlike)
    assert again.answers.left["larch"] == "the store has not all of its springs"


def test_a_list_that_is_of_nothing_or_cannot_be_read(server, database, ann, eve, whole) -> None:
    give(eve, sweeps={"none": "0" * 64})
    give(eve, bench="other")
    server.sql(database, "UPDATE coilbench.pushes SET manifest = 'none' WHERE bench = 'other'")
    whole("the store lacks sweeps none, which bob gave", "the list of push 1 of other")


def test_a_set_of_a_name_that_is_taken_is_no_damage(ann, eve, share, tmp_path) -> None:
    other = make_empty(tmp_path / "eve.db")
    with open_book(other) as db:
        new_set(db, SetPlan("larch", "outer", ("larch-01",)))
    share(other)
    assert share(ann).left == ()
    assert len(content(ann)["sets"]) == 2


def test_what_is_said_of_a_spring_alone_shows_at_every_bench(ann, bob, share) -> None:
    """Nothing else of its set comes with it."""
    with open_book(bob) as db:
        entry = SpringEntry("larch-02", "free_length_mm", length_mm=52.5)
        keep_of_springs(db, find_set(db, "larch"), [entry])
    assert share(bob).pushed.rows == {"hand_entries": 1}
    assert share(ann).left == ()
    assert content(ann) == content(bob)


def test_anothers_part_of_this_benchs_rig_is_named_as_it_comes_into_force(ann, eve, share) -> None:
    rig = Hello(1, "own-1", "A1", 7, 80.0, "quadrature", 5.0)
    with open_book(ann) as db:
        weighed = load_part([LoadPoint(kg, 100 + 2000 * kg) for kg in (0, 10, 20, 40)], "m.csv")
        gauged = travel_part([GaugePoint(mm, (60 - mm) * 100) for mm in (0, 20, 50)], "g.csv")
        for part in (weighed, gauged):
            store_part(db, part.on(rig))
    assert share(ann).taken_over == ()
    give(eve, [one for one in items_in(ann, "calibration_parts", but=_halved) if _of_rig(one)])
    done = share(ann)
    (said,) = done.taken_over
    assert "the calibration of the load in force is now one that bob added" in said
    lines = " ".join(share_lines(done, SI))
    assert "1 calibrated part added" in lines
    assert "Before you press" in lines
    assert share(ann).taken_over == ()


def _of_rig(item: Item) -> bool:
    return item.fixed["device_id"] == "A1" and item.fixed["kind"] == "load"


def _halved(item: Item) -> None:
    renewed(item)
    item.fixed["made_utc"] = utc_now()
    fit = json.loads(item.fixed["fit_json"])
    fit["coefficients"] = [0.5 * one for one in fit["coefficients"]]
    item.fixed["fit_json"] = json.dumps(fit)


def test_a_word_is_said_though_another_stands_under_its_digest(
    server, database, ann, share, tmp_path
) -> None:
    """Whoever guesses what a member is about to say cannot say something else in its place."""
    columns = "edits, counted, status, bench, push"
    for item in items_in(ann, "sweeps"):
        words = {**item.words, "ruling": "leave", "edits": item.words["edits"] + 1}
        digest = Item(item.kind, item.fixed, words).words_digest().hex()
        server.sql(
            database,
            f"INSERT INTO coilbench.sweeps_words (id, words, note, {columns}) SELECT id,"
            f" '\\x{digest}', 'junk', {columns} FROM coilbench.sweeps_words"
            f" WHERE id = '{item.row_id}'",
            user="bob",
        )
    with open_book(ann) as db:
        StrokeRow.keep_rulings(db, find_set(db, "larch"), [("larch-01", 1, "leave")])
    assert share(ann).pushed.rows == {"sweeps": 1}
    fresh = make_empty(tmp_path / "fresh.db")
    left = share(fresh).left
    assert all("which bob added: it is not what was pushed" in one for one in left)
    assert content(fresh) == content(ann)
    assert not any(share(path).pushed.rows for path in (ann, fresh))


def test_a_list_that_disagrees_with_the_store_is_named_and_no_loss(ann, eve, share) -> None:
    (larch,) = items_in(ann, "sets")
    give(eve, sets={larch.row_id: "0" * 64})
    done = share(ann)
    (left,) = done.left
    assert left == f"sets {larch.row_id} is otherwise in the store than bob lists it in push 1"
    assert (done.lost, done.pushed.rows) == ("", {})


def test_no_text_is_longer_in_the_store_than_any_can_be(server, database, ann) -> None:
    """Nor in what is packed: it is the server that refuses it."""
    long = {
        "sweeps_words": ("note", "repeat('x', 200000)"),
        "sets": ("made_utc", "repeat('x', 200000)"),
        "sweeps": ("bench", "repeat('x', 401)"),  # a book takes 200: it keeps how far it read each
        "pushes": ("manifest", "decode(repeat('00', 40000000), 'hex')"),
    }
    for table, (column, text) in long.items():
        with pytest.raises(psycopg.errors.CheckViolation):
            server.sql(database, f"UPDATE coilbench.{table} SET {column} = {text}")
