"""What a store, a server, an address or a row must not do is refused by name, nothing changed."""

from __future__ import annotations

import re
import shutil
from contextlib import closing
from pathlib import Path

import psycopg
import pytest

from coilbench.capture.book.locks import hold_book
from coilbench.capture.book.opening import open_book
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.shop import shape, store
from coilbench.capture.shop import store as store_module
from coilbench.capture.shop.sharing import share_book
from coilbench.capture.shop.store import Store
from coilbench.capture.shop.views import VIEWS
from support.edits import change, harm
from support.postgres import Server
from support.shop_books import content, make_empty, press


def refusal(path: Path, address: str, **options: bool) -> CoilbenchError:
    before = content(path)
    with pytest.raises(CoilbenchError) as caught:
        share_book(path, address, **options)
    assert content(path) == before
    return caught.value


def everything(server: Server, database: str) -> list[list[tuple[object, ...]]]:
    names = sorted(shape.tables(shape.kinds()))
    return [server.sql(database, f"SELECT * FROM coilbench.{name} ORDER BY 1, 2") for name in names]


def test_a_benchs_role_can_add_but_not_change_delete_or_forge(server, database, larch) -> None:
    share_book(larch, server.address(database, "ann"))
    assert server.sql(database, "SELECT DISTINCT added_by FROM coilbench.sweeps") == [("ann",)]
    assert server.sql(database, "SELECT DISTINCT added_by FROM coilbench.pushes") == [("ann",)]
    for statement in (
        "UPDATE coilbench.sweeps SET samples = 0",
        "DELETE FROM coilbench.sweeps_words",
        "TRUNCATE coilbench.set_labels",
        "DROP TABLE coilbench.pushes",
        "INSERT INTO coilbench.pushes (bench, push, uuid, version, pushed_utc, added_by)"
        " VALUES ('b', 1, 'u', 'v', 't', 'bob')",
        "INSERT INTO coilbench.versions VALUES ('9999_mine')",
        "CREATE TABLE coilbench.mine (a text)",
        "ALTER TABLE coilbench.sweeps DISABLE TRIGGER ALL",
    ):
        with pytest.raises(psycopg.errors.InsufficientPrivilege):
            server.sql(database, statement, user="ann")


@pytest.mark.parametrize(
    ("statement", "why"),
    [
        ("GRANT pg_write_all_data TO strong", "it may write to every table"),
        ("ALTER ROLE strong SUPERUSER", "it is an administrator of the server"),
        ("GRANT boss TO strong", "the store belongs to it"),
    ],
)
def test_a_bench_that_could_change_or_delete_is_named(
    server, database, larch, statement: str, why: str
) -> None:
    made = ("CREATE ROLE strong LOGIN IN ROLE coilbench_bench", "CREATE ROLE boss")
    owned = [
        f"ALTER {kind} coilbench.{name} OWNER TO boss"
        for kind, name in server.sql(
            database,
            "SELECT CASE relkind WHEN 'r' THEN 'TABLE' ELSE 'VIEW' END, relname FROM pg_class"
            " WHERE relnamespace = 'coilbench'::regnamespace AND relkind IN ('r', 'v')",
        )
    ]
    server.sql(database, *made, "ALTER SCHEMA coilbench OWNER TO boss", *owned)
    try:
        address = server.address(database, "strong")
        assert share_book(larch, server.address(database, "ann")).strong == ()
        server.sql(database, statement)
        (said,) = share_book(larch, address).strong
        assert said.startswith("strong (")
        assert why in said
        server.sql(database, "GRANT coilbench_bench TO boss")
        assert "boss (the store belongs to it)" in share_book(larch, address).strong
    finally:
        server.sql(database, "REASSIGN OWNED BY boss TO shop", "DROP OWNED BY boss, strong")
        server.sql(database, "DROP ROLE strong", "DROP ROLE boss")


