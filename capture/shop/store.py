"""The shop's store on a PostgreSQL server: known as ours, read and added to.

A row is never changed or deleted there. What it holds beside rows, as the server describes it, is
compared with what we make. Whatever is not ours could run when a bench adds a row, hide rows, or
show readers other numbers: a check or a trigger that calls a function, a default, a generated
column, a rule, a policy, an index over an expression, a view that was replaced, an owner or a right
that we don't give.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from coilbench.capture.book.rows import utc_now
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.shop.line import WAIT_S, Line, TryAgain, one_line
from coilbench.capture.shop.rows import Item, Push, escaped
from coilbench.capture.shop.shape import (
    BENCHES,
    SCHEMA,
    VERSION,
    Kind,
    indexes,
    kinds,
    store_sql,
    tables,
    words_of,
)
from coilbench.capture.shop.views import VIEWS, view_sql, views_sql

Query = Callable[..., list[tuple[Any, ...]]]
Part = tuple[str, str, str]  # what it is, its name, its definition
# `views_digest` of our views by the server's major version, since each writes them in its own way.
# Of a version that is not here they are made once more, for this session alone, and compared.
VIEWS_ON = {15: "946e610297b78bcf457af70a8628dfb6"}
_PARTS = f"""
WITH ours AS (
  SELECT c.*, n.nspowner FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace
  WHERE n.nspname = '{SCHEMA}'),
grants AS (
  SELECT '' AS name, '' AS col, g.*, n.nspowner AS owner
  FROM pg_namespace n, aclexplode(n.nspacl) g
  WHERE n.nspname = '{SCHEMA}' AND g.privilege_type <> 'USAGE'
  UNION ALL SELECT relname, '', g.*, relowner FROM ours, aclexplode(relacl) g
  WHERE g.privilege_type <> 'SELECT'
  UNION ALL SELECT relname, attname, g.*, relowner
  FROM ours JOIN pg_attribute ON attrelid = ours.oid AND NOT attisdropped, aclexplode(attacl) g
  WHERE g.privilege_type <> 'SELECT')
SELECT CASE relkind WHEN 'r' THEN 'table' WHEN 'v' THEN 'view' ELSE 'relation' END, relname,
  concat_ws(' ', CASE WHEN relkind NOT IN ('r', 'v') THEN 'of kind ' || relkind::text END,
    CASE WHEN relrowsecurity OR relforcerowsecurity THEN 'with row security' END,
    CASE WHEN relpersistence <> 'p' THEN 'not logged' END,
    CASE WHEN relowner <> nspowner THEN 'owned by ' || pg_get_userbyid(relowner) END,
    CASE WHEN reloptions IS NOT NULL AND relkind = 'v' THEN reloptions::text END)
FROM ours WHERE relkind NOT IN ('i', 'I')
UNION ALL SELECT 'column', relname || '.' || attname, concat_ws(' ',
    format_type(atttypid, atttypmod),
    CASE WHEN attcollation <> typcollation THEN 'COLLATE ' || attcollation::regcollation END,
    CASE WHEN attgenerated <> '' THEN 'GENERATED' END,
    CASE WHEN attidentity <> '' THEN 'IDENTITY' END,
    'DEFAULT ' || pg_get_expr(adbin, adrelid), CASE WHEN attnotnull THEN 'NOT NULL' END)
FROM ours JOIN pg_attribute a ON attrelid = ours.oid AND attnum > 0 AND NOT attisdropped
  JOIN pg_type t ON t.oid = atttypid LEFT JOIN pg_attrdef ON adrelid = attrelid AND adnum = attnum
WHERE relkind IN ('r', 'p', 'f')
UNION ALL SELECT 'constraint', relname, pg_get_constraintdef(k.oid)
FROM ours JOIN pg_constraint k ON conrelid = ours.oid WHERE contype NOT IN ('n', 't')
UNION ALL SELECT 'index', c.relname, pg_get_indexdef(indexrelid)
FROM ours JOIN pg_index i ON indrelid = ours.oid JOIN pg_class c ON c.oid = indexrelid
WHERE NOT EXISTS (SELECT 1 FROM pg_constraint WHERE conindid = indexrelid AND conrelid = indrelid)
UNION ALL SELECT 'trigger', relname || '.' || tgname, CASE WHEN tgisinternal
    THEN 'a key that is not checked' ELSE pg_get_triggerdef(t.oid) END
