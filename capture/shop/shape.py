"""The store's tables, made of the book's: what never changes once, what changes a row each word.

Rows of the book with an id are kinds of their own (`news.KINDS`); points of calibrations and scales
go with what they belong to, a stroke's curve goes packed in the stroke's row. Standard SQL, but for
ON CONFLICT DO NOTHING, TEXT, BYTEA and the roles.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing
from functools import cache
from types import MappingProxyType

import msgspec

from coilbench.capture.book.connection import Database
from coilbench.capture.book.digests import DIGESTS, columns_of
from coilbench.capture.book.merge_rows import RULES
from coilbench.capture.book.news import KINDS
from coilbench.capture.book.schema import bring_to
from coilbench.capture.book.values import most_bytes
from coilbench.capture.book.versions import MIGRATION_NAMES

SCHEMA = "coilbench"
VERSION = f"{MIGRATION_NAMES[-1]}+5"  # of the book, and how often only the store changed since
CURVE = "curve_packed"
PACKED = ("samples_blob", CURVE)  # of a stroke: its content_digest stands for them
MOST_PACKED_BYTES, MOST_LIST_BYTES = 1 << 26, 1 << 25
_MOST_DIGEST_BYTES, _MOST_ID_BYTES = 64, 400
BENCHES, READERS = "coilbench_bench", "coilbench_reader"
_CHILDREN = {
    "calibration_parts": ("calibration_points", "part_id"),
    "scales": ("scale_points", "scale_id"),
}
_SETTLED = ("name_edits", "label_edits")
_TYPES = {"TEXT": "text", "INTEGER": "bigint", "REAL": "double precision", "BLOB": "bytea"}
REFERENCES = {
    "set_id": "sets",
    "spring_id": "springs",
    "one_id": "springs",
    "other_id": "springs",
    "session_id": "sessions",
    "calibration_id": "calibrations",
    "load_part_id": "calibration_parts",
    "travel_part_id": "calibration_parts",
    "flex_part_id": "calibration_parts",
}
_TEXT, _COUNT = "text NOT NULL", "bigint NOT NULL"
_BY = {"added_by": "text DEFAULT SESSION_USER NOT NULL"}  # the server's answer, not the bench's
_HEARD = {"heard": "timestamp with time zone DEFAULT now() NOT NULL"}  # by the server's clock
_FROM = {"bench": _TEXT, "push": _COUNT}
_FROM_KEY = f"FOREIGN KEY (bench, push) REFERENCES {SCHEMA}.pushes(bench, push)"
_NUMBER = "double precision"
# With the role that says them: else somebody who guesses what another is about to say could put
# something else in its place.
_OWN_WORDS = "PRIMARY KEY (id, words, added_by)"
_OWN_LABELS = "PRIMARY KEY (id, words, spring_id, added_by)"

# What `answers.py` keeps: never pulled. Each with what it is worked out from and how.
ANSWERS = {
    "answers": {
        **dict.fromkeys(("id", "set_id", "judged_utc", "program_version", "book_version"), _TEXT),
        "branch": _TEXT,
        "tolerance_relative": f"{_NUMBER} NOT NULL",
        "strokes_kept": _COUNT,
        "inputs": "bytea NOT NULL",
        "seen": "text",  # JSON: by bench, the last push that the book knew of; empty in older ones
    },
    "answer_springs": {
        **dict.fromkeys(("answer_id", "spring_id"), _TEXT),
        **dict.fromkeys(
            ("rate_n_per_mm", "rate_u_n_per_mm", "free_length_mm", "solid_height_mm"), _NUMBER
        ),
    },
    "answer_loads": {
        **dict.fromkeys(("answer_id", "spring_id"), _TEXT),
        "height_mm": f"{_NUMBER} NOT NULL",
        "load_n": _NUMBER,
        "load_u_n": _NUMBER,
    },
    "answer_flags": {
        **dict.fromkeys(("answer_id", "spring_id"), _TEXT),
        "number": _COUNT,
        "kind": _TEXT,
        "reason": _TEXT,
    },
}
_ANSWER_KEYS = {
    "answers": "id",
    "answer_springs": "answer_id, spring_id",
    "answer_loads": "answer_id, spring_id, height_mm",
    "answer_flags": "answer_id, spring_id, number",
}
_LOOKED_UP = {
    "set_labels": "spring_id",
    "springs": "set_id",
    "sweeps": "calibration_id, stored_utc",
    "hand_entries": "set_id, spring_id, what",
    "answers": "set_id, judged_utc",
}


class Table(msgspec.Struct, frozen=True):
    """A table of the store.

    Attributes:
        columns: each as SQL and as the server describes it: type, DEFAULT, NOT NULL.
        keys: likewise: primary key, unique, references.
        given: the columns that a bench gives; the server itself fills the others.
        check: likewise: how long its texts may be.
    """

    columns: Mapping[str, str]
    keys: tuple[str, ...]
    given: tuple[str, ...]
    check: str


class Kind(msgspec.Struct, frozen=True):
    """A kind of row: its columns by name with their type in the book (TEXT, INTEGER, REAL, BLOB).

    Attributes:
        fixed: what never changes, the id first.
        words: what may change, without the id; none for most.
        points: the table of its points, the column that names it there, and their columns.
        needed: the columns, its points' too, that are never empty.
    """

    table: str
    fixed: Mapping[str, str]
    words: Mapping[str, str]
    points: tuple[str, str, Mapping[str, str]] | None = None
    needed: frozenset[str] = frozenset()


def kinds_of(db: Database) -> dict[str, Kind]:
    """Return the kinds of rows of a book, parents first."""
    return {table: _kind(db, table) for table in KINDS}


@cache  # a book is made to be looked at
def kinds() -> Mapping[str, Kind]:
    """Return the kinds of rows of a book of this version, parents first."""
    with closing(sqlite3.connect(":memory:")) as connection:
        db = Database(connection)
        bring_to(db)
        return MappingProxyType(kinds_of(db))


def _kind(db: Database, table: str) -> Kind:
    rule = RULES[table]
    columns = {
        one.name: one.kind for one in columns_of(db.conn, table) if one.name not in DIGESTS[:2]
    }
    apart = {*rule.derived, *rule.mutable, *rule.by_hand, rule.unique}
    fixed = {name: kind for name, kind in columns.items() if name not in apart}
    words = {name: columns[name] for name in (*rule.mutable, *rule.by_hand)}
    if table == "sets":
        words |= {name: columns[name] for name in ("name", *_SETTLED)}
    if table == "springs":  # of those that were registered; others come as they were added
        fixed["turn"] = columns["turn"]
    if table == "sweeps":
        fixed[CURVE] = "BLOB"
    needed = {"id", *_never_empty(db, table)} - {"turn"}  # of a spring that was added, it is
    if table not in _CHILDREN:
        return Kind(table, fixed, words, None, frozenset(needed))
    child, key = _CHILDREN[table]
    needed |= _never_empty(db, child)
    points = {one.name: one.kind for one in columns_of(db.conn, child) if one.name != "digest"}
    return Kind(table, fixed, words, (child, key, points), frozenset(needed))


def _never_empty(db: Database, table: str) -> set[str]:
    rows = db.execute(f"PRAGMA main.table_info({table})").fetchall()
    return {name for _, name, _, empty_never, *_ in rows if empty_never}


def tables(made_of: Mapping[str, Kind]) -> dict[str, Table]:
    """Return the store's tables, in an order that references allow."""
    found = {
        "store": _table({"id": _TEXT, "made_by": _BY["added_by"]}, "PRIMARY KEY (id)", given=()),
        "versions": _table({"version": _TEXT, **_BY}, "PRIMARY KEY (version)", given=()),
        "pushes": _table(
            {**_FROM, "uuid": _TEXT, "version": _TEXT, "pushed_utc": _TEXT,
             "manifest": "bytea NOT NULL", **_HEARD, **_BY},
            "PRIMARY KEY (bench, push)", "UNIQUE (uuid)",
        ),
    }  # fmt: skip
    for kind in made_of.values():
        found |= _tables_of(kind)
    for table, columns in ANSWERS.items():
        keys = [f"PRIMARY KEY ({_ANSWER_KEYS[table]})"]
        if "set_id" in columns:
            keys.append(_reference("set_id", "sets"))
        else:
            keys += [_reference("answer_id", "answers"), _reference("spring_id", "springs")]
        found[table] = _table({**columns, **_BY}, *keys)
    return found


