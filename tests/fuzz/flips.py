"""Flip single bits of all that a book stores, and see whether an answer changes unnoticed.

    python tests/fuzz/flips.py --flips 300 --seed 1

Half of the flips are in stored values, past the program: a table, a row, a column, a bit drawn at
random. Half are in the bytes of the file. After each, every command of ANSWERS is run, and has
to answer as before or to refuse with a sentence (exit status 2). A command looks at the rows that
it uses: one that uses none of what was flipped answers, and as before. `book check` has to find
every flipped value.
"""

from __future__ import annotations

import argparse
import io
import random
import re
import shutil
import sqlite3
import struct
import sys
import tempfile
import traceback
from collections import Counter
from collections.abc import Iterator
from contextlib import closing, redirect_stderr, redirect_stdout
from pathlib import Path
from typing import Any

from coilbench.analysis.cli import run
from coilbench.analysis.inputs.kept import nothing_kept
from coilbench.capture.book.calibrations import NewCheck
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sessions import CaptureRun
from coilbench.capture.book.soundness import check_book
from coilbench.capture.book.zeros import keep_zero
from coilbench.capture.errors import CoilbenchError

KG = 9.80665
ANSWERS = (
    ("set", "check", "larch", "--at", "40mm", "--at", "32mm", "--json"),
    ("set", "check", "rowan", "--at", "38.5mm", "--json"),
    ("set", "strokes", "larch", "--json"),
    ("set", "readings", "rowan", "--json"),
    ("set", "list", "--json"),
    ("set", "show", "larch", "--json"),
    ("set", "show", "rowan", "--json"),
    ("set", "spring", "larch", "b", "--json"),
    ("rig", "card", "--json"),
    ("rig", "ratings", "--json"),
    ("rig", "check", "--history", "--json"),
    ("note", "--set", "rowan", "--history"),
    ("import", "--history", "--json"),
    ("export", "--set", "larch", "--out", "OUT"),
    ("export", "--out", "OUT"),
    ("status", "--json"),
)
_AGE = re.compile(r"\"age_days\": [^,]*,")  # follows the clock
_UNDIGESTED = ("_sqlite_migrations.applied_at", "_sqlite_migrations.id")  # decide nothing
_WITHOUT_ROWID = ("curve_steps", "tallies")
FAULTS = ("silent", "traceback", "not found")
Answers = dict[tuple[str, ...], tuple[int, str]]


def make_book(folder: Path) -> Path:
    """Make a book with something in every table that an answer comes from."""
    book = folder / "sound.db"
    masses = (0, 5, 10, 20, 40, 20, 10, 5, 0)
    files = {
        "masses": "mass_kg,counts\n"
        + "".join(f"{m},{30_000 + 24_500 * m + 5 * (-1) ** n}\n" for n, m in enumerate(masses)),
        "gauges": "length_mm,counts\n"
        + "".join(f"{h},{14_000 - 200 * h}\n" for h in (0, 20, 40, 60)),
        "flex": "load_counts,travel_counts\n"
        + "".join(f"{30_000 + 24_500 * w},{4_000 + 2 * w}\n" for w in range(0, 80, 8)),
        "scale": "mass_kg,shown_kg\n0,0\n10,10.1\n20,20.1\n40,40.3\n",
    } | {f"stroke{number}": _stroke(20.0 + 0.2 * number) for number in range(4)}
    for name, text in files.items():
        (folder / f"{name}.csv").write_text(text)
    csv = {name: str(folder / f"{name}.csv") for name in files}
    for arguments in (
        ("rig", "weigh", "--from", csv["masses"]),
        ("rig", "gauge", "--from", csv["gauges"]),
        ("rig", "flex", "--from", csv["flex"]),
        ("rig", "weigh", "--scale", "bathroom", "--from", csv["scale"]),
        ("rig", "ratings", "--cell", "200kg", "--press", "150kg", "--rests", "140g", "--yes"),
        ("set", "new", "larch", "--role", "outer", "--labels", "a,b,c", "--free-length", "52mm",
         "--solid-height", "24mm", "--wire", "4.2mm", "--nominal", "24.5kg@40mm"),
        *(("import", csv[f"stroke{n}"], "--set", "larch", "--label", "abc"[n % 3], "--yes")
          for n in range(4)),
        ("set", "new", "rowan", "--role", "inner", "--count", "2", "--free-length", "52mm"),
        ("note", "--set", "rowan", "--scale", "bathroom", "--yes", "1 38.5mm 22.4kg",
         "1 30mm 36.4kg # rusty", "2 38.5mm 22.1kg", "2 10mm down 16.9kg"),
        ("set", "measure", "rowan", "rowan-01 free 51.8mm", "rowan-02 mark two dots"),
        ("set", "strokes", "larch", "--leave", "a:2"),
        ("set", "strokes", "larch", "--swap", "b", "c"),
        ("set", "edit", "rowan", "--rests", "90g", "--yes"),
        ("rig", "check", "--good-for", "60"),
    ):  # fmt: skip
        said = io.StringIO()
        with redirect_stdout(said), redirect_stderr(said):
            status = run(["--book", str(book), *arguments])
        if status:
            raise RuntimeError(f"{arguments}: {said.getvalue()}")
    with open_book(book) as db:
        (part_id,) = db.execute("SELECT id FROM calibration_parts WHERE kind = 'load'").fetchone()
        check = (part_id, None, 20.0, KG, 30_000.0, 520_100.0, 3.0, 0.04, 0.2, 1.0, True)
        NewCheck(*check).store(db)
        keep_zero(db, "C011BE4C00000001", 30_010.0)
        (set_id,) = db.execute("SELECT id FROM sets WHERE name = 'larch'").fetchone()
        CaptureRun.begin(db, set_id, "virtual:", "C011BE4C00000001", "1.0").end("finished")
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return book


