"""Plain SQL reads the store in words: what stands now, and answers with how they came about."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree

import pytest

from coilbench.analysis.cli import run
from coilbench.capture.book.keyed_readings import store_readings
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import SetPlan, find_set, new_set, rename_set
from coilbench.capture.book.sweeps import StrokeRow
from coilbench.capture.calibration.keyed_setup import KeyedSetup
from coilbench.capture.shop import store, views
from coilbench.capture.tables.keyed import KeyedReading
from support.shop_books import make_set, press
from support.tools import tool

CAPTURE = Path(__file__).parents[3] / "capture"
PICTURES = CAPTURE / "pictures"
_SQL = (CAPTURE / "README.md").read_text("utf-8").partition("```sql")[2].partition("```")[0]
QUERIES = [one for one in re.split(r";\n", _SQL) if one.strip()]


def test_views_of_ones_own_do_not_keep_the_store_from_an_update(
    server, database, larch, share, capsys, monkeypatch
) -> None:
    """But where columns change, those that rest on them are named."""
    share(larch)
    server.sql(
        database,
        "CREATE SCHEMA mine",
        "CREATE VIEW mine.weak AS SELECT label, load_n FROM coilbench.loads_at_heights",
    )
    assert run(["share", server.address(database), "--init"]) == 0, capsys.readouterr().err
    assert run(["share", "--init", "--sql"]) == 0
    server.sql(database, capsys.readouterr().out.partition("\n")[2])
    fewer = views.VIEWS["loads_at_heights"].replace("l.load_u_n, ", "")
    monkeypatch.setitem(views.VIEWS, "loads_at_heights", fewer)
    monkeypatch.setattr(store, "VIEWS_ON", {})
    assert run(["share", server.address(database), "--init"]) == 2
    said = " ".join(capsys.readouterr().err.split())
    assert "views of your own rest on some that change" in said
    assert "mine.weak" in said
    server.sql(database, "DROP VIEW mine.weak")
    assert run(["share", server.address(database), "--init"]) == 0, capsys.readouterr().err


def test_the_views_show_what_stands_in_the_benches_books(server, database, ann, share) -> None:
    with open_book(ann) as db:
        record = find_set(db, "larch")
        record.swap_springs(db, "larch-01", "larch-02")
        StrokeRow.keep_rulings(db, record, [("larch-03", 1, "leave")])
        rename_set(db, record, "fir")
    share(ann)
    press(ann, "larch-01", 61, set_name="fir")
    share(ann)
    with open_book(ann) as db:
        own = db.execute(
            "SELECT set_name, label, status, counted, ruling, sweep_id FROM (SELECT sets.name AS"
            " set_name, label, status, counted, ruling, sweeps.id AS sweep_id FROM sweeps JOIN"
            " springs ON springs.id = spring_id JOIN sets ON sets.id = set_id) ORDER BY sweep_id"
        ).fetchall()
    found = server.sql(
        database,
        "SELECT set_name, label, status, counted, ruling, stroke_id"
        " FROM coilbench.strokes_as_they_stand ORDER BY stroke_id",
    )
    counts = [{"use": True, "leave": False}.get(row[4], bool(row[3])) for row in own]
    assert found == [(*row[:3], counts[at], *row[4:]) for at, row in enumerate(own)]
    springs = "SELECT label, mark FROM coilbench.springs_as_they_stand ORDER BY label"
    assert server.sql(database, springs) == [
        ("larch-01", None), ("larch-02", "two green dots"), ("larch-03", None),
    ]  # fmt: skip
    sets = "SELECT set_name, role, note FROM coilbench.sets_as_they_stand"
    assert server.sql(database, sets) == [("fir", "outer", "from the grey box")]
    benches = "SELECT pushes, added_by FROM coilbench.benches_last_heard"
    assert len(server.sql(database, benches)) == 1
    calibrations = "SELECT strokes, with_flex, last_of_its_rig FROM coilbench.calibrations_in_use"
    assert server.sql(database, calibrations) == [(7, False, True)]


def test_stored_answers_are_those_of_set_check_and_are_never_pulled(
    tmp_path, server, database, address, larch, share, capsys
) -> None:
    assert run(["--book", str(larch), "share", address, "--answers"]) == 0
    assert "Worked out for the store: 1 set." in capsys.readouterr().out
    loads = server.sql(
        database,
        "SELECT label, height_mm, load_n, load_u_n FROM coilbench.loads_at_heights ORDER BY 1, 2",
    )
    heights = {row[1] for row in loads}
    at = [part for height_mm in heights for part in ("--at", f"{height_mm!r}mm")]
    run(["--book", str(larch), "set", "check", "larch", *at, "--json"])
    springs = json.loads(capsys.readouterr().out)["springs"]
    assert loads == sorted(
        (one["label"], each["height_mm"], each["load_n"], each["load_u_n"])
        for one in springs
        for each in one["readings"]
    )
    rates = "SELECT label, rate_n_per_mm, strokes_kept FROM coilbench.rates_of_springs ORDER BY 1"
    assert [row[:2] for row in server.sql(database, rates)] == [
        (one["label"], one["rate_n_per_mm"]) for one in springs
    ]
    flags = "SELECT label, kind, reason FROM coilbench.flags_with_reasons ORDER BY 1, 2"
    assert server.sql(database, flags) == sorted(
        (one["label"], flag["kind"], flag["reason"]) for one in springs for flag in one["flags"]
    )
    assert run(["--book", str(larch), "share", "--answers"]) == 0
    assert "Worked out" not in capsys.readouterr().out  # nothing changed
    press(larch, "larch-01", 71)
    assert run(["--book", str(larch), "share", "--answers"]) == 0
    assert server.sql(database, "SELECT count(*) FROM coilbench.answers") == [(2,)]
    assert server.sql(database, "SELECT count(*) FROM coilbench.rates_of_springs") == [(3,)]


NO_LISTS = ["not json", '"x"', "[1]", "{}", '{"a": {}}', '{"%s": "x"}', '{"%s": 1e999}']


@pytest.fixture
def answered(server, database, address, larch) -> list[tuple[str]]:
    """A store with an answer; returns its bench."""
    assert run(["--book", str(larch), "share", address, "--answers"]) == 0
    return server.sql(database, "SELECT DISTINCT bench FROM coilbench.pushes")


def test_an_answer_that_says_badly_what_it_has_seen_is_not_still_true(
    server, database, larch, answered, capsys
) -> None:
    """And neither a reader nor a bench that works out its own is kept from anything by it."""
    ((bench,),) = answered
    texts = [one.replace("%s", bench) for one in NO_LISTS]
    first = still_true(server, database)
    for text in (*texts, f'{{"{bench}": {10**30}}}', f'{{"{bench}": -1}}'):
        server.sql(database, f"UPDATE coilbench.answers SET seen = '{text}'")
        expected = {(name, "000000" in text) for name, _ in first}
        assert still_true(server, database) == expected, text
    assert {still for _, still in first} == {True}
    assert run(["--book", str(larch), "share", "--answers"]) == 0
    assert "Worked out for the store: 1 set." in capsys.readouterr().out


def test_words_without_a_count_are_never_shown_before_those_that_have_one(
    server, database, ann, share
) -> None:
    views_ = ("sets_as_they_stand", "springs_as_they_stand", "strokes_as_they_stand")
    before = [server.sql(database, f"SELECT * FROM coilbench.{one} v ORDER BY v") for one in views_]
    for table, said in {
        "sets_words": "name = 'zzz', nominal_json = '{}', name_edits = NULL, label_edits = NULL,"
        " nominal_edits = NULL",
        "sweeps_words": "note = 'zzz', edits = NULL",
        "hand_entries": "words = 'zzz', edits = NULL",
    }.items():
        key = "id" if table == "hand_entries" else "words"
        other = "gen_random_uuid()::text" if key == "id" else r"'\\x00'::bytea"
        server.sql(
            database,
            f"CREATE TEMPORARY TABLE t AS SELECT * FROM coilbench.{table};"
            f" UPDATE t SET {said}, {key} = {other}; INSERT INTO coilbench.{table} SELECT * FROM t;"
            " INSERT INTO coilbench.set_labels (id, words, spring_id, label) SELECT id, '\\x00',"
            " spring_id, 'zzz' FROM coilbench.set_labels ON CONFLICT DO NOTHING; DROP TABLE t",
        )
    after = [server.sql(database, f"SELECT * FROM coilbench.{one} v ORDER BY v") for one in views_]
    assert after == before


def still_true(server, database) -> set[tuple[str, bool]]:
    views = ("loads_at_heights", "rates_of_springs")
    sql = " UNION ".join(f"SELECT set_name, still_true FROM coilbench.{one}" for one in views)
    return set(server.sql(database, sql))


def test_an_answer_says_whether_anything_it_follows_from_changed_since(
    tmp_path, server, database, address, larch, share
) -> None:
    make_set(tmp_path / "rowan.db", "rowan", (1.0, 1.1))
    bob = tmp_path / "bob.db"
    for book in (larch, tmp_path / "rowan.db", bob):
        assert run(["--book", str(book), "share", address, "--answers"]) == 0
    assert still_true(server, database) == {("larch", True), ("rowan", True)}
    with open_book(bob) as db:
        record = find_set(db, "larch")
        StrokeRow.keep_rulings(db, record, [("larch-01", 1, "leave")])
    share(bob)  # without working out
    assert still_true(server, database) == {("larch", False), ("rowan", True)}
    assert run(["--book", str(bob), "share", "--answers"]) == 0
    assert still_true(server, database) == {("larch", True), ("rowan", True)}
    with open_book(bob) as db:
        StrokeRow.keep_rulings(db, find_set(db, "larch"), [("larch-01", 1, None)])  # as it was
    for told in ([], ["--answers"]):
        assert run(["--book", str(bob), "share", *told]) == 0
        assert still_true(server, database) == {("larch", bool(told)), ("rowan", True)}
    press(larch, "larch-02", 80)
    assert (
        run(["--book", str(larch), "share", "--push", "--answers"]) == 0
    )  # knows nothing of bob's
    assert ("larch", False) in still_true(server, database)


def test_sets_that_cannot_be_worked_out_are_named_with_why(
    tmp_path, address, larch, share, capsys
) -> None:
    with open_book(larch) as db:
        new_set(db, SetPlan("fir", "outer", ("fir-1",)))
        one = new_set(db, SetPlan("elm", "outer", ("elm-1", "elm-2")))
        readings = [KeyedReading(label, 200.0, height_mm=35.0) for label in one.labels]
        store_readings(db, one, readings, KeyedSetup())
    assert run(["--book", str(larch), "share", address, "--answers"]) == 0
    said = capsys.readouterr().out
    assert "Worked out for the store: 1 set." in said
    assert "Not worked out: fir (nothing of it counts yet)." in said
    assert "Not worked out: elm (" in said


SVG = "{http://www.w3.org/2000/svg}"


def drawn(path: Path) -> tuple[list[str], list[str]]:
    """Return a picture's words and lines, whatever version of Matplotlib drew it."""
    root = ElementTree.fromstring(path.read_text("utf-8"))  # our own file
    words = ["".join(text.itertext()) for text in root.iter(f"{SVG}text")]
    return words, [use.get("y", "") for use in root.iter(f"{SVG}use")]


