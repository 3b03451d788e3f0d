"""The migrations that let several benches keep one record: text for `schema.py`."""

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