def _stroke(rate_n_per_mm: float) -> str:
    """A spring of 52 mm, on a rig of 24 500 counts a kg and 200 a mm."""
    height_mm = [55.0 - 28.0 * n / 80 for n in range(81)]
    return "t_s,load_counts,travel_counts\n" + "".join(
        f"{n / 20:.2f},{30_000 + 24_500 * max(0.0, rate_n_per_mm * (52.0 - mm)) / KG:.0f},"
        f"{14_000 - 200 * mm:.0f}\n"
        for n, mm in enumerate(height_mm + height_mm[::-1])
    )


def answers(book: Path) -> Answers:
    """Return what each command says: its exit status and its text; -1 for a traceback."""
    found = {}
    for arguments in ANSWERS:
        told, refused, out = io.StringIO(), io.StringIO(), book.with_name("out")
        try:
            with redirect_stdout(told), redirect_stderr(refused):
                given = [str(out) if one == "OUT" else one for one in arguments]
                status = run(["--book", str(book), *given])
            files = sorted(one for one in out.rglob("*") if one.is_file())
            text = "".join([told.getvalue() or refused.getvalue(), *map(Path.read_text, files)])
            found[arguments] = status, _AGE.sub("", text).replace(str(book.parent), "")
        except BaseException:
            found[arguments] = -1, traceback.format_exc()
        shutil.rmtree(out, ignore_errors=True)
    return found


def flip_value(draw: random.Random, book: Path) -> str:
    """Flip a bit of one stored value, past the program; returns which."""
    with closing(sqlite3.connect(book)) as connection:
        connection.execute("PRAGMA ignore_check_constraints = ON")
        triggers = connection.execute(
            "SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'"
        ).fetchall()
        for name, _ in triggers:
            connection.execute(f"DROP TRIGGER {name}")
        tables = [
            name
            for (name,) in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")
            if connection.execute(f"SELECT count(*) FROM {name}").fetchone()[0]
            and "sqlite" not in name
        ]
        while True:
            table = draw.choice(tables)
            where = _flip_in(draw, connection, table)
            if where:
                break
        for _, sql in triggers:
            connection.execute(sql)
        connection.commit()
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return where