def _tables_of(kind: Kind) -> dict[str, Table]:
    keys = ["PRIMARY KEY (id)", _FROM_KEY]
    keys += [_reference(one, REFERENCES[one]) for one in kind.fixed if one in REFERENCES]
    if kind.table == "springs":
        keys.append("UNIQUE (set_id, turn)")
    digest = {"digest": "bytea NOT NULL"}
    found = {kind.table: _table({**_columns(kind.fixed), **digest, **_FROM, **_BY}, *keys)}
    if kind.points is not None:
        child, key, points = kind.points
        columns = _columns(points) | {key: _TEXT, "point": _COUNT}
        own = f"PRIMARY KEY ({key}, point)"
        found[child] = _table({**columns, **_BY}, own, _reference(key, kind.table))
    if kind.words:
        columns = {"id": _TEXT, "words": "bytea NOT NULL", **_columns(kind.words), **_FROM}
        found[words_of(kind.table)] = _table(
            {**columns, **_BY}, _OWN_WORDS, _reference("id", kind.table), _FROM_KEY
        )
    if kind.table == "springs":  # labels are words on a set, and name springs
        columns = {"id": _TEXT, "words": "bytea NOT NULL", "spring_id": _TEXT, "label": _TEXT}
        found["set_labels"] = _table(
            {**columns, **_BY}, _OWN_LABELS, _reference("id", "sets"),
            _reference("spring_id", "springs"),
        )  # fmt: skip
    return found


