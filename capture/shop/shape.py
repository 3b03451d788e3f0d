"""The store's tables, made of the book's: what never changes once, what changes a row each word.

Rows of the book with an id are kinds of their own (`news.KINDS`); points of calibrations and scales
go with what they belong to, a stroke's curve goes packed in the stroke's row. Standard SQL, but for
ON CONFLICT DO NOTHING, TEXT, BYTEA and the roles.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from sqlite_utils import Database

from coilbench.capture.book.digests import DIGESTS, columns_of
from coilbench.capture.book.merge_rows import RULES
from coilbench.capture.book.news import KINDS
from coilbench.capture.book.schema import bring_to
from coilbench.capture.book.versions import MIGRATION_NAMES

SCHEMA = "coilbench"
VERSION = MIGRATION_NAMES[-1]
CURVE = "curve_packed"
PACKED = ("samples_blob", CURVE)  # of a stroke: its content_digest stands for them
BENCHES, READERS = "coilbench_bench", "coilbench_reader"
_CHILDREN = {
    "calibration_parts": ("calibration_points", "part_id"),
    "scales": ("scale_points", "scale_id"),
}
_SETTLED = ("name_edits", "label_edits")
_TYPES = {"TEXT": "text", "INTEGER": "bigint", "REAL": "double precision", "BLOB": "bytea"}
_REFERENCES = {
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
_FROM = (
    "bench text NOT NULL, push bigint NOT NULL, added_by text NOT NULL DEFAULT session_user,"
    f" FOREIGN KEY (bench, push) REFERENCES {SCHEMA}.pushes (bench, push)"
)
_OF_ANSWER = {
    "answer_id": f"text NOT NULL REFERENCES {SCHEMA}.answers (id)",
    "spring_id": f"text NOT NULL REFERENCES {SCHEMA}.springs (id)",
}
_AT_THE_START = {
    "store": "id text PRIMARY KEY, made_by text NOT NULL DEFAULT session_user",
    "versions": "version text PRIMARY KEY, added_by text NOT NULL DEFAULT session_user",
    "pushes": "bench text NOT NULL, push bigint NOT NULL, uuid text NOT NULL UNIQUE,"
    " version text NOT NULL, pushed_utc text NOT NULL,"
    " added_by text NOT NULL DEFAULT session_user, PRIMARY KEY (bench, push)",
}
_LABELS = (
    f"id text NOT NULL, words bytea NOT NULL, spring_id text NOT NULL"
    f" REFERENCES {SCHEMA}.springs (id), label text NOT NULL,"
    " added_by text NOT NULL DEFAULT session_user, PRIMARY KEY (id, words, spring_id),"
    f" FOREIGN KEY (id, words) REFERENCES {SCHEMA}.sets_words (id, words)"
)


# What `answers.py` keeps: never pulled. Each with what it is worked out from and how.
ANSWERS = {
    "answers": {
        "id": "text PRIMARY KEY",
        "set_id": f"text NOT NULL REFERENCES {SCHEMA}.sets (id)",
        "judged_utc": "text NOT NULL",
        "program_version": "text NOT NULL",
        "book_version": "text NOT NULL",
        "branch": "text NOT NULL",
        "tolerance_relative": "double precision NOT NULL",
        "strokes_kept": "bigint NOT NULL",
        "inputs": "bytea NOT NULL",
    },
    "answer_springs": {
        **_OF_ANSWER,
        "rate_n_per_mm": "double precision",
        "rate_u_n_per_mm": "double precision",
        "free_length_mm": "double precision",
        "solid_height_mm": "double precision",
    },
    "answer_loads": {
        **_OF_ANSWER,
        "height_mm": "double precision NOT NULL",
        "load_n": "double precision",
        "load_u_n": "double precision",
    },
    "answer_flags": {
        **_OF_ANSWER,
        "number": "bigint NOT NULL",
        "kind": "text NOT NULL",
        "reason": "text NOT NULL",
    },
}
_ANSWER_KEYS = {
    "answer_springs": "answer_id, spring_id",
    "answer_loads": "answer_id, spring_id, height_mm",
    "answer_flags": "answer_id, spring_id, number",
}
# Which of what is said of a stroke stands, first: as `merge_rows` ranks it.
_LOOKED_UP = {
    "set_labels": "spring_id",
    "springs": "set_id",
    "sweeps": "calibration_id, stored_utc",
    "hand_entries": "set_id, spring_id, what",
    "answers": "set_id, judged_utc",
}
STANDING = (
    'edits DESC, counted, ruling IS NULL, status COLLATE "C" DESC, note IS NOT NULL,'
    ' note COLLATE "C" DESC, ruling COLLATE "C" DESC'
)


@dataclass(frozen=True)
class Kind:
    """A kind of row: its columns by name with their type in the book (TEXT, INTEGER, REAL, BLOB).

    Attributes:
        fixed: what never changes, the id first.
        words: what may change, without the id; none for most.
        points: the table of its points, the column that names it there, and their columns.
    """

    table: str
    fixed: Mapping[str, str]
    words: Mapping[str, str]
    points: tuple[str, str, Mapping[str, str]] | None = None


def kinds_of(db: Database) -> dict[str, Kind]:
    """Return the kinds of rows of a book, parents first."""
    return {table: _kind(db, table) for table in KINDS}


def kinds() -> dict[str, Kind]:
    """Return the kinds of rows of a book of this version, parents first."""
    db = Database(memory=True, execute_plugins=False)
    try:
        bring_to(db)
        return kinds_of(db)
    finally:
        db.close()


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
    if table == "sweeps":
        fixed[CURVE] = "BLOB"
    if table not in _CHILDREN:
        return Kind(table, fixed, words)
    child, key = _CHILDREN[table]
    points = {one.name: one.kind for one in columns_of(db.conn, child) if one.name != "digest"}
    return Kind(table, fixed, words, (child, key, points))


def tables(made_of: Mapping[str, Kind]) -> dict[str, str]:
    """Return the columns of the store's tables as SQL, in an order that references allow."""
    found = dict(_AT_THE_START)
    for kind in made_of.values():
        keys = "PRIMARY KEY (id)"
        if kind.table == "springs":  # else two benches could each add springs to one set at once
            keys += ", UNIQUE (set_id, turn)"
        found[kind.table] = (
            f"{_columns(kind.fixed, kind.table)}, digest bytea NOT NULL, {_FROM}, {keys}"
        )
        if kind.points is not None:
            child, key, points = kind.points
            found[child] = (
                f"{_columns(points, child)}, added_by text NOT NULL DEFAULT session_user,"
                f" PRIMARY KEY ({key}, point), FOREIGN KEY ({key})"
                f" REFERENCES {SCHEMA}.{kind.table} (id)"
            )
        if kind.words:
            found[f"{kind.table}_words"] = (
                f"id text NOT NULL REFERENCES {SCHEMA}.{kind.table} (id), words bytea NOT NULL,"
                f" {_columns(kind.words, '')}, {_FROM}, PRIMARY KEY (id, words)"
            )
        if kind.table == "springs":  # labels are words on a set, and name springs
            found["set_labels"] = _LABELS
    for table, columns in ANSWERS.items():
        given = ", ".join(f"{name} {kind}" for name, kind in columns.items())
        key = f", PRIMARY KEY ({_ANSWER_KEYS[table]})" if table in _ANSWER_KEYS else ""
        found[table] = f"{given}, added_by text NOT NULL DEFAULT session_user{key}"
    return found


