"""Books of many springs for the measurements: strokes of the simulated rig, given new names."""

from __future__ import annotations

import contextlib
import io
import struct
import uuid
from pathlib import Path

import numpy as np
from sqlite_utils import Database

from coilbench.analysis.cli import run
from coilbench.capture.book.digests import BRANCHES, digest_of_content
from coilbench.capture.book.opening import open_book
from coilbench.capture.strokes.stored import pack, unpack

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
    spread: float = 0.0,
) -> None:
    """Add sets of twelve springs to a book, each spring with three strokes of one of `like`.

    Random ids, sorted first: so a large book is written from its beginning to its end. Spread: by
    what share springs differ in stiffness, a standard deviation, half of it from set to set; the
    counts of their strokes are changed.
    """
    sets = -(-springs // SPRINGS_A_SET)
    set_ids, spring_ids, sweep_ids = (
        sorted(str(uuid.uuid4()) for _ in range(sets * many))
        for many in (1, SPRINGS_A_SET, SPRINGS_A_SET * STROKES_A_SPRING)
    )
    with open_book(path, create=True) as db:
        db.execute("ATTACH ? AS template", [str(template)])
        db.execute("PRAGMA synchronous = OFF")
        db.execute("PRAGMA cache_size = -200000")
        db.conn.execute("BEGIN")
        for table in ("calibration_parts", "calibration_points", "calibrations"):
            db.execute(f"INSERT OR IGNORE INTO main.{table} SELECT * FROM template.{table}")
        db.conn.executemany(
            "INSERT INTO sets (id, name, role, made_utc, conditioning_strokes, measured_strokes)"
            " VALUES (?, ?, ?, '2026-05-01T10:00:00.000+00:00', 0, 3)",
            [(set_id, f"{called}{number:04d}", role) for number, set_id in enumerate(set_ids)],
        )
        places = [divmod(number, SPRINGS_A_SET) for number in range(len(spring_ids))]
        db.conn.executemany(
            "INSERT INTO springs (id, set_id, label, turn) VALUES (?, ?, ?, ?)",
            [
                (one, set_ids[of], f"{called}{of:04d}-{turn + 1:02d}", turn + 1)
                for one, (of, turn) in zip(spring_ids, places, strict=True)
            ],
        )
        random = np.random.default_rng(len(spring_ids))
        own, of_set = random.standard_normal(len(spring_ids)), random.standard_normal(sets)
        both = np.sqrt(0.5) * (own + np.repeat(of_set, SPRINGS_A_SET))
        _add_strokes(db, sweep_ids, spring_ids, like, 1.0 + spread * both)
        db.conn.commit()


def _add_strokes(
    db: Database, sweep_ids: list[str], spring_ids: list[str], like: str, stiffer: np.ndarray
) -> None:
    sources = [row[0] for row in db.execute(_STROKES, [like])]
    pairs = [(one, sources[number % len(sources)]) for number, one in enumerate(sweep_ids)]
    columns = [row[1] for row in db.execute("PRAGMA main.table_info(sweeps)")]
    columns = [column for column in columns if column not in ("digest", "state_digest")]
    own = {"id": "?", "spring_id": "?", "session_id": "NULL"}
    own |= {"samples_blob": "?", "content_digest": "?"}
    chosen = ", ".join(own.get(column, column) for column in columns)
    sql = (
        f"INSERT INTO sweeps ({', '.join(columns)})"
        f" SELECT {chosen} FROM template.sweeps WHERE id = ?"
    )
    given = [column for column in columns if own.get(column) == "?"]
    for number, (one, source) in enumerate(pairs):
        spring = number // STROKES_A_SPRING
        factor = float(stiffer[spring])
        blob, rows = _content(db, source, factor)
        told = {"id": one, "spring_id": spring_ids[spring], "samples_blob": blob}
        told["content_digest"] = digest_of_content(one, blob, rows)
        db.conn.execute(sql, [*(told[column] for column in given), source])
        db.conn.execute(
            "INSERT INTO curve_rows SELECT ?, branch, point, height_mm, load_n * ?"
            " FROM template.curve_rows WHERE sweep_id = ?",
            [one, factor, source],
        )


def _content(db: Database, source: str, factor: float) -> tuple[bytes, list[bytes]]:
    """Return a stroke's samples and the rows of its branches, as its digest covers them."""
    sql = "SELECT samples_format, zero_counts, samples_blob FROM template.sweeps WHERE id = ?"
    name, zero_counts, blob = db.execute(sql, [source]).fetchone()
    if factor != 1.0:
        samples = unpack(name, blob).copy()
        counts = zero_counts + factor * (samples["load_counts"] - zero_counts)
        samples["load_counts"] = np.round(counts)
        _, blob = pack(samples)
    rows = db.execute(
        "SELECT branch, point, height_mm, load_n * ? FROM template.curve_rows WHERE sweep_id = ?"
        " ORDER BY branch, point",
        [factor, source],
    ).fetchall()
    return blob, [
        b"".join(struct.pack("<3d", *row[1:]) for row in rows if row[0] == branch)
        for branch in BRANCHES
    ]
