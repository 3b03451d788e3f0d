"""Books of many springs for the measurements: strokes of the simulated rig, given new names."""

from __future__ import annotations

import contextlib
import io
import uuid
from pathlib import Path

from sqlite_utils import Database

from coilbench.analysis.cli import run
from coilbench.capture.book.digests import DIGESTS, seal_content
from coilbench.capture.book.opening import open_book

SPRINGS_A_SET, STROKES_A_SPRING = 12, 3
_STROKES = """
SELECT sweeps.id FROM template.sweeps JOIN template.springs ON spring_id = springs.id
JOIN template.sets ON set_id = sets.id WHERE sets.name = ? AND purpose = 'measured'
"""


def demo(path: Path) -> Path:
    """Make the demo's book, whose strokes the others copy."""
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        assert run(["demo", "--book", str(path)]) == 0
    return path


def fill(
    template: Path,
    path: Path,
    springs: int,
    called: str = "set",
    role: str = "outer",
    like: str = "larch",
) -> None:
    """Add sets of twelve springs to a book, each spring with three strokes of one of `like`."""
    with open_book(path, create=True) as db:
        db.execute("ATTACH ? AS template", [str(template)])
        db.execute("PRAGMA synchronous = OFF")
        db.conn.execute("BEGIN")
        for table in ("calibration_parts", "calibration_points", "calibrations"):
            db.execute(f"INSERT OR IGNORE INTO main.{table} SELECT * FROM template.{table}")
        strokes = [row[0] for row in db.execute(_STROKES, [like])]
        for number in range(-(-springs // SPRINGS_A_SET)):
            _add_set(db, f"{called}{number:04d}", role, strokes)
        db.conn.commit()


def _add_set(db: Database, name: str, role: str, strokes: list[str]) -> None:
    set_id = str(uuid.uuid4())
    db.execute(
        "INSERT INTO sets (id, name, role, made_utc, conditioning_strokes, measured_strokes)"
        " VALUES (?, ?, ?, '2026-05-01T10:00:00.000+00:00', 0, 3)",
        [set_id, name, role],
    )
    for turn in range(1, SPRINGS_A_SET + 1):
        spring_id = str(uuid.uuid4())
        db.execute(
            "INSERT INTO springs (id, set_id, label, turn) VALUES (?, ?, ?, ?)",
            [spring_id, set_id, f"{name}-{turn:02d}", turn],
        )
        for stroke in range(STROKES_A_SPRING):
            _add_stroke(db, spring_id, strokes[(turn * STROKES_A_SPRING + stroke) % len(strokes)])


def _add_stroke(db: Database, spring_id: str, source: str) -> None:
    columns = [row[1] for row in db.execute("PRAGMA main.table_info(sweeps)")]
    columns = [column for column in columns if column not in DIGESTS]
    own = {"id": "?", "spring_id": "?", "session_id": "NULL"}
    chosen = ", ".join(own.get(column, column) for column in columns)
    sweep_id = str(uuid.uuid4())
    db.execute(
        f"INSERT INTO sweeps ({', '.join(columns)})"
        f" SELECT {chosen} FROM template.sweeps WHERE id = ?",
        [sweep_id, spring_id, source],
    )
    db.execute(
        "INSERT INTO curve_rows SELECT ?, branch, point, height_mm, load_n"
        " FROM template.curve_rows WHERE sweep_id = ?",
        [sweep_id, source],
    )
    seal_content(db.conn, sweep_id)