def _flip_in(draw: random.Random, connection: sqlite3.Connection, table: str) -> str | None:
    columns = connection.execute(f"PRAGMA table_info({table})").fetchall()
    keys = " || ' ' || ".join(c[1] for c in columns if c[5]) if table in _WITHOUT_ROWID else "rowid"
    of = draw.choice([row[0] for row in connection.execute(f"SELECT {keys} FROM {table}")])
    _, column, *_ = draw.choice(columns)
    (cell,) = connection.execute(f"SELECT {column} FROM {table} WHERE {keys} = ?", [of]).fetchone()
    if cell is None:
        return None
    try:
        change = f"UPDATE {table} SET {column} = ? WHERE {keys} = ?"
        if isinstance(cell, str):
            flipped = _flipped(draw, cell.encode())
            change = change.replace("= ?", "= CAST(? AS TEXT)", 1)
            connection.execute(change, [flipped, of])
        else:
            connection.execute(change, [_other(draw, cell), of])
    except sqlite3.IntegrityError:
        return None
    if cell == 0.0:  # SQLite keeps no -0.0
        now = connection.execute(f"SELECT {column} FROM {table} WHERE {keys} = ?", [of]).fetchone()
        return None if now == (cell,) else f"{table}.{column}"
    return f"{table}.{column}"


def _other(draw: random.Random, cell: Any) -> Any:
    if isinstance(cell, bytes):
        return _flipped(draw, cell)
    if isinstance(cell, int):
        return cell ^ 1 << draw.randrange(max(1, cell.bit_length()))
    return struct.unpack(">d", _flipped(draw, struct.pack(">d", cell)))[0]


def _flipped(draw: random.Random, content: bytes) -> bytes:
    at = draw.randrange(8 * len(content))
    changed = bytearray(content)
    changed[at // 8] ^= 1 << at % 8
    return bytes(changed)


def flip_file(draw: random.Random, book: Path) -> str:
    """Flip a bit of the file; returns where."""
    content = bytearray(book.read_bytes())
    at = draw.randrange(8 * len(content))
    content[at // 8] ^= 1 << at % 8
    book.write_bytes(content)
    return f"byte {at // 8}"


def outcomes(folder: Path, book: Path, flips: int, seed: int) -> Iterator[tuple[str, str, str]]:
    """Yield of each flip: of values or the file, where, and what became of the answers."""
    same = folder / "before" / "book.db"  # some answers hold its name
    same.parent.mkdir()
    shutil.copyfile(book, same)
    before = answers(same)
    refused = [of for of, (status, _) in before.items() if status not in (0, 1)]
    assert not refused, refused
    draw = random.Random(seed)
    for number in range(flips):
        own = folder / f"{number}"
        own.mkdir()
        harmed = own / "book.db"
        shutil.copyfile(book, harmed)
        kind, flip = (("value", flip_value), ("file", flip_file))[number % 2]
        where = flip(draw, harmed)
        yield kind, where, outcome(before, harmed, kind == "value" and where not in _UNDIGESTED)
        shutil.rmtree(own)


def outcome(before: Answers, harmed: Path, stored: bool) -> str:
    """Say what became of the answers: silent is an answer that changed, with nothing said.

    Args:
        stored: whether a value was changed that `book check` has to find.
    """
    after = answers(harmed)
    if any(status == -1 for status, _ in after.values()):
        return "traceback"
    for of, (status, text) in after.items():
        if status != 2 and (status, text) != before[of]:
            return f"silent: {' '.join(of)}"
    try:
        found = bool(check_book(harmed).findings)
    except CoilbenchError:
        found = True
    refused = sum(status == 2 for status, _ in after.values())
    if stored and not found:
        return f"not found by check, refused by {refused}"
    if refused:
        return "refused by all" if refused == len(after) else "refused by those who use it"
    return "found by check" if found else "no difference"


def main() -> int:
    """Flip, print the table and what was silent; 1 if anything was."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--flips", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    table: Counter[tuple[str, str]] = Counter()
    with tempfile.TemporaryDirectory() as folder:
        for kind, where, what in outcomes(
            Path(folder), make_book(Path(folder)), options.flips, options.seed
        ):
            table[kind, what] += 1
            if what.startswith(FAULTS):
                print(f"{kind}: {where}: {what}", flush=True)
    for (kind, what), count in sorted(table.items()):
        print(f"{kind:<6} {what:<27} {count}")
    return int(any(what.startswith(FAULTS) for _, what in table))


if __name__ == "__main__":
    with nothing_kept():  # every answer is worked out anew
        sys.exit(main())