def test_the_picture_of_the_page_is_what_its_command_draws(
    tmp_path, server, database, address
) -> None:
    """To write it anew, copy what this test draws: the test's folder has it as loads.svg."""
    for name, stretch in (
        ("larch", (1.0, 1.012, 0.995, 0.93, 1.004, 1.008)),
        ("hazel", (0.98, 0.992, 0.985, 0.988, 1.03, 0.979)),
    ):
        book = tmp_path / f"{name}.db"
        make_set(book, name, stretch)
        assert run(["--book", str(book), "share", address, "--answers"]) == 0
    query = tmp_path / "loads.sql"
    query.write_text(f"SET search_path TO coilbench; {QUERIES[0]};")
    table = subprocess.run(
        [tool("psql", package="postgresql"), "-q", "--csv", "-f", str(query), address],
        check=True, capture_output=True,
    ).stdout  # fmt: skip
    assert table.count(b"larch") == 24
    fresh = tmp_path / "loads.svg"
    script = PICTURES / "loads.py"
    subprocess.run([sys.executable, str(script), str(fresh)], input=table, check=True)
    kept = PICTURES / "loads.svg"
    words, places = drawn(fresh)
    assert words == drawn(kept)[0]
    own, other = ([float(one) for one in of] for of in (places, drawn(kept)[1]))
    assert own == pytest.approx(other, abs=0.5)


@pytest.mark.parametrize("number", range(6))
def test_the_readmes_queries_run(server, database, share, ann, number: int) -> None:
    assert len(QUERIES) == 6
    server.sql(database, "SET search_path TO coilbench; " + QUERIES[number])