def test_a_row_that_never_changes_and_differs_is_named_and_the_rest_is_pushed(
    server, database, address, ann, bob
) -> None:
    ((sweep_id,),) = server.sql(database, "SELECT min(id) FROM coilbench.sweeps")
    change(bob, "UPDATE sweeps SET load_u_n = 9.0, note = 'mine' WHERE id = ?", sweep_id)
    change(bob, "UPDATE sweeps SET note = 'more' WHERE id <> ?", sweep_id)
    said = "SELECT count(*) FROM coilbench.sweeps_words WHERE note = '{}'"
    for _ in range(2):  # what stays is news again
        pushed = share_book(bob, address).pushed
        assert pushed is not None
        assert pushed.unlike == {f"sweeps {sweep_id}": "shop"}
    assert server.sql(database, said.format("mine")) == [(0,)]
    ((others,),) = server.sql(database, "SELECT count(*) - 1 FROM coilbench.sweeps")
    assert server.sql(database, said.format("more")) == [(others,)]
    server.sql(database, "UPDATE coilbench.sets SET digest = 'x'")
    change(ann, "UPDATE sets SET set_note = 'mine'")
    change(ann, "UPDATE sweeps SET note = 'last' WHERE id = ?", sweep_id)
    pushed = share_book(ann, address).pushed
    assert pushed is not None
    assert [one.split()[0] for one in pushed.unlike] == ["sets"]
    assert server.sql(database, said.format("last")) == [(1,)]


def test_a_row_that_was_changed_in_the_store_is_not_brought_in(
    tmp_path, server, database, address, ann
) -> None:
    fresh = make_empty(tmp_path / "third.db")
    for statement, what in (
        ("UPDATE coilbench.sweeps SET load_u_n = load_u_n + 1", "sweeps .* not what was pushed"),
        ("UPDATE coilbench.sweeps SET load_u_n = load_u_n - 1, samples_blob = 'x'", "not what"),
        ("UPDATE coilbench.sets_words SET name = 'a' || chr(27) || '[2J'", "not what was pushed"),
    ):
        server.sql(database, statement)
        assert any(re.search(what, one) for one in share_book(fresh, address, push=False).left)
        with open_book(fresh) as db:
            assert db.execute("SELECT count(*) FROM sweeps").fetchone() == (0,)


def test_other_text_travels_as_it_is(tmp_path, address, larch) -> None:
    """NUL, too, which PostgreSQL itself can't keep, and the character that stands for it there."""
    words = "a\0b\x1a0\x1a1\x1a \x1b[2J \N{OLD HUNGARIAN CAPITAL LETTER A}"
    words += "'; DROP TABLE sweeps; -- \\ %s {x} \x7f"
    words += "\N{RIGHT-TO-LEFT OVERRIDE}\n\t"
    change(larch, "UPDATE sweeps SET note = ? WHERE origin = 'keyed'", words)
    share_book(larch, address)
    fresh = make_empty(tmp_path / "third.db")
    share_book(fresh, address)
    assert content(fresh) == content(larch)


@pytest.mark.parametrize(
    ("statement", "words"),
    [
        ("DROP SCHEMA coilbench CASCADE", "no store in this database"),
        ("DROP SCHEMA coilbench CASCADE; CREATE SCHEMA coilbench;"
         " CREATE TABLE coilbench.orders (id text)", "of something else"),
        ("ALTER TABLE coilbench.sweeps RENAME COLUMN load_u_n TO mine", "not as we make it"),
        ("INSERT INTO coilbench.versions VALUES ('9999_later')", "a newer coilbench"),
        ("DELETE FROM coilbench.versions", "older"),
        ("DELETE FROM coilbench.store", "without an id"),
    ],
)  # fmt: skip
def test_a_strangers_store_is_refused_and_nothing_written(
    server, database, address, larch, statement: str, words: str
) -> None:
    server.sql(database, *statement.split("; ") if "LANGUAGE" not in statement else [statement])
    assert words in str(refusal(larch, address))
    with open_book(larch) as db:
        assert db.execute("SELECT count(*) FROM shop").fetchone() == (0,)
    found = server.sql(database, "SELECT to_regclass('coilbench.pushes')::text")
    if found != [(None,)]:
        assert server.sql(database, "SELECT count(*) FROM coilbench.pushes") == [(0,)]


F = "CREATE FUNCTION public.f(text) RETURNS text LANGUAGE sql AS 'SELECT $1'"
T = "CREATE FUNCTION public.t() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN RETURN NULL; END $$"