FROM ours JOIN pg_trigger t ON tgrelid = ours.oid WHERE NOT tgisinternal OR tgenabled <> 'O'
UNION ALL SELECT 'rule', relname || '.' || rulename, pg_get_ruledef(r.oid)
FROM ours JOIN pg_rewrite r ON ev_class = ours.oid WHERE rulename <> '_RETURN' OR relkind <> 'v'
UNION ALL SELECT 'policy', relname || '.' || polname, pg_get_expr(polqual, polrelid)
FROM ours JOIN pg_policy ON polrelid = ours.oid
UNION ALL SELECT 'inheritance', relname, inhrelid::regclass::text
FROM ours JOIN pg_inherits ON ours.oid IN (inhparent, inhrelid) WHERE relkind NOT IN ('i', 'I')
UNION ALL SELECT 'right', name, CASE grantee WHEN 0 THEN 'PUBLIC' ELSE pg_get_userbyid(grantee) END
    || ' ' || privilege_type || CASE WHEN is_grantable THEN ' to give on' ELSE '' END
    || coalesce(' (' || nullif(string_agg(col, ', ' ORDER BY col COLLATE "C"), '') || ')', '')
FROM grants WHERE grantee <> owner GROUP BY name, grantee, privilege_type, is_grantable
UNION ALL SELECT 'function', proname, pg_get_function_identity_arguments(p.oid)
FROM pg_proc p JOIN pg_namespace n ON n.oid = pronamespace WHERE nspname = '{SCHEMA}'
UNION ALL SELECT 'type', typname, '' FROM pg_type JOIN pg_namespace n ON n.oid = typnamespace
WHERE nspname = '{SCHEMA}' AND typtype <> 'c' AND typcategory <> 'A'
"""  # noqa: S608  our own names
# Of the role that asks, and of the one that the store belongs to where that is a bench's: whether
# it may do more than add. A membership counts also where it must be taken up first (SET ROLE).
_STRONG = f"""
SELECT me.rolname, CASE WHEN me.rolsuper THEN 'it is an administrator of the server'
  WHEN pg_has_role(me.oid, n.nspowner, 'MEMBER') THEN 'the store belongs to it'
  ELSE 'it may write to every table' END
FROM pg_roles me, pg_namespace n WHERE me.rolname = session_user AND n.nspname = '{SCHEMA}'
  AND (me.rolsuper OR pg_has_role(me.oid, n.nspowner, 'MEMBER')
    OR pg_has_role(me.oid, 'pg_write_all_data', 'MEMBER') OR EXISTS (SELECT 1 FROM pg_class c
      WHERE c.relnamespace = n.oid AND c.relkind = 'r'
        AND has_table_privilege(me.oid, c.oid, 'UPDATE, DELETE, TRUNCATE')))
UNION SELECT o.rolname, 'the store belongs to it'
FROM pg_namespace n JOIN pg_roles o ON o.oid = n.nspowner
WHERE n.nspname = '{SCHEMA}' AND NOT o.rolsuper AND pg_has_role(o.oid, '{BENCHES}', 'USAGE')
ORDER BY 1
"""  # noqa: S608  our own names
_VIEWS = f"""
SELECT relname, pg_get_viewdef(c.oid) FROM pg_class c JOIN pg_namespace n ON n.oid = relnamespace
WHERE nspname = '{SCHEMA}' AND relkind = 'v' ORDER BY relname COLLATE "C"
"""  # noqa: S608
_MOST_OFF_S = 86_400.0  # of a clock
_VERSIONS = f"SELECT version FROM {SCHEMA}.versions"  # noqa: S608  our own name
_STORE = f"SELECT id FROM {SCHEMA}.store"  # noqa: S608
_TABLES = """
SELECT c.relname FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace WHERE n.nspname = %s
"""
# The last push of each bench, by one look into the index each, however many pushes there are.
_HEADS = f"""
WITH RECURSIVE benches AS (
  SELECT min(bench) AS bench FROM {SCHEMA}.pushes
  UNION ALL SELECT (SELECT min(p.bench) FROM {SCHEMA}.pushes p WHERE p.bench > b.bench)
  FROM benches b WHERE b.bench IS NOT NULL)
