"""How large a book gets, and how long it takes to open, list and check in a large one.

    python tests/bench/bench_book.py [--springs 100 1000 10000]

Strokes of the demo's simulated rig (fixed seed), kept three ways: as the book keeps them, as CSV,
and as a plain SQLite table with a row a sample. Then books of many springs made from the same
strokes, three for each, in sets of ten. Times are the middle of three runs in one process, after
one that loads the libraries; `set check` is of one set of ten, so that it should not grow.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import sqlite3
import statistics
import tempfile
import time
import uuid
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from coilbench.analysis.cli import run
from coilbench.capture.book.digests import DIGESTS, seal_content
from coilbench.capture.book.exporting import HEADS, export_files
from coilbench.capture.book.opening import open_book
from coilbench.capture.strokes import stored as sample_blob

SPRINGS_A_SET, STROKES_A_SPRING = 10, 3


def quietly(*arguments: str) -> None:
    """Run a command; what it answers does not matter, that it answers does."""
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        assert run(list(arguments)) in (0, 1), arguments


def sizes(book: Path, folder: Path) -> None:
    """Print bytes a sample, each way."""
    with closing(sqlite3.connect(book)) as plain:
        samples, blobs = plain.execute(
            "SELECT sum(samples), sum(length(samples_blob)) FROM sweeps"
        ).fetchone()
        packed = plain.execute("SELECT samples_format, samples_blob FROM sweeps").fetchall()
    with open_book(book) as db:
        raw = HEADS["raw"].partition("\n")[0].encode()
        files = [data for _, data in export_files(db)]
        csv_bytes = sum(len(data) for data in files if raw in data)
    rows_file = folder / "rows.db"
    with closing(sqlite3.connect(rows_file)) as plain:
        plain.execute(
            "CREATE TABLE samples (sweep INTEGER, seq INTEGER, t_us INTEGER, load_counts INTEGER,"
            " travel_counts INTEGER, flags INTEGER, PRIMARY KEY (sweep, seq)) STRICT, WITHOUT ROWID"
        )
        for number, (name, blob) in enumerate(packed):
            table = sample_blob.unpack(name, blob).tolist()
            plain.executemany(
                "INSERT INTO samples VALUES (?, ?, ?, ?, ?, ?)", [(number, *row) for row in table]
            )
        plain.commit()
        plain.execute("VACUUM")
    print(f"{samples} samples in {len(packed)} strokes; bytes a sample (ratio to the blobs):")
    for name, size in (
        ("the book's blobs, every field, with a checksum", blobs),
        ("the whole book, reduced curves and all", book.stat().st_size),
        ("CSV: all that coilbench export writes", sum(map(len, files))),
        ("CSV: t_s,load_counts,travel_counts only", csv_bytes),
        ("SQLite, a row a sample", rows_file.stat().st_size),
    ):
        print(f"  {name:<48}{size / samples:7.1f}{size / blobs:8.1f}x")


def fill(template: Path, path: Path, springs: int) -> None:
    """Make a book of many springs from the strokes of another one."""
    with open_book(path, create=True) as db:
        db.execute("ATTACH ? AS template", [str(template)])
        db.execute("PRAGMA synchronous = OFF")
        connection = db.conn
        connection.execute("BEGIN")
        for table in ("calibration_parts", "calibration_points", "calibrations"):
            connection.execute(f"INSERT INTO {table} SELECT * FROM template.{table}")
        columns = [row[1] for row in connection.execute("PRAGMA template.table_info(sweeps)")]
        columns = [column for column in columns if column not in DIGESTS]
        own = {"id": "?", "spring_id": "?", "session_id": "NULL"}
        chosen = ", ".join(own.get(column, column) for column in columns)
        strokes = [
            row[0]
            for row in connection.execute(
                "SELECT sweeps.id FROM template.sweeps JOIN template.springs ON spring_id ="
                " springs.id JOIN template.sets ON set_id = sets.id"
                " WHERE sets.name = 'larch' AND purpose = 'measured'"
            )
        ]
        for number in range(springs // SPRINGS_A_SET):
            set_id, name = str(uuid.uuid4()), f"set{number:04d}"
            connection.execute(
                "INSERT INTO sets (id, name, role, made_utc, conditioning_strokes,"
                " measured_strokes) VALUES (?, ?, 'outer', ?, 0, 3)",
                [set_id, name, f"2026-01-01T00:{number // 60 % 60:02}:{number % 60:02}.000+00:00"],
            )
            for turn in range(1, SPRINGS_A_SET + 1):
                spring_id = str(uuid.uuid4())
                connection.execute(
                    "INSERT INTO springs (id, set_id, label, turn) VALUES (?, ?, ?, ?)",
                    [spring_id, set_id, f"{name}-{turn:02d}", turn],
                )
                for stroke in range(STROKES_A_SPRING):
                    source = strokes[(turn * STROKES_A_SPRING + stroke) % len(strokes)]
                    sweep_id = str(uuid.uuid4())
                    connection.execute(
                        f"INSERT INTO sweeps ({', '.join(columns)})"
                        f" SELECT {chosen} FROM template.sweeps WHERE id = ?",
                        [sweep_id, spring_id, source],
                    )
                    connection.execute(
                        "INSERT INTO curve_rows SELECT ?, branch, point, height_mm, load_n"
                        " FROM template.curve_rows WHERE sweep_id = ?",
                        [sweep_id, source],
                    )
                    seal_content(connection, sweep_id)
        connection.execute("COMMIT")


def opens(path: Path) -> None:
    """Open a book as every command does."""
    with open_book(path):
        pass


def middle_s(work: Callable[[], object]) -> float:
    """Return the middle of three times."""
    times = []
    for _ in range(3):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return statistics.median(times)


def times(path: Path) -> list[float]:
    """Return how long each thing takes, s."""
    book = ("--book", str(path))
    check = ("set", "check", "set0005", "--at", "38.5mm", "--at", "30mm")
    work: list[Callable[[], object]] = [
        lambda: opens(path),
        lambda: quietly(*book, "status"),
        lambda: quietly(*book, "set", "list"),
        lambda: quietly(*book, "set", "show", "set0005"),
        lambda: quietly(*book, *check),
        lambda: quietly(*book, "book", "check"),
    ]
    work[4]()  # loads what there is to load
    return [middle_s(one) for one in work]


def main() -> None:
    """Print both tables."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--springs", type=int, nargs="+", default=[100, 1000, 10000])
    asked = options.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        template = folder / "demo.db"
        quietly("demo", "--seed", "1", "--book", str(template))
        sizes(template, folder)
        names = ("open", "status", "set list", "set show", "set check", "book check")
        print("\n" + " " * 12 + "ms" + "".join(f"{one:>12}" for one in (*names, "book MB")))
        for springs in asked.springs:
            path = folder / f"{springs}.db"
            fill(template, path, springs)
            row = "".join(f"{1000 * s:12.1f}" for s in times(path))
            print(f"{springs:>6} springs{row}{path.stat().st_size / 1e6:12.1f}")
            path.unlink()


if __name__ == "__main__":
    main()
