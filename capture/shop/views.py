"""Views of the store for plain SQL: what stands now, in words; and answers as they were worked out.

Written so that a plan reads by keys: what stands of a row is looked up by its id.
"""

from __future__ import annotations

from collections.abc import Iterator

from coilbench.capture.book.merge_rows import RULES
from coilbench.capture.shop.shape import SCHEMA, grant_reading

_LAST_WORDS = """SELECT {column} FROM {schema}.sets_words w WHERE w.id = s.id
    ORDER BY {counter} DESC NULLS LAST, {column} COLLATE "C" DESC LIMIT 1"""
_BY_HAND = """SELECT h.{value} FROM {schema}.hand_entries h WHERE h.set_id = s.id
    AND h.spring_id {of} AND h.what = '{what}'
    ORDER BY h.edits DESC NULLS LAST, h.made_utc DESC NULLS LAST, h.id DESC LIMIT 1"""


def _last(column: str, counter: str) -> str:
    return f"({_LAST_WORDS.format(column=column, counter=counter, schema=SCHEMA)})"


def _by_hand(what: str, value: str, of: str = "IS NULL") -> str:
    return f"({_BY_HAND.format(what=what, value=value, of=of, schema=SCHEMA)})"


_FIRST_ROLE = f"(SELECT w.role FROM {SCHEMA}.sets_words w WHERE w.id = s.id LIMIT 1)"  # noqa: S608  our own names
# What `seen` says of a bench. As text: what is no JSON, or has no numbers, says nothing.
_SEEN = """substring(split_part(a.seen, '"' || n.bench || '": ', 2) from '^[0-9]{1,15}')::bigint"""
# Whether nothing that an answer follows from was given since by a push that it does not know.
STILL_TRUE = f"""coalesce(NOT EXISTS (SELECT 1 FROM (
    SELECT x.bench, x.push FROM {SCHEMA}.springs s JOIN {SCHEMA}.sweeps x ON x.spring_id = s.id
      WHERE s.set_id = a.set_id
    UNION ALL SELECT w.bench, w.push FROM {SCHEMA}.springs s
      JOIN {SCHEMA}.sweeps x ON x.spring_id = s.id JOIN {SCHEMA}.sweeps_words w ON w.id = x.id
      WHERE s.set_id = a.set_id
    UNION ALL SELECT m.bench, m.push FROM {SCHEMA}.springs s
      JOIN {SCHEMA}.sweeps x ON x.spring_id = s.id
      JOIN {SCHEMA}.calibrations c ON c.id = x.calibration_id
      JOIN {SCHEMA}.mass_checks m ON m.load_part_id = c.load_part_id WHERE s.set_id = a.set_id
    UNION ALL SELECT s.bench, s.push FROM {SCHEMA}.springs s WHERE s.set_id = a.set_id
    UNION ALL SELECT w.bench, w.push FROM {SCHEMA}.sets_words w WHERE w.id = a.set_id
    UNION ALL SELECT h.bench, h.push FROM {SCHEMA}.hand_entries h WHERE h.set_id = a.set_id
    UNION ALL SELECT r.bench, r.push FROM {SCHEMA}.set_rests r WHERE r.set_id = a.set_id) n
  WHERE n.push > coalesce({_SEEN}, 0)) AND a.seen IS NOT NULL, false)"""  # noqa: S608

# The newest: one that claims to be of days to come is none.
_ANSWER = f"""(SELECT a.*, {STILL_TRUE} AS still_true
  FROM {SCHEMA}.answers a WHERE a.id = (SELECT b.id FROM {SCHEMA}.answers b
    WHERE b.set_id = a.set_id AND b.judged_utc COLLATE "C" <
      to_char((now() + '1 day'::interval) AT TIME ZONE 'UTC', 'YYYY-MM-DD"T"HH24:MI:SS')
    ORDER BY b.judged_utc COLLATE "C" DESC, b.id DESC LIMIT 1))"""  # noqa: S608