SELECT b.bench, p.push, p.uuid FROM benches b CROSS JOIN LATERAL (SELECT push, uuid
  FROM {SCHEMA}.pushes q WHERE q.bench = b.bench ORDER BY push DESC LIMIT 1) p
"""  # noqa: S608


def _strange_parts(query: Query, made_of: Mapping[str, Kind]) -> Iterator[str]:
    """Yield what of a store is not as we make it, but for what its views show, in words."""
    found, expected = (
        Counter(query(_PARTS, (), (str, str | None, str | None))),
        Counter(_expected(made_of)),
    )
    for kind, name, definition in sorted((found - expected).elements()):
        yield f"{kind} {name or SCHEMA} that is not as we make it ({definition or 'not ours'})"
    for kind, name, definition in sorted((expected - found).elements()):
        yield f"{kind} {name} that is not as we make it ({definition or 'it'} is lacking)"


def _expected(made_of: Mapping[str, Kind]) -> Iterator[Part]:
    for name, table in tables(made_of).items():
        yield "table", name, ""
        for column, definition in table.columns.items():
            yield "column", f"{name}.{column}", definition
        for key in (*table.keys, table.check):
            yield "constraint", name, key
        if table.given:
            yield "right", name, f"{BENCHES} INSERT ({', '.join(sorted(table.given))})"
    for name, statement in indexes().items():
        yield "index", name, statement
    for name in VIEWS:
        yield "view", name, ""


def _strong_roles(query: Query) -> Iterator[str]:
    """Yield roles of benches that may change or delete what others added, each with why."""
    for role, why in query(_STRONG, (), (str, str)):
        yield f"{role} ({why})"


def _views_digest(definitions: Sequence[tuple[str, str]]) -> str:
    """Return a digest of views, each given by its name and definition."""
    return hashlib.blake2b(repr(sorted(definitions)).encode(), digest_size=16).hexdigest()


def known_views(query: Query, major: int) -> bool:
    """Tell whether the store's views are known to be ours on this version of the server."""
    views = [(name, text) for name, text in query(_VIEWS, (), (str, str))]
    return _views_digest(views) == VIEWS_ON.get(major)


def _strange_views(query: Query, execute: Callable[[str], None]) -> Iterator[str]:
    """Yield what views show something else than ours, in words.

    Ours are made once more beside them, for this session alone: call it in a transaction that is
    rolled back.
    """
    there: dict[str, str] = dict(query(_VIEWS, (), (str, str)))
    for name in VIEWS:
        execute(view_sql(name, "TEMPORARY VIEW", f"{SCHEMA}_{name}"))
        made = query(f"SELECT pg_get_viewdef('pg_temp.{SCHEMA}_{name}'::regclass)")
        if [(there.get(name),)] != made:
            yield f"view {name} that is not as we make it"