@pytest.mark.parametrize(
    ("statements", "words"),
    [
        ([F, "ALTER TABLE coilbench.sweeps ADD CHECK (public.f(id) <> '')"], "constraint sweeps"),
        ([F, "ALTER TABLE coilbench.pushes ALTER version SET DEFAULT public.f('x')"],
         "column pushes.version"),
        ([F, "ALTER TABLE coilbench.sets ADD mine text DEFAULT public.f('x')"], "column sets.mine"),
        (["ALTER TABLE coilbench.sets ADD mine text GENERATED ALWAYS AS (upper(id)) STORED"],
         "column sets.mine"),
        (["CREATE DOMAIN public.d AS text CHECK (value <> 'x')",
          "ALTER TABLE coilbench.sessions ALTER firmware TYPE public.d"],
         "column sessions.firmware"),
        (["ALTER TABLE coilbench.sweeps ALTER added_by DROP DEFAULT"], "column sweeps.added_by"),
        (["ALTER TABLE coilbench.sweeps ALTER digest DROP NOT NULL"], "column sweeps.digest"),
        (["ALTER TABLE coilbench.sweeps DROP CONSTRAINT sweeps_spring_id_fkey"],
         "constraint sweeps"),
        (["ALTER TABLE coilbench.sweeps DISABLE TRIGGER ALL"], "trigger sweeps"),
        ([T, "CREATE TRIGGER t BEFORE INSERT ON coilbench.pushes FOR EACH ROW"
          " EXECUTE FUNCTION public.t()"], "trigger pushes.t"),
        ([T, "CREATE TRIGGER t INSTEAD OF INSERT ON coilbench.rates_of_springs FOR EACH ROW"
          " EXECUTE FUNCTION public.t()"], "trigger rates_of_springs.t"),
        (["CREATE RULE swallow AS ON INSERT TO coilbench.sweeps DO INSTEAD NOTHING"],
         "rule sweeps.swallow"),
        (["CREATE POLICY p ON coilbench.sweeps USING (false)"], "policy sweeps.p"),
        (["ALTER TABLE coilbench.sweeps ENABLE ROW LEVEL SECURITY"], "table sweeps .*row security"),
        (["CREATE TABLE public.more () INHERITS (coilbench.sweeps)"], "inheritance sweeps"),
        ([F, "ALTER FUNCTION public.f IMMUTABLE",
          "CREATE INDEX mine ON coilbench.sweeps (public.f(id))"], "index mine"),
        (["CREATE UNIQUE INDEX mine ON coilbench.sweeps (samples)"], "index mine"),
        (["DROP INDEX coilbench.springs_looked_up"], "index springs_looked_up"),
        (["ALTER TABLE coilbench.sweeps OWNER TO ann"], "table sweeps .*owned by ann"),
        (["ALTER VIEW coilbench.rates_of_springs OWNER TO ann"], "view rates_of_springs .*by ann"),
        (["GRANT DELETE ON coilbench.sweeps TO ann"], "right sweeps .*ann DELETE"),
        (["GRANT INSERT ON coilbench.sweeps TO coilbench_bench"], "right sweeps .*INSERT"),
        (["GRANT INSERT (added_by) ON coilbench.pushes TO PUBLIC"], "right pushes .*PUBLIC"),
        (["GRANT CREATE ON SCHEMA coilbench TO ann"], "right coilbench .*ann CREATE"),
        (["CREATE FUNCTION coilbench.f() RETURNS int LANGUAGE sql AS 'SELECT 1'"], "function f"),
        (["CREATE DOMAIN coilbench.d AS text"], "type d"),
        (["CREATE TABLE coilbench.mine (a text)"], "mine"),
        (["CREATE MATERIALIZED VIEW coilbench.mine AS SELECT 1"], "relation mine"),
        (["CREATE VIEW coilbench.mine AS SELECT 1 AS a"], "view mine"),
        (["DROP VIEW coilbench.rates_of_springs"], "view rates_of_springs .*lacking"),
        (["CREATE OR REPLACE VIEW coilbench.rates_of_springs AS" + VIEWS["rates_of_springs"]
          .replace("r.rate_n_per_mm,", "r.rate_n_per_mm * 1.1 AS rate_n_per_mm,")],
         "view rates_of_springs"),
        (["ALTER VIEW coilbench.rates_of_springs SET (security_barrier)"], "view rates_of_springs"),
        (["ALTER TABLE coilbench.sweeps SET UNLOGGED"], "table sweeps"),
    ],
)  # fmt: skip
def test_whatever_of_a_store_is_not_as_we_make_it_is_refused_by_name(
    server, database, address, larch, statements: list[str], words: str
) -> None:
    if "UNLOGGED" in statements[0]:  # what refers to it goes first
        statements = ["ALTER TABLE coilbench.sweeps_words DROP CONSTRAINT sweeps_words_id_fkey",
                      *statements]  # fmt: skip
    server.sql(database, *statements)
    refused = refusal(larch, address).what
    for part in (*words.split(" .*"), "is not as we make it", "nothing was read or written"):
        assert part in refused
    assert server.sql(database, "SELECT count(*) FROM coilbench.pushes") == [(0,)]