# By name: what it shows, as SELECT.
VIEWS = {
    "sets_as_they_stand": f"""
SELECT s.id AS set_id, {_last("name", "name_edits")} AS set_name,
  coalesce({_by_hand("role", "words")}, {_FIRST_ROLE}) AS role,
  {_by_hand("note", "words")} AS note,
  {_last("nominal_json", "nominal_edits")} AS nominal_json, s.made_utc
FROM {SCHEMA}.sets s""",  # noqa: S608
    "springs_as_they_stand": f"""
SELECT s.set_id, t.set_name, t.role, coalesce(s.turn, (SELECT count(*)
    FROM {SCHEMA}.springs o WHERE o.set_id = s.set_id AND (o.turn IS NOT NULL
    OR o.added_utc COLLATE "C" < s.added_utc COLLATE "C"
    OR o.added_utc = s.added_utc AND o.id COLLATE "C" <= s.id COLLATE "C"))) AS turn,
  s.id AS spring_id,
  (SELECT l.label FROM {SCHEMA}.set_labels l
    JOIN {SCHEMA}.sets_words w USING (id, words, added_by) WHERE l.spring_id = s.id
    ORDER BY w.label_edits DESC NULLS LAST, l.label COLLATE "C" DESC LIMIT 1) AS label,
  (SELECT h.length_mm FROM {SCHEMA}.hand_entries h
    WHERE h.spring_id = s.id AND h.what = 'free_length_mm'
    ORDER BY h.edits DESC NULLS LAST, h.made_utc DESC NULLS LAST, h.id DESC LIMIT 1)
    AS own_free_length_mm,
  (SELECT h.words FROM {SCHEMA}.hand_entries h WHERE h.spring_id = s.id AND h.what = 'mark'
    ORDER BY h.edits DESC NULLS LAST, h.made_utc DESC NULLS LAST, h.id DESC LIMIT 1) AS mark,
  s.added_by
FROM {SCHEMA}.springs s JOIN {SCHEMA}.sets_as_they_stand t ON t.set_id = s.set_id""",  # noqa: S608
    "strokes_as_they_stand": f"""
SELECT p.set_id, p.set_name, p.spring_id, p.label, w.id AS stroke_id, x.stored_utc, x.origin,
  x.purpose, w.status, coalesce(w.ruling = 'use', w.counted = 1) AS counted, w.ruling, w.note,
  x.samples, x.samples_lost, x.calibration_id, x.added_by, w.added_by AS said_by
FROM {SCHEMA}.sweeps x
JOIN {SCHEMA}.sweeps_words w ON w.id = x.id AND (w.words, w.added_by) = (SELECT v.words, v.added_by
  FROM {SCHEMA}.sweeps_words v WHERE v.id = x.id
  ORDER BY {RULES["sweeps"].order_sql()}, v.words, v.added_by COLLATE "C" LIMIT 1)
JOIN {SCHEMA}.springs_as_they_stand p ON p.spring_id = x.spring_id""",  # noqa: S608
    "loads_at_heights": f"""
SELECT p.set_name, p.label, l.height_mm, l.load_n, l.load_u_n, a.still_true, a.program_version,
  a.judged_utc, a.strokes_kept, a.branch, p.set_id, p.spring_id, a.id AS answer_id, a.added_by
FROM {SCHEMA}.answer_loads l JOIN {_ANSWER} a ON a.id = l.answer_id
JOIN {SCHEMA}.springs_as_they_stand p ON p.spring_id = l.spring_id""",  # noqa: S608
    "rates_of_springs": f"""
SELECT p.set_name, p.label, r.rate_n_per_mm, r.rate_u_n_per_mm, r.free_length_mm,
  r.solid_height_mm, a.still_true, a.program_version, a.judged_utc, a.strokes_kept, a.branch,
  p.set_id, p.spring_id, a.id AS answer_id, a.added_by
FROM {SCHEMA}.answer_springs r JOIN {_ANSWER} a ON a.id = r.answer_id
JOIN {SCHEMA}.springs_as_they_stand p ON p.spring_id = r.spring_id""",  # noqa: S608
    "flags_with_reasons": f"""
SELECT p.set_name, p.label, f.kind, f.reason, a.still_true, a.tolerance_relative, a.program_version,
  a.judged_utc, p.set_id, p.spring_id, a.id AS answer_id, a.added_by
FROM {SCHEMA}.answer_flags f JOIN {_ANSWER} a ON a.id = f.answer_id
JOIN {SCHEMA}.springs_as_they_stand p ON p.spring_id = f.spring_id""",  # noqa: S608
    "calibrations_in_use": f"""
SELECT c.id AS calibration_id, c.made_utc, l.device_id, l.origin AS load_origin,
  l.reference_u_relative, l.residual_sd_n, t.origin AS travel_origin, t.residual_sd_mm,
  c.flex_part_id IS NOT NULL AS with_flex,
  NOT EXISTS (SELECT 1 FROM {SCHEMA}.calibrations d JOIN {SCHEMA}.calibration_parts m
    ON m.id = d.load_part_id WHERE m.device_id IS NOT DISTINCT FROM l.device_id
    AND (d.made_utc, d.id) > (c.made_utc, c.id)) AS last_of_its_rig,
  (SELECT count(*) FROM {SCHEMA}.sweeps x WHERE x.calibration_id = c.id) AS strokes,
  (SELECT max(x.stored_utc) FROM {SCHEMA}.sweeps x WHERE x.calibration_id = c.id) AS last_used_utc,
  c.added_by
FROM {SCHEMA}.calibrations c JOIN {SCHEMA}.calibration_parts l ON l.id = c.load_part_id
JOIN {SCHEMA}.calibration_parts t ON t.id = c.travel_part_id""",  # noqa: S608
    "scales_weighed": f"""
SELECT s.name || '~' || substr(s.id, 1, 4) AS scale_name, s.name AS called_at_its_bench, s.made_utc,
  s.origin, s.reference_u_relative, s.id AS scale_id, s.added_by
FROM {SCHEMA}.scales s""",  # noqa: S608
    "benches_last_heard": f"""
SELECT bench, added_by, max(push) AS pushes,
  to_char(max(heard) AT TIME ZONE 'UTC', 'YYYY-MM-DD"T"HH24:MI:SS"+00:00"') AS last_heard_utc,
  max(version) AS book_version
FROM {SCHEMA}.pushes GROUP BY bench, added_by""",  # noqa: S608
}


def views_sql() -> Iterator[str]:
    """Yield the statements that make the views, in place of older ones.

    Where the columns are the same, other views may rest on them; else PostgreSQL refuses and names
    these.
    """
    anew = [view_sql(name, "OR REPLACE VIEW", f"{SCHEMA}.{name}") for name in VIEWS]
    gone = [f"DROP VIEW IF EXISTS {SCHEMA}.{name}" for name in reversed(VIEWS)]
    yield (
        f"DO $views$ BEGIN {'; '.join(anew)};"
        f" EXCEPTION WHEN invalid_table_definition THEN {'; '.join([*gone, *anew])}; END $views$"
    )
    yield from grant_reading()


def view_sql(name: str, kind: str, called: str) -> str:
    """Return the statement that makes one of the views as this kind, under this name."""
    return f"CREATE {kind} {called} AS{VIEWS[name]}"
