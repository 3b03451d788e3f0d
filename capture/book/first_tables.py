"""The tables, views and indexes of a book's first version: what migration 0001 makes."""

from __future__ import annotations

from coilbench.capture.book.versions import APPLICATION_ID

FIRST_TABLES = f"""
CREATE TABLE calibration_parts (
  id TEXT PRIMARY KEY,
  kind TEXT NOT NULL CHECK (kind IN ('load', 'travel', 'flex')),
  made_utc TEXT NOT NULL,
  origin TEXT NOT NULL,
  device_id TEXT,
  boot_id INTEGER,
  fit_json TEXT NOT NULL CHECK (json_valid(fit_json)),
  reference_u_relative REAL NOT NULL,
  residual_sd_n REAL,
  residual_sd_mm REAL,
  notes_json TEXT NOT NULL CHECK (json_valid(notes_json))
) STRICT;
CREATE TABLE calibration_points (
  part_id TEXT NOT NULL REFERENCES calibration_parts (id),
  point INTEGER NOT NULL,
  direction TEXT,
  mass_kg REAL,
  length_mm REAL,
  load_counts REAL,
  travel_counts REAL,
  residual_n REAL,
  residual_mm REAL,
  PRIMARY KEY (part_id, point)
) STRICT;
CREATE TABLE calibrations (
  id TEXT PRIMARY KEY,
  made_utc TEXT NOT NULL,
  load_part_id TEXT NOT NULL REFERENCES calibration_parts (id),
  travel_part_id TEXT NOT NULL REFERENCES calibration_parts (id),
  flex_part_id TEXT REFERENCES calibration_parts (id)
) STRICT;
CREATE TABLE sets (
  id TEXT PRIMARY KEY,
  name TEXT NOT NULL UNIQUE,
  role TEXT NOT NULL CHECK (role IN ('outer', 'inner', 'single')),
  made_utc TEXT NOT NULL,
  free_length_mm REAL,
  solid_height_mm REAL,
  wire_mm REAL,
  coil_diameter_mm REAL,
  active_coils REAL,
  conditioning_strokes INTEGER NOT NULL,
  measured_strokes INTEGER NOT NULL
) STRICT;
CREATE TABLE springs (
  id TEXT PRIMARY KEY,
  set_id TEXT NOT NULL REFERENCES sets (id),
  label TEXT NOT NULL,
  turn INTEGER NOT NULL,
  solid_height_mm REAL,
  solid_reason TEXT,
  UNIQUE (set_id, label),
  UNIQUE (set_id, turn)
) STRICT;
CREATE TABLE sessions (
  id TEXT PRIMARY KEY,
  set_id TEXT NOT NULL REFERENCES sets (id),
  source_url TEXT NOT NULL,
  device_id TEXT,
  firmware TEXT,
  started_utc TEXT NOT NULL,
  seen_utc TEXT NOT NULL,
  ended_utc TEXT,
  ended_reason TEXT,
  samples INTEGER NOT NULL,
  samples_lost INTEGER NOT NULL,
  lines_bad INTEGER NOT NULL,
  restarts INTEGER NOT NULL,
  live_json TEXT CHECK (live_json IS NULL OR json_valid(live_json))
) STRICT;
CREATE TABLE sweeps (
  id TEXT PRIMARY KEY,
  spring_id TEXT NOT NULL REFERENCES springs (id),
  session_id TEXT REFERENCES sessions (id),
  calibration_id TEXT REFERENCES calibrations (id),
  stored_utc TEXT NOT NULL,
  origin TEXT NOT NULL
    CHECK (origin IN ('rig', 'raw file', 'converted file', 'points file', 'keyed')),
  status TEXT NOT NULL CHECK (status IN ('complete', 'aborted', 'interrupted', 'gapped')),
  purpose TEXT NOT NULL CHECK (purpose IN ('conditioning', 'measured')),
  counted INTEGER NOT NULL CHECK (counted IN (0, 1)),
  note TEXT,
  boot_id INTEGER,
  zero_counts REAL,
  samples INTEGER NOT NULL,
  samples_lost INTEGER NOT NULL,
  samples_format TEXT,
  samples_blob BLOB,
  keyed_json TEXT CHECK (keyed_json IS NULL OR json_valid(keyed_json)),
  load_u_n REAL NOT NULL,
  load_u_relative REAL NOT NULL,
  height_u_mm REAL NOT NULL,
  CHECK ((samples_blob IS NULL) = (samples_format IS NULL)),
  CHECK ((samples_format IS 'raw1') = (calibration_id IS NOT NULL))
) STRICT;
CREATE TABLE curve_rows (
  sweep_id TEXT NOT NULL REFERENCES sweeps (id),
  branch TEXT NOT NULL CHECK (branch IN ('loading', 'unloading')),
  point INTEGER NOT NULL,
  height_mm REAL NOT NULL,
  load_n REAL NOT NULL,
  PRIMARY KEY (sweep_id, branch, point)
) STRICT, WITHOUT ROWID;
CREATE TABLE stroke_chunks (
  session_id TEXT NOT NULL REFERENCES sessions (id),
  chunk INTEGER NOT NULL,
  spring_id TEXT NOT NULL REFERENCES springs (id),
  purpose TEXT NOT NULL CHECK (purpose IN ('conditioning', 'measured')),
  calibration_id TEXT NOT NULL REFERENCES calibrations (id),
  boot_id INTEGER,
  zero_counts REAL,
  load_u_n REAL NOT NULL,
  load_u_relative REAL NOT NULL,
  height_u_mm REAL NOT NULL,
  samples_format TEXT NOT NULL,
  samples_blob BLOB NOT NULL,
  PRIMARY KEY (session_id, chunk)
) STRICT;
CREATE INDEX sweeps_by_spring ON sweeps (spring_id, stored_utc);

CREATE VIEW spring_summary AS
SELECT
  sets.name AS set_name,
  sets.role AS role,
  springs.turn AS turn,
  springs.label AS label,
  coalesce(sum(sweeps.purpose = 'measured' AND sweeps.counted), 0) AS sweeps_counted,
  coalesce(sum(sweeps.purpose = 'conditioning' AND sweeps.counted), 0) AS conditioning_presses,
  coalesce(sum(sweeps.counted = 0), 0) AS sweeps_not_counted,
  coalesce(sum(sweeps.samples), 0) AS samples,
  coalesce(sum(sweeps.samples_lost), 0) AS samples_lost,
  coalesce(springs.solid_height_mm, sets.solid_height_mm) AS solid_height_mm,
  (SELECT max(load_n) FROM curve_rows JOIN sweeps AS s ON s.id = curve_rows.sweep_id
    WHERE s.spring_id = springs.id AND s.counted AND s.purpose = 'measured') AS highest_load_n,
  (SELECT min(height_mm) FROM curve_rows JOIN sweeps AS s ON s.id = curve_rows.sweep_id
    WHERE s.spring_id = springs.id AND s.counted AND s.purpose = 'measured') AS lowest_height_mm,
  max(sweeps.stored_utc) AS last_stored_utc
FROM springs
JOIN sets ON sets.id = springs.set_id
LEFT JOIN sweeps ON sweeps.spring_id = springs.id
GROUP BY springs.id
ORDER BY sets.made_utc, sets.rowid, springs.turn;
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
  curve_rows.load_n AS load_n,
  curve_rows.load_n / 9.80665 AS load_kg,
  sweeps.calibration_id AS calibration_id,
  sweeps.id AS sweep_id
FROM curve_rows
JOIN sweeps ON sweeps.id = curve_rows.sweep_id
JOIN springs ON springs.id = sweeps.spring_id
JOIN sets ON sets.id = springs.set_id;
PRAGMA application_id = {APPLICATION_ID};
"""  # noqa: S608  our own number