def words_of(table: str) -> str:
    """Return the table of what may change of a kind's rows."""
    return f"{table}_words"


def _table(columns: Mapping[str, str], *keys: str, given: tuple[str, ...] | None = None) -> Table:
    named = tuple(one for one in columns if one not in {**_BY, **_HEARD})
    return Table(columns, keys, named if given is None else given, _check(columns))


def _check(columns: Mapping[str, str]) -> str:
    """Return what bounds the bytes of texts: else one member could fill every bench's memory."""
    bounds = [
        f"(octet_length({name}) <= {_most_bytes(name, of)})"
        for name, of in columns.items()
        if of.startswith(("text", "bytea"))
    ]
    return f"CHECK (({' AND '.join(bounds)}))" if len(bounds) > 1 else f"CHECK ({bounds[0]})"


def _most_bytes(name: str, of: str) -> int:
    if name in PACKED:
        return MOST_PACKED_BYTES
    if of.startswith("bytea"):
        return MOST_LIST_BYTES if name == "manifest" else _MOST_DIGEST_BYTES
    if name in ("id", "bench") or name.endswith("_id"):
        return _MOST_ID_BYTES
    return 2 * most_bytes(name)  # some characters are kept as two


def _columns(columns: Mapping[str, str]) -> dict[str, str]:
    return {
        name: f"{_TYPES[kind]}{' NOT NULL' if name == 'id' else ''}"
        for name, kind in columns.items()
    }


def _reference(column: str, table: str) -> str:
    return f"FOREIGN KEY ({column}) REFERENCES {SCHEMA}.{table}(id)"