class Store(Line):
    """A connection to a store.

    Attributes:
        kinds: the kinds of rows, parents first: those given, else of a book of this version.
        store_id: which store it is; empty until it was looked at.
        clock_off_s: how far this machine's clock was ahead of the server's then.
        strong: roles of benches that may change or delete what others added, each with why.
    """

    def __init__(
        self, address: str, of: Mapping[str, Kind] | None = None, wait_s: int = WAIT_S
    ) -> None:
        self.kinds = kinds() if of is None else of
        self._shape = tables(self.kinds)
        self.store_id = ""
        self.clock_off_s = 0.0
        self.strong: list[str] = []
        super().__init__(address, wait_s)

    def again(self) -> None:
        """Connect once more after a loss, to the same store.

        Raises:
            CoilbenchError: another store is there now.
        """
        self.connect_again()
        before = self.store_id
        self.look()
        if self.store_id != before:
            raise _strange("another store than a moment ago")

    def init(self) -> bool:
        """Make the store with its roles, or bring an older one up to date; call no transaction.

        Returns:
            Whether there was none before.

        Raises:
            CoilbenchError: something else has the schema, the user may not make it, or what is
                there is not as we make it. Nothing is changed then.
        """
        with self.transaction():
            there = self._tables()
            if there and "store" not in there:
                raise _strange(f"a schema {SCHEMA!r} of something else")
            for statement in (*store_sql(self.kinds), *views_sql()):
                self.execute(statement)
            self._refuse_strange()
        return not there

    def look(self) -> None:
        """See that this is a store of ours and of this version, before anything is read of it.

        Raises:
            CoilbenchError: it is not, or a newer coilbench made it, or an older one.
        """
        with self.transaction(reading=True):
            there = self._tables()
            if not there:
                raise CoilbenchError(
                    "there is no store in this database",
                    hint="Is it the right database? Its administrator makes a store: coilbench "
                    "share URL --init, or with what coilbench share --init --sql prints",
                )
            if not {"store", "versions"} <= there:
                raise _strange(f"a schema {SCHEMA!r} of something else")
            self._refuse_version()
            self._refuse_strange()
            known = known_views(self.query, self.server_major)
            ids = [one for (one,) in self.query(_STORE)]
            self.strong = list(_strong_roles(self.query))
            clock = self.query("SELECT clock_timestamp()", (), (datetime,))
        for (server_now,) in clock:
            self._compare_clocks(server_now)
        if not known:
            self._refuse_strange_views()
        if len(ids) != 1 or not ids[0]:
            raise _strange("a store without an id" if not any(ids) else "a store of several ids")
        (self.store_id,) = ids

    def _compare_clocks(self, there: datetime) -> None:
        """Refuse a clock that is days off: what is newest is told by it."""
        self.clock_off_s = (datetime.fromisoformat(utc_now()) - there).total_seconds()
        if abs(self.clock_off_s) > _MOST_OFF_S:
            raise CoilbenchError(
                f"this machine's clock says {utc_now()[:16].replace('T', ' ')} UTC, the server's "
                f"{there.astimezone(UTC):%Y-%m-%d %H:%M}; nothing was shared",
                hint="Set the clock that is wrong: what is newest is told by it",
            )

    def _tables(self) -> set[str]:
        return {name for (name,) in self.query(_TABLES, [SCHEMA])}

    def _refuse_version(self) -> None:
        versions = {version for (version,) in self.query(_VERSIONS)}
        newest = max(versions, default="")
        if newest > VERSION:
            raise CoilbenchError(
                f"a newer coilbench keeps this store ({newest}); nothing was shared",
                hint="Update coilbench on this bench",
            )
        if newest < VERSION:
            raise CoilbenchError(
                f"this store is older ({newest or 'no version'}) than this coilbench; nothing was "
                "shared",
                hint="Its administrator brings it up to date as it was made: coilbench share URL "
                "--init, or with what coilbench share --init --sql prints (capture/SHOP.md)",
            )

    def _refuse_strange(self) -> None:
        for what in _strange_parts(self.query, self.kinds):
            raise _strange(f"a {one_line(what)}", _ADDED)

    def _refuse_strange_views(self) -> None:
        try:
            self.execute("BEGIN")
            found = list(_strange_views(self.query, self.execute))
        except TryAgain:
            raise
        except CoilbenchError as error:
            raise CoilbenchError(
                f"the store's views could not be compared with ours: {error.what}",
                hint="Its administrator lets benches make temporary ones: GRANT TEMPORARY ON "
                "DATABASE ... TO coilbench_bench",
            ) from error
        finally:
            self.roll_back()
        for what in found:
            raise _strange(f"a {what}", _ADDED)

    def push_uuids(self, of: Iterable[tuple[str, int]]) -> dict[tuple[str, int], str]:
        """Return the uuids of some pushes, each by its bench and number; those that are there."""
        wanted = list(of)
        sql = (
            f"SELECT bench, push, uuid FROM {SCHEMA}.pushes JOIN"  # noqa: S608  our own names
            " unnest(%s::text[], %s::bigint[]) AS p (bench, push) USING (bench, push)"
        )
        values = [[bench for bench, _ in wanted], [push for _, push in wanted]]
        return {
            (bench, push): uuid for bench, push, uuid in self.query(sql, values, (str, int, str))
        }

    def heads(self) -> dict[str, tuple[int, str]]:
        """Return each bench's last push and its uuid."""
        return {
            bench: (push, uuid) for bench, push, uuid in self.query(_HEADS, (), (str, int, str))
        }

    def pushed_by(self, bench: str) -> str:
        """Return which roles pushed as a bench."""
        sql = f"SELECT DISTINCT added_by FROM {SCHEMA}.pushes WHERE bench = %s ORDER BY 1"  # noqa: S608
        return " and ".join(by for (by,) in self.query(sql, [bench]))

    def digests(self, table: str, column: str, ids: Sequence[str]) -> set[tuple[str, bytes]]:
        """Return the ids and digests of those rows that the store has."""
        sql = f"SELECT id, {column} FROM {SCHEMA}.{table} WHERE id = ANY(%s)"  # noqa: S608
        asked = set(ids)
        found = self.query(sql, [list(ids)], (str, bytes))
        return {(row_id, digest) for row_id, digest in found if row_id in asked}

    def added_by(self, table: str, ids: Collection[str]) -> list[tuple[str, str]]:
        """Return which role added some rows, each with its id, in order."""
        sql = f"SELECT id, added_by FROM {SCHEMA}.{table} WHERE id = ANY(%s) ORDER BY id"  # noqa: S608
        rows = self.query(sql, [list(ids)], (str, str))
        return [(row_id, by) for row_id, by in rows if row_id in ids]

    def add(self, table: str, rows: Iterable[Sequence[object]]) -> None:
        """Add rows that are not there yet."""
        names = self._shape[table].given
        marks = ", ".join(["%b" if name in _BYTES else "%s" for name in names])
        sql = (
            f"INSERT INTO {SCHEMA}.{table} ({', '.join(names)}) VALUES ({marks})"  # noqa: S608
            " ON CONFLICT DO NOTHING"
        )
        self.send(sql, ([escaped(cell) for cell in row] for row in rows))

    def add_push(self, push: Push, now_utc: str) -> None:
        """Add a push; a second one of its number is refused by the key, and tried again."""
        sql = (
            f"INSERT INTO {SCHEMA}.pushes (bench, push, uuid, version, pushed_utc, manifest)"  # noqa: S608
            " VALUES (%s, %s, %s, %s, %s, %b)"
        )
        row = [push.bench, push.push, push.uuid, VERSION, now_utc, push.packed()]
        self.send(sql, [row])

    def add_items(self, items: Sequence[Item], push: Push) -> None:
        """Add rows of one kind, with their points, words and labels, where they are missing."""
        if not items:
            return
        made = [[*one.fixed.values(), one.digest(), push.bench, push.push] for one in items]
        self.add(items[0].kind.table, made)
        self.add_points(items)

    def add_points(self, items: Sequence[Item]) -> None:
        """Add the points of rows of one kind that have any."""
        if items and items[0].kind.points is not None:
            child, _, columns = items[0].kind.points
            rows = [[row[name] for name in columns] for one in items for row in one.points]
            self.add(child, rows)

    def add_words(self, items: Sequence[Item], push: Push) -> None:
        """Add what may change of rows of one kind, as it is now."""
        if not items or not items[0].words:
            return
        kind = items[0].kind
        digests = {item.row_id: item.words_digest() for item in items}
        from_ = (push.bench, push.push)
        self.add(
            words_of(kind.table),
            [[one.row_id, digests[one.row_id], *one.words.values(), *from_] for one in items],
        )
        self.add_labels(items)

    def add_labels(self, items: Sequence[Item]) -> None:
        """Add the labels of sets' springs, as they are now."""
        labels = [
            [item.row_id, item.words_digest(), spring_id, label]
            for item in items
            for spring_id, label in sorted(item.labels.items())
        ]
        if labels:
            self.add("set_labels", labels)


_BYTES = ("digest", "words", "inputs", "manifest", "samples_blob", "curve_packed", "content_digest")
_ANOTHER = "Give the address of the shop's store; a new one is made in a database of its own"
_ADDED = "Its administrator takes out what was added, or puts back what was changed"


def _strange(what: str, hint: str = _ANOTHER) -> CoilbenchError:
    return CoilbenchError(f"this database has {what}; nothing was read or written", hint=hint)