def test_views_are_compared_on_a_server_whose_way_of_writing_them_is_not_known(
    server, database, larch, monkeypatch
) -> None:
    """They are made once more, by a bench's own role."""
    monkeypatch.setattr(store, "VIEWS_ON", {})
    address = server.address(database, "ann")
    share_book(larch, address)
    text = VIEWS["flags_with_reasons"].replace("f.reason", "'none'::text AS reason")
    server.sql(database, f"CREATE OR REPLACE VIEW coilbench.flags_with_reasons AS {text}")
    assert "view flags_with_reasons that is not as we make it" in refusal(larch, address).what


def test_the_known_way_of_writing_the_views_is_that_of_this_server(server, database) -> None:
    with psycopg.connect(server.address(database)) as connection:
        connection.execute("SET search_path TO pg_catalog")

        def query(sql: str, *_: object) -> list[tuple[str, ...]]:
            return connection.execute(sql).fetchall()

        major = connection.info.server_version // 10_000
        assert major not in store.VIEWS_ON or store.known_views(query, major)


def test_init_leaves_something_elses_schema_alone(server, database, address) -> None:
    server.sql(
        database,
        "DROP SCHEMA coilbench CASCADE",
        "CREATE SCHEMA coilbench",
        "CREATE TABLE coilbench.orders (id text)",
    )
    with closing(Store(address)) as store, pytest.raises(CoilbenchError, match="something else"):
        store.init()
    sql = "SELECT count(*) FROM pg_tables WHERE schemaname = 'coilbench'"
    assert server.sql(database, sql) == [(1,)]


def test_init_again_changes_nothing_and_brings_an_older_store_up_to_date(
    server, database, address, larch
) -> None:
    share_book(larch, address)
    before = everything(server, database)
    server.sql(database, "DELETE FROM coilbench.versions")
    server.sql(database, "ALTER TABLE coilbench.sessions DROP COLUMN firmware CASCADE")
    with closing(Store(address)) as store:
        store.init()
        store.look()
    assert everything(server, database) == before


def test_a_server_over_the_network_must_be_the_one_its_certificate_names(
    tmp_path, server, database, larch
) -> None:
    good = server.tls_address(database)
    share_book(larch, good)
    fresh = make_empty(tmp_path / "third.db")
    share_book(fresh, good)
    assert content(fresh) == content(larch)
    by_number = good.replace("localhost", "127.0.0.1")  # the certificate names localhost only
    assert "can't be reached" in refusal(larch, by_number).what
    stranger = tmp_path / "other.crt"
    shutil.copyfile(Path(__file__), stranger)
    assert (
        "can't be reached"
        in refusal(larch, good.replace(str(server.certificate), str(stranger))).what
    )
    for weak in ("disable", "prefer", "require", "verify-ca"):
        assert "trust any server" in refusal(larch, f"{good}&sslmode={weak}").what