def store_sql(made_of: Mapping[str, Kind]) -> Iterator[str]:
    """Yield the statements that make a store and its roles, or bring an older one up to date."""
    yield f"CREATE SCHEMA IF NOT EXISTS {SCHEMA}"
    for name, table in tables(made_of).items():
        parts = [*(f"{column} {of}" for column, of in table.columns.items()), *table.keys]
        yield f"CREATE TABLE IF NOT EXISTS {SCHEMA}.{name} ({', '.join(parts)})"
        for column, of in table.columns.items():
            yield f"ALTER TABLE {SCHEMA}.{name} ADD COLUMN IF NOT EXISTS {column} {of}"
        yield (
            f"ALTER TABLE {SCHEMA}.{name} DROP CONSTRAINT IF EXISTS {name}_short,"
            f" ADD CONSTRAINT {name}_short {table.check}"
        )
    yield from _keys_anew(made_of)
    for name in PACKED:  # the server is not to try and press them once more
        yield f"ALTER TABLE {SCHEMA}.sweeps ALTER COLUMN {name} SET STORAGE EXTERNAL"
    yield f"ALTER TABLE {SCHEMA}.pushes ALTER COLUMN manifest SET STORAGE EXTERNAL"
    for statement in indexes().values():
        yield statement.replace("INDEX", "INDEX IF NOT EXISTS", 1)
    one = f"WHERE NOT EXISTS (SELECT 1 FROM {SCHEMA}.store)"  # noqa: S608
    made = "SELECT gen_random_uuid()::text"
    yield f"INSERT INTO {SCHEMA}.store (id) {made} {one}"
    yield f"INSERT INTO {SCHEMA}.versions VALUES ('{VERSION}') ON CONFLICT DO NOTHING"  # noqa: S608
    yield from _roles_sql(made_of)


def _keys_anew(made_of: Mapping[str, Kind]) -> Iterator[str]:
    """Yield what puts the keys of words in place of those that an older store has."""
    yield (
        f"ALTER TABLE {SCHEMA}.set_labels DROP CONSTRAINT IF EXISTS set_labels_id_words_fkey,"
        f" DROP CONSTRAINT IF EXISTS set_labels_id_fkey, ADD {_reference('id', 'sets')},"
        f" DROP CONSTRAINT IF EXISTS set_labels_pkey, ADD {_OWN_LABELS}"
    )
    for kind in made_of.values():
        if kind.words:
            table = words_of(kind.table)
            yield (
                f"ALTER TABLE {SCHEMA}.{table} DROP CONSTRAINT IF EXISTS {table}_pkey,"
                f" ADD {_OWN_WORDS}"
            )


def indexes() -> dict[str, str]:
    """Return the statements that make the indexes, as the server describes them, by name."""
    return {
        f"{table}_looked_up": f"CREATE INDEX {table}_looked_up ON {SCHEMA}.{table}"
        f" USING btree ({columns})"
        for table, columns in _LOOKED_UP.items()
    }


def _roles_sql(made_of: Mapping[str, Kind]) -> Iterator[str]:
    """Yield what lets benches read and add, and readers read: nobody changes or deletes.

    Who added a row is the server's answer, not the bench's: `added_by` can't be given.
    """
    for role in (BENCHES, READERS):
        yield (
            f"DO $$ BEGIN CREATE ROLE {role} NOLOGIN;"
            " EXCEPTION WHEN duplicate_object OR unique_violation THEN NULL; END $$"
        )
        yield f"GRANT USAGE ON SCHEMA {SCHEMA} TO {role}"
    yield from grant_reading()
    for name, table in tables(made_of).items():
        if table.given:
            yield f"GRANT INSERT ({', '.join(table.given)}) ON {SCHEMA}.{name} TO {BENCHES}"


def grant_reading() -> Iterator[str]:
    """Yield what lets both roles read all that there is by now."""
    for role in (BENCHES, READERS):
        yield f"GRANT SELECT ON ALL TABLES IN SCHEMA {SCHEMA} TO {role}"