def _columns(columns: Mapping[str, str], table: str) -> str:
    parts = []
    for name, kind in columns.items():
        refers = _REFERENCES.get(name) if table in KINDS else None
        more = f" REFERENCES {SCHEMA}.{refers} (id)" if refers else ""
        parts.append(f"{name} {_TYPES[kind]}{' NOT NULL' if name == 'id' else ''}{more}")
    return ", ".join(parts)


def store_sql(made_of: Mapping[str, Kind]) -> Iterator[str]:
    """Yield the statements that make a store and its roles, or bring an older one up to date."""
    yield f"CREATE SCHEMA IF NOT EXISTS {SCHEMA}"
    for table, columns in tables(made_of).items():
        yield f"CREATE TABLE IF NOT EXISTS {SCHEMA}.{table} ({columns})"
        if " push bigint" in columns and table != "pushes":
            yield f"CREATE INDEX IF NOT EXISTS {table}_by_push ON {SCHEMA}.{table} (bench, push)"
    for kind in made_of.values():
        for table, names in ((kind.table, kind.fixed), (f"{kind.table}_words", kind.words)):
            for name, of in names.items():
                column = f"{name} {_TYPES[of]}"
                yield f"ALTER TABLE {SCHEMA}.{table} ADD COLUMN IF NOT EXISTS {column}"
    for name in PACKED:  # the server is not to try and press them once more
        yield f"ALTER TABLE {SCHEMA}.sweeps ALTER COLUMN {name} SET STORAGE EXTERNAL"
    for table, columns in _LOOKED_UP.items():
        yield f"CREATE INDEX IF NOT EXISTS {table}_looked_up ON {SCHEMA}.{table} ({columns})"
    one = f"WHERE NOT EXISTS (SELECT 1 FROM {SCHEMA}.store)"  # noqa: S608
    made = "SELECT gen_random_uuid()::text"
    yield f"INSERT INTO {SCHEMA}.store (id) {made} {one}"
    yield f"INSERT INTO {SCHEMA}.versions VALUES ('{VERSION}') ON CONFLICT DO NOTHING"  # noqa: S608
    yield from _roles_sql(made_of)


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
    for table in tables(made_of):
        if table not in ("store", "versions"):
            names = ", ".join(names_of(made_of, table))
            yield f"GRANT INSERT ({names}) ON {SCHEMA}.{table} TO {BENCHES}"


def grant_reading() -> Iterator[str]:
    """Yield what lets both roles read all that there is by now."""
    for role in (BENCHES, READERS):
        yield f"GRANT SELECT ON ALL TABLES IN SCHEMA {SCHEMA} TO {role}"


def names_of(made_of: Mapping[str, Kind], table: str) -> list[str]:
    """Return the columns that a bench gives for a row of one of the store's tables."""
    base = table.removesuffix("_words")
    if table == "pushes":
        return ["bench", "push", "uuid", "version", "pushed_utc"]
    if table in ANSWERS:
        return list(ANSWERS[table])
    if table == "set_labels":
        return ["id", "words", "spring_id", "label"]
    if table in made_of:
        return [*made_of[table].fixed, "digest", "bench", "push"]
    if base in made_of:
        return ["id", "words", *made_of[base].words, "bench", "push"]
    points = next(
        kind.points for kind in made_of.values() if kind.points and kind.points[0] == table
    )
    return list(points[2])
