"""What a store holds beside rows, as the server describes it, compared with what we make.

Whatever is not ours could run when a bench adds a row, hide rows, or show readers other numbers: a
check or a trigger that calls a function, a default, a generated column, a rule, a policy, an index
over an expression, a view that was replaced, an owner or a right that we don't give.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

from coilbench.capture.shop.shape import BENCHES, SCHEMA, Kind, indexes, tables
from coilbench.capture.shop.views import VIEWS, view_sql

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


def strange_parts(query: Query, made_of: Mapping[str, Kind]) -> Iterator[str]:
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


def strong_roles(query: Query) -> Iterator[str]:
    """Yield roles of benches that may change or delete what others added, each with why."""
    for role, why in query(_STRONG, (), (str, str)):
        yield f"{role} ({why})"


def views_digest(definitions: Sequence[tuple[str, str]]) -> str:
    """Return a digest of views, each given by its name and definition."""
    return hashlib.blake2b(repr(sorted(definitions)).encode(), digest_size=16).hexdigest()


def known_views(query: Query, major: int) -> bool:
    """Tell whether the store's views are known to be ours on this version of the server."""
    views = [(name, text) for name, text in query(_VIEWS, (), (str, str))]
    return views_digest(views) == VIEWS_ON.get(major)


def strange_views(query: Query, execute: Callable[[str], None]) -> Iterator[str]:
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