def test_a_password_is_taken_from_its_file_and_kept_nowhere(
    tmp_path, server, database, larch, monkeypatch
) -> None:
    server.sql(database, "GRANT coilbench_bench TO locked")
    address = server.tls_address(database, "locked")
    told = address.replace("locked@", "locked:tremolo@")
    for given in (told, f"{address}&password=tremolo", "host=x password=tremolo dbname=y"):
        refused = refusal(larch, given)
        assert "password" in refused.what
        assert "tremolo" not in str(refused)
    for bad in ("postgresql://locked:tremolo@[bad/x?y", "dbname=postgresql://a:tremolo@b/c"):
        assert "tremolo" not in str(refusal(larch, bad))
    passwords = tmp_path / "pgpass"
    passwords.write_text(f"localhost:{server.port}:*:locked:tremolo\n")
    passwords.chmod(0o600)
    monkeypatch.setenv("PGPASSFILE", str(passwords))
    share_book(larch, address)
    assert b"tremolo" not in larch.read_bytes()
    passwords.write_text(f"localhost:{server.port}:*:locked:wrong\n")
    refused = refusal(larch, address)
    assert "wrong" not in str(refused)
    assert "tremolo" not in str(refused)


def test_a_service_names_the_store(tmp_path, server, database, larch, monkeypatch) -> None:
    services = tmp_path / "services"
    of = f"host=localhost\nport={server.port}\nuser=shop\ndbname={database}\nsslmode=disable\n"
    services.write_text(f"[shop]\n{of}")
    monkeypatch.setenv("PGSERVICEFILE", str(services))
    assert "can't be reached" in refusal(larch, "service=shop").what  # no certificate to verify by
    services.write_text(f"[shop]\n{of}sslrootcert={server.certificate}\n")
    assert share_book(larch, "service=shop").address == "service=shop"
    assert share_book(larch, None).pushed.rows == {}


def test_without_psycopg_a_sentence_says_what_to_install(larch, address, monkeypatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "psycopg", None)
    refused = refusal(larch, address)
    assert "psycopg" in refused.what
    assert "pip install" in (refused.hint or "")


def test_a_book_that_was_never_shared_needs_an_address(larch) -> None:
    with pytest.raises(CoilbenchError, match="not shared with a store yet"):
        share_book(larch, None)


def test_no_book_is_made_for_an_address_that_leads_nowhere(tmp_path, server) -> None:
    for address in (f"host={tmp_path} dbname=x", server.address("postgres"), None):
        with pytest.raises(CoilbenchError):
            share_book(tmp_path / "new.db", address)
    assert list(tmp_path.iterdir()) == []


def test_while_a_capture_runs_a_bench_gives_and_does_not_take(address, ann, bob) -> None:
    press(ann, "larch-01", 51)
    press(bob, "larch-02", 52)
    with hold_book(bob):
        done = share_book(bob, address)
    assert (done.waits, done.pulled) == (True, None)
    assert done.pushed is not None
    assert done.pushed.rows == {"sweeps": 1}
    share_book(ann, address)
    assert share_book(bob, address).pulled.rows["sweeps"] == 1


def test_a_strokes_capture_that_has_not_ended_waits(tmp_path, address, larch) -> None:
    with open_book(larch) as db:
        (set_id,) = db.execute("SELECT id FROM sets").fetchone()
        db.execute(
            "INSERT INTO sessions (id, set_id, source_url, started_utc, seen_utc, samples,"
            " samples_lost, lines_bad, restarts) VALUES ('one', ?, 'virtual:',"
            " '2026-05-02T10:00:00.000+00:00', '2026-05-02T10:00:00.000+00:00', 0, 0, 0, 0)",
            [set_id],
        )
        db.conn.commit()
    with hold_book(larch):
        change(larch, "UPDATE sweeps SET session_id = 'one' WHERE origin = 'keyed'")
        assert share_book(larch, address).pushed.rows["sweeps"] == 6
    change(larch, "UPDATE sessions SET ended_utc = '2026-05-02T11:00:00.000+00:00'")
    assert share_book(larch, address).pushed.rows == {"sessions": 1, "sweeps": 1}


def test_a_damaged_stroke_stays_here_and_the_others_go(tmp_path, address, larch) -> None:
    harm(larch, "UPDATE sweeps SET load_u_n = 5 WHERE origin = 'keyed'")
    done = share_book(larch, address)
    assert done.pushed.rows["sweeps"] == 6
    assert len(done.pushed.damaged) == 1


def test_the_versions_of_program_and_store_are_compared(monkeypatch, address, larch) -> None:
    monkeypatch.setattr(store_module, "VERSION", "0001_first_book")
    assert "a newer coilbench keeps this store" in refusal(larch, address).what
    monkeypatch.setattr(store_module, "VERSION", "9999_later")
    assert "this store is older" in refusal(larch, address).what
