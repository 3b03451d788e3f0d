"""The book's tables and views, as numbered migrations.

Column names carry their unit. Raw counts are what the rig sent; everything in N or mm in
`curve_rows` was derived with the calibration that the sweep names.
"""

from __future__ import annotations

import sqlite_utils

from coilbench.capture.book.connection import Database
from coilbench.capture.book.digests import register, sealing
from coilbench.capture.book.first_tables import FIRST_TABLES
from coilbench.capture.book.news import note_news
from coilbench.capture.book.schema_later import (
    CURVES,
    DIGESTS,
    EDITS,
    ORDER,
    REST_ZEROS,
    SET_SOLID_U,
    SHOP,
    TALLIES,
)
from coilbench.capture.book.versions import MIGRATION_NAMES

migrations = sqlite_utils.Migrations("coilbench")


_CHECKS_AND_SCALES = """
CREATE TABLE mass_checks (
  id TEXT PRIMARY KEY,
  made_utc TEXT NOT NULL,
  load_part_id TEXT NOT NULL REFERENCES calibration_parts (id),
  device_id TEXT,
  mass_kg REAL NOT NULL,
  gravity_m_s2 REAL NOT NULL,
  zero_counts REAL NOT NULL,
  load_counts REAL NOT NULL,
  load_sd_counts REAL NOT NULL,
  error_n REAL NOT NULL,
  error_u_n REAL NOT NULL,
  tolerance_n REAL NOT NULL,
  passed INTEGER NOT NULL CHECK (passed IN (0, 1))
) STRICT;
CREATE TABLE rig_settings (
  only_row INTEGER PRIMARY KEY CHECK (only_row = 1),
  good_for_days REAL NOT NULL CHECK (good_for_days > 0)
) STRICT;
CREATE TABLE scales (
  id TEXT PRIMARY KEY,
  name TEXT NOT NULL,
  made_utc TEXT NOT NULL,
  origin TEXT NOT NULL,
  fit_json TEXT NOT NULL CHECK (json_valid(fit_json)),
  reference_u_relative REAL NOT NULL,
  gravity_m_s2 REAL NOT NULL,
  notes_json TEXT NOT NULL CHECK (json_valid(notes_json))
) STRICT;
CREATE TABLE scale_points (
  scale_id TEXT NOT NULL REFERENCES scales (id),
  point INTEGER NOT NULL,
  direction TEXT NOT NULL,
  mass_kg REAL NOT NULL,
  shown_kg REAL NOT NULL,
  residual_n REAL NOT NULL,
  PRIMARY KEY (scale_id, point)
) STRICT;
ALTER TABLE calibration_parts ADD COLUMN gravity_m_s2 REAL;
UPDATE calibration_parts SET gravity_m_s2 = 9.80665 WHERE kind = 'load';
"""


# nominal_json: {"loads": [{"height_mm", "load_n"}, …], "rate_n_per_mm", "tolerance_relative"}, as a
# maker prints it; NULL where there is none. ruling: what the user decided about a stroke, whatever
# our rules say of it; NULL leaves it to them.
_NOMINALS_AND_RULINGS = """
ALTER TABLE sets ADD COLUMN nominal_json TEXT
  CHECK (nominal_json IS NULL OR json_valid(nominal_json));
ALTER TABLE sweeps ADD COLUMN ruling TEXT
  CHECK (ruling IS NULL OR ruling IN ('use', 'leave'));
"""


# entry_id: one run of import or note, for undo. The solid height that a stroke shows is kept with
# the stroke, so that it goes when the stroke is undone. u_kg, u_mm: stated uncertainty (k = 2) of a
# calibration's masses and gauges; NULL where none was stated.
_ENTRIES_AND_REFERENCES = """
ALTER TABLE sweeps ADD COLUMN entry_id TEXT;
ALTER TABLE sweeps ADD COLUMN solid_height_mm REAL;
ALTER TABLE sweeps ADD COLUMN solid_reason TEXT;
UPDATE sweeps SET (solid_height_mm, solid_reason) =
    (SELECT solid_height_mm, solid_reason FROM springs WHERE springs.id = spring_id)
  WHERE rowid IN
    (SELECT max(rowid) FROM sweeps WHERE origin = 'points file' AND counted GROUP BY spring_id);
CREATE INDEX sweeps_by_entry ON sweeps (entry_id) WHERE entry_id IS NOT NULL;
ALTER TABLE calibration_points ADD COLUMN u_kg REAL;
ALTER TABLE calibration_points ADD COLUMN u_mm REAL;
ALTER TABLE scale_points ADD COLUMN u_kg REAL;
"""


