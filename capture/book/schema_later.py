"""The text of later migrations, for `schema.py`."""

# What the cell read at rest when its health was looked at: how its zero goes.
REST_ZEROS = """
CREATE TABLE rest_zeros (
  id TEXT PRIMARY KEY,
  device_id TEXT NOT NULL,
  read_utc TEXT NOT NULL,
  load_counts REAL NOT NULL
) STRICT;
"""

# Standard uncertainty (k = 1) of the set's solid height; NULL where none was stated.
SET_SOLID_U = """
ALTER TABLE sets ADD COLUMN solid_height_u_mm REAL CHECK (solid_height_u_mm >= 0);
"""

# A digest of each row: `digests.py` makes and keeps them. A stroke has one of what never changes of
# it, one of its state, and one of its samples and its curve's rows.
DIGESTS = "".join(
    f"ALTER TABLE {table} ADD COLUMN {column} BLOB;"
    for table, *columns in (
        ("calibration_parts", "digest"),
        ("calibration_points", "digest"),
        ("calibrations", "digest"),
        ("scales", "digest"),
        ("scale_points", "digest"),
        ("mass_checks", "digest"),
        ("rest_zeros", "digest"),
        ("rig_settings", "digest"),
        ("rig_ratings", "digest"),
        ("sets", "digest"),
        ("springs", "digest"),
        ("label_swaps", "digest"),
        ("hand_entries", "digest"),
        ("set_rests", "digest"),
        ("sessions", "digest"),
        ("stroke_chunks", "digest"),
        ("sweeps", "digest", "state_digest", "content_digest"),
    )
    for column in columns
)

# How often each thing was changed: `edits.py`. Of entries that take each other's place the one with
# the highest count holds; those of one count as before, by time.
EDITS = """
ALTER TABLE sets ADD COLUMN name_edits INTEGER NOT NULL DEFAULT 0 CHECK (name_edits >= 0);
ALTER TABLE sets ADD COLUMN label_edits INTEGER NOT NULL DEFAULT 0 CHECK (label_edits >= 0);
ALTER TABLE sets ADD COLUMN nominal_edits INTEGER NOT NULL DEFAULT 0 CHECK (nominal_edits >= 0);
ALTER TABLE sweeps ADD COLUMN edits INTEGER NOT NULL DEFAULT 0 CHECK (edits >= 0);
ALTER TABLE hand_entries ADD COLUMN edits INTEGER NOT NULL DEFAULT 0 CHECK (edits >= 0);
ALTER TABLE set_rests ADD COLUMN edits INTEGER NOT NULL DEFAULT 0 CHECK (edits >= 0);
DROP INDEX set_rests_by_set;
CREATE INDEX set_rests_by_set ON set_rests (set_id, edits, told_utc, id, rests_n);
DROP VIEW rests_of_sets;
CREATE VIEW rests_of_sets AS
SELECT set_id, rests_n FROM set_rests AS told
WHERE rests_n IS NOT NULL AND NOT EXISTS
  (SELECT 1 FROM set_rests AS later WHERE later.set_id = told.set_id
    AND (later.edits, later.told_utc, later.id) > (told.edits, told.told_utc, told.id));
"""

# shop: the store that this book is shared with, this bench's own: its address without a password,
# and the last push that the store has. A push has its uuid here before it is sent, so that a lost
# answer is settled by a look. shop_seen: the last push of each other bench that came in.
# shop_news: what the store may lack, a row a change, removed once the store has it.
SHOP = """
CREATE TABLE shop (
  only_row INTEGER PRIMARY KEY CHECK (only_row = 1),
  store_id TEXT NOT NULL,
  address TEXT NOT NULL,
  bench_id TEXT NOT NULL,
  pushed INTEGER NOT NULL CHECK (pushed >= 0),
  pushed_uuid TEXT,
  pending_uuid TEXT
) STRICT;
CREATE TABLE shop_seen (
  bench_id TEXT PRIMARY KEY,
  push INTEGER NOT NULL,
  push_uuid TEXT NOT NULL
) STRICT;
CREATE TABLE shop_news (
  stamp INTEGER PRIMARY KEY,
  kind TEXT NOT NULL,
  row_id TEXT NOT NULL
) STRICT;
CREATE INDEX shop_news_by_row ON shop_news (kind, row_id);
"""

# From here on the digests cover the order of storing, rows are deleted by us alone, and what is
# kept of the store has digests: a lost piece of news would be a change that nobody gets.
ORDER = """
ALTER TABLE shop ADD COLUMN digest BLOB;
ALTER TABLE shop_seen ADD COLUMN digest BLOB;
ALTER TABLE shop_news ADD COLUMN digest BLOB;
"""

# A curve, one branch of a stroke, is named once by a number: the stroke's id and the branch's name
# beside each point took half of a book. `curve_rows` shows them as before, and takes new ones.
CURVES = (
    """
CREATE TABLE curves (
  curve INTEGER PRIMARY KEY,
  sweep_id TEXT NOT NULL REFERENCES sweeps (id),
  branch TEXT NOT NULL CHECK (branch IN ('loading', 'unloading')),
  UNIQUE (sweep_id, branch)
) STRICT""",
    """
CREATE TABLE curve_steps (
  curve INTEGER NOT NULL REFERENCES curves (curve),
  point INTEGER NOT NULL,
  height_mm REAL NOT NULL,
  load_n REAL NOT NULL,
  PRIMARY KEY (curve, point)
) STRICT, WITHOUT ROWID""",
    "INSERT INTO curves (sweep_id, branch) SELECT DISTINCT sweep_id, branch FROM curve_rows",
    """
INSERT INTO curve_steps SELECT curve, point, height_mm, load_n
FROM curves JOIN curve_rows USING (sweep_id, branch)""",
    "DROP TABLE curve_rows",
    """
CREATE VIEW curve_rows AS
SELECT sweep_id, branch, point, height_mm, load_n FROM curves JOIN curve_steps USING (curve)""",
    """
CREATE TRIGGER curve_rows_stored INSTEAD OF INSERT ON curve_rows BEGIN
  INSERT INTO curves (sweep_id, branch) SELECT new.sweep_id, new.branch
    WHERE NOT EXISTS
      (SELECT 1 FROM curves WHERE sweep_id = new.sweep_id AND branch = new.branch);
  INSERT INTO curve_steps SELECT curve, new.point, new.height_mm, new.load_n
    FROM curves WHERE sweep_id = new.sweep_id AND branch = new.branch;
END""",
)

# A tally of each whole: a set, the rig, the store, the list of sets: `tallies.py` keeps them. No
# digest: a tally is one of all that it counts. The indexes lead to what a set's tally counts, and
# to a capture that did not end.
TALLIES = """
CREATE TABLE tallies (
  of TEXT PRIMARY KEY,
  rows INTEGER NOT NULL,
  total BLOB NOT NULL
) STRICT, WITHOUT ROWID;
CREATE INDEX sessions_by_set ON sessions (set_id);
CREATE INDEX sessions_by_end ON sessions (ended_utc);
CREATE INDEX label_swaps_by_set ON label_swaps (set_id);
"""