# What lists ask of a stroke is in the index alone: its row carries the samples, and reading those
# pages took ten times as long. The view, without a grouping, is worked out for the set asked for
# and not for the whole book.
_SUMMARY = """
DROP VIEW spring_summary;
CREATE VIEW spring_summary AS
SELECT
  sets.name AS set_name,
  sets.role AS role,
  springs.turn AS turn,
  springs.label AS label,
  (SELECT count(*) FROM sweeps WHERE spring_id = springs.id
    AND purpose = 'measured' AND counted) AS sweeps_counted,
  (SELECT count(*) FROM sweeps WHERE spring_id = springs.id
    AND purpose = 'conditioning' AND counted) AS conditioning_presses,
  (SELECT count(*) FROM sweeps WHERE spring_id = springs.id
    AND NOT counted) AS sweeps_not_counted,
  (SELECT coalesce(sum(samples), 0) FROM sweeps
    WHERE spring_id = springs.id) AS samples,
  (SELECT coalesce(sum(samples_lost), 0) FROM sweeps
    WHERE spring_id = springs.id) AS samples_lost,
  {dimensions},
  ({highest}) AS highest_load_n,
  (SELECT min(height_mm) FROM curve_rows JOIN sweeps ON sweeps.id = curve_rows.sweep_id
    WHERE spring_id = springs.id AND counted AND purpose = 'measured') AS lowest_height_mm,
  (SELECT max(stored_utc) FROM sweeps WHERE spring_id = springs.id) AS last_stored_utc
FROM springs JOIN sets ON sets.id = springs.set_id
ORDER BY sets.made_utc, sets.rowid, springs.turn;
"""
_CELL_HIGHEST = """SELECT max(load_n) FROM curve_rows JOIN sweeps ON sweeps.id = curve_rows.sweep_id
    WHERE spring_id = springs.id AND counted AND purpose = 'measured'"""
_BRIEF = """
DROP INDEX sweeps_by_spring;
CREATE INDEX sweeps_in_brief ON sweeps
  (spring_id, purpose, counted, stored_utc, origin, samples, samples_lost);
""" + _SUMMARY.format(
    highest=_CELL_HIGHEST,
    dimensions="coalesce(springs.solid_height_mm, sets.solid_height_mm) AS solid_height_mm",
)

# label_swaps: the user's ruling that two springs of a set were pressed in each other's place. The
# labels are exchanged in springs; a swap of the same two takes it back.
_RATINGS_AND_SWAPS = """
CREATE TABLE rig_ratings (
  only_row INTEGER PRIMARY KEY CHECK (only_row = 1),
  cell_n REAL CHECK (cell_n > 0),
  press_n REAL CHECK (press_n > 0)
) STRICT;
CREATE TABLE label_swaps (
  id TEXT PRIMARY KEY,
  set_id TEXT NOT NULL REFERENCES sets (id),
  one_id TEXT NOT NULL REFERENCES springs (id),
  other_id TEXT NOT NULL REFERENCES springs (id),
  swapped_utc TEXT NOT NULL
) STRICT;
"""

_DIMENSIONS = """springs.own_free_length_mm AS free_length_mm,
  coalesce(springs.solid_by_hand_mm, springs.solid_height_mm, sets.solid_height_mm)
    AS solid_height_mm,
  springs.spring_mark AS mark,
  springs.spring_note AS note"""

# A row is one thing that was measured, corrected or noted by hand, of a spring or (spring_id NULL)
# of a set; all of its values NULL takes it back. The newest holds, and stands in the columns of
# sets and springs. length_u_mm: standard uncertainty (k = 1). added_utc: of a spring that came to
# its set later.
_BY_HAND = """
CREATE TABLE hand_entries (
  id TEXT PRIMARY KEY,
  set_id TEXT NOT NULL REFERENCES sets (id),
  spring_id TEXT REFERENCES springs (id),
  made_utc TEXT NOT NULL,
  what TEXT NOT NULL CHECK (what IN ('free_length_mm', 'solid_height_mm', 'wire_mm',
    'coil_diameter_mm', 'active_coils', 'role', 'note', 'mark')),
  length_mm REAL,
  length_u_mm REAL,
  active_coils REAL,
  words TEXT
) STRICT;
CREATE INDEX hand_entries_by_set ON hand_entries (set_id, spring_id, what, made_utc);
ALTER TABLE sets ADD COLUMN set_note TEXT;
ALTER TABLE sets ADD COLUMN set_mark TEXT;
ALTER TABLE springs ADD COLUMN added_utc TEXT;
ALTER TABLE springs ADD COLUMN own_free_length_mm REAL;
ALTER TABLE springs ADD COLUMN own_free_length_u_mm REAL;
ALTER TABLE springs ADD COLUMN solid_by_hand_mm REAL;
ALTER TABLE springs ADD COLUMN solid_by_hand_u_mm REAL;
ALTER TABLE springs ADD COLUMN spring_note TEXT;
ALTER TABLE springs ADD COLUMN spring_mark TEXT;
""" + _SUMMARY.format(highest=_CELL_HIGHEST, dimensions=_DIMENSIONS)

# How a load calibration's masses err: NULL in those made before, which took them together.
_MASSES_ERR = """
ALTER TABLE calibration_parts ADD COLUMN masses_err TEXT
  CHECK (masses_err IS NULL OR masses_err IN ('each', 'together'));
"""

# rests_n: what lies on the spring in every stroke, unseen since the zero is taken with it on; NULL
# where it was not told when the stroke was captured. cups_meet_mm: the height at which the cups do.
_WHAT_RESTS = """
ALTER TABLE rig_ratings ADD COLUMN rests_n REAL CHECK (rests_n >= 0);
ALTER TABLE rig_ratings ADD COLUMN cups_meet_mm REAL CHECK (cups_meet_mm >= 0);
ALTER TABLE sweeps ADD COLUMN rests_n REAL CHECK (rests_n >= 0);
"""

# What a set's own cup weighs, where it is not the rig's; the newest holds, for all its strokes, and
# NULL takes it back. resting_weights: what lies on the spring in a stroke of the rig: as told of
# its set, else when it was pressed, else of the rig now; NULL where none tells. The loads of the
# views have it, stored curve rows stay what the cell read.
_SET_RESTS = """
CREATE TABLE set_rests (
  id TEXT PRIMARY KEY,
  set_id TEXT NOT NULL REFERENCES sets (id),
  told_utc TEXT NOT NULL,
  rests_n REAL CHECK (rests_n >= 0)
) STRICT;
CREATE INDEX set_rests_by_set ON set_rests (set_id, told_utc, rests_n);
CREATE VIEW rests_of_sets AS
SELECT set_id, rests_n FROM set_rests AS told
WHERE rests_n IS NOT NULL AND NOT EXISTS
  (SELECT 1 FROM set_rests AS later WHERE later.set_id = told.set_id
    AND (later.told_utc, later.rowid) > (told.told_utc, told.rowid));
CREATE VIEW resting_weights AS
SELECT
  sweeps.id AS sweep_id,
  coalesce(
    (SELECT rests_n FROM rests_of_sets WHERE set_id = springs.set_id),
    sweeps.rests_n,
    (SELECT rests_n FROM rig_ratings WHERE only_row = 1)) AS rests_n
FROM sweeps JOIN springs ON springs.id = sweeps.spring_id
WHERE sweeps.calibration_id IS NOT NULL;
DROP VIEW curve_points;
CREATE VIEW curve_points AS
SELECT
  sets.name AS set_name,
  springs.label AS label,
  sweeps.stored_utc AS stored_utc,
  sweeps.status AS status,
  sweeps.purpose AS purpose,
  sweeps.counted AS counted,
  curve_rows.branch AS branch,
  curve_rows.point AS point,
  curve_rows.height_mm AS height_mm,
  curve_rows.load_n + coalesce(resting_weights.rests_n, 0) AS load_n,
  (curve_rows.load_n + coalesce(resting_weights.rests_n, 0)) / 9.80665 AS load_kg,
  resting_weights.rests_n AS rests_n,
  sweeps.calibration_id AS calibration_id,
  sweeps.id AS sweep_id
FROM curve_rows
JOIN sweeps ON sweeps.id = curve_rows.sweep_id
JOIN springs ON springs.id = sweeps.spring_id
JOIN sets ON sets.id = springs.set_id
LEFT JOIN resting_weights ON resting_weights.sweep_id = sweeps.id;
""" + _SUMMARY.format(  # noqa: S608  our own words
    highest="""SELECT max(
      (SELECT max(load_n) FROM curve_rows WHERE sweep_id = sweeps.id)
      + coalesce((SELECT rests_n FROM resting_weights WHERE sweep_id = sweeps.id), 0))
    FROM sweeps WHERE spring_id = springs.id AND counted AND purpose = 'measured'""",
    dimensions=_DIMENSIONS,
)

_TEXTS = (
    FIRST_TABLES,
    _CHECKS_AND_SCALES,
    _NOMINALS_AND_RULINGS,
    _ENTRIES_AND_REFERENCES,
    _BRIEF,
    _RATINGS_AND_SWAPS,
    _BY_HAND,
    _MASSES_ERR,
    _WHAT_RESTS,
    REST_ZEROS,
    SET_SOLID_U,
    _SET_RESTS,
    DIGESTS,
    EDITS,
    SHOP,
    ORDER,
    CURVES,
    TALLIES,
)
_SQL = dict(zip(MIGRATION_NAMES, _TEXTS, strict=True))


def _add(name: str) -> None:
    @migrations(name=name)
    def migrate(db: sqlite_utils.Database) -> None:
        text = _SQL[name]
        for statement in text.split(";") if isinstance(text, str) else text:
            if statement.strip():
                db.execute(statement)


for _name in MIGRATION_NAMES:
    _add(_name)


def bring_to(db: Database, version: str = MIGRATION_NAMES[-1]) -> None:
    """Bring a book from whatever version it has to this one, and make the digests of its rows.

    What is damaged stays so. That no row is gone is trusted: check it before.
    """
    register(db.conn)
    later = MIGRATION_NAMES[MIGRATION_NAMES.index(version) + 1 :]
    with sealing(db.conn):
        book = sqlite_utils.Database(db.conn, execute_plugins=False)
        migrations.apply(book, stop_before=later[:1] or None)
    note_news(db.conn)
