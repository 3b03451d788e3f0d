"""Give every command a book that a stranger made, and see whether any ends in a traceback.

    PYTHONPATH=tests python tests/fuzz/hostile.py

Each book is a sound one with something in it that our program never stores; its digests are made
right again, as somebody could who reads the program. Each command has to answer, or to refuse with
a sentence (exit status 2); what is not a book of ours is neither put back nor merged.
"""

from __future__ import annotations

import io
import os
import shutil
import sqlite3
import sys
import tempfile
import traceback
import zlib
from collections.abc import Callable, Iterator
from contextlib import closing, redirect_stderr, redirect_stdout
from pathlib import Path

import numpy as np

import flips
from coilbench.analysis.cli import run
from coilbench.analysis.inputs.kept import nothing_kept
from coilbench.capture.blocks import LOAD_DTYPE, RAW_DTYPE
from coilbench.capture.strokes import stored
from support.edits import change

BUILD = """
[cam]
name = "Lake four"
valve_lift = "8 mm"
seat_load = "240 N"
seat_tolerance = "20 N"
open_load = "400 N"
open_tolerance = "20 N"
[head]
installed_height = "40 mm"
valves = 1
[limits]
coil_bind_margin = "1 mm"
[springs]
outer = ["larch"]
"""
SECOND = "WHERE rowid = (SELECT max(rowid) FROM sweeps WHERE origin = 'raw file')"
KEYED = "WHERE rowid = (SELECT max(rowid) FROM sweeps WHERE origin = 'keyed')"


def raw(**columns: object) -> bytes:
    """A blob of 60 raw samples with these columns."""
    samples = np.zeros(60, RAW_DTYPE)
    samples["seq"] = samples["t_us"] = np.arange(60)
    for name, numbers in columns.items():
        samples[name] = numbers
    return stored.pack(samples)[1]


def converted(number: float) -> bytes:
    """A blob of 60 converted samples of one number."""
    samples = np.zeros(60, LOAD_DTYPE)
    for name in ("t_s", "load_n", "height_mm"):
        samples[name] = number
    return stored.pack(samples)[1]


Made = tuple[str, tuple[object, ...]]
BOOKS: dict[str, Made] = {
    "a trigger that swallows strokes": (
        "CREATE TRIGGER swallow BEFORE INSERT ON sweeps BEGIN SELECT RAISE(IGNORE); END", ()),
    "a view of its own": ("CREATE VIEW mine AS SELECT 1", ()),
    "a view left out": ("DROP VIEW curve_points", ()),
    "an index left out": ("DROP INDEX sweeps_in_brief", ()),
    "a column more": ("ALTER TABLE springs ADD COLUMN mine TEXT", ()),
    "a list of versions with a gap": ("DELETE FROM _sqlite_migrations WHERE name LIKE '0003%'", ()),
    "a date in words": ("UPDATE sets SET made_utc = 'yesterday'", ()),
    "a date without its zone": (f"UPDATE sweeps SET stored_utc = '2026-01-01' {SECOND}", ()),
    "a fit of nothing": ("UPDATE calibration_parts SET fit_json = '{}'", ()),
    "a fit of infinity": (
        "UPDATE calibration_parts SET fit_json ="
        " json_set(fit_json, '$.coefficients', json('[1e999, 1]'))", ()),
    "a fit that is level": (
        """UPDATE calibration_parts SET fit_json = '{"coefficients": [1.0, 0.0], "covariance":
        [[1.0, 0.0], [0.0, 1.0]], "residual_sd": 0.0, "dof": 1,
        "x_min": 0.0, "x_max": 1.0}'""", ()),
    "a fit without freedom": (
        "UPDATE calibration_parts SET fit_json = json_set(fit_json, '$.dof', -5, '$.n', 0)", ()),
    "travel taken for load": (
        "UPDATE calibrations SET load_part_id = travel_part_id, flex_part_id = travel_part_id", ()),
    "readings that are a list": (f"UPDATE sweeps SET keyed_json = '[]' {KEYED}", ()),
    "readings of nothing": (f"UPDATE sweeps SET keyed_json = '{{}}' {KEYED}", ()),
    "readings of another label": (
        "UPDATE sweeps SET keyed_json = json_set(keyed_json, '$.readings[0].label', 'x') "
        f"{KEYED}", ()),
    "readings of infinity": (
        "UPDATE sweeps SET keyed_json = json_set(keyed_json, '$.readings[0].shown_load_n', 1e300)"
        f" {KEYED}", ()),
    "more readings than points": (
        "UPDATE sweeps SET keyed_json = json_set(keyed_json, '$.readings[1]', "
        f"json_extract(keyed_json, '$.readings[0]')) {KEYED}", ()),
    "a setup of words": (
        f"UPDATE sweeps SET keyed_json = json_set(keyed_json, '$.setup.tare_n', 'much') {KEYED}",
        ()),
    "a scale without a fit": (
        f"UPDATE sweeps SET keyed_json = json_set(keyed_json, '$.setup.scale', json('[]')) {KEYED}",
        ()),
    "a depth without a free length": (
        "UPDATE sweeps SET keyed_json = json_set(keyed_json, '$.free_length_mm', NULL) "
        f"{KEYED}", ()),
    "a nominal of a number": ("UPDATE sets SET nominal_json = '{\"loads\": 5}'", ()),
    "an endless spring": ("UPDATE sets SET free_length_mm = 9e999", ()),
    "a spring of nothing": ("UPDATE sets SET wire_mm = -1, solid_height_mm = 0", ()),
    "a spring shorter than solid": ("UPDATE sets SET solid_height_mm = 51, free_length_mm = 5", ()),
    "a label of 10,000 characters": (
        "UPDATE springs SET label = ? WHERE label = 'a'", ("a" * 10_000,)),
    "a set called so too": ("UPDATE sets SET name = '' WHERE name = 'rowan'", ()),
    "a turn that is no turn": ("UPDATE springs SET turn = turn - 1000", ()),
    "a note of unknown findings": (
        'UPDATE sweeps SET note = \'[{"kind": "moon", "facts": {"load_n": "x"}}, 5, null]\'', ()),
    "a note of known findings without facts": (
        'UPDATE sweeps SET note = \'[{"kind": "pressed_short", "facts": {}}]\'', ()),
    "remarks of a calibration that are none": (
        'UPDATE calibration_parts SET notes_json = \'[{"kind": "moon"}, 7, {"facts": 1}]\'', ()),
    "samples of garbage": (f"UPDATE sweeps SET samples_blob = x'00ff' {SECOND}", ()),
    "samples of nothing": (
        f"UPDATE sweeps SET samples_blob = ? {SECOND}", (zlib.compress(b""),)),
    "samples that stand": (f"UPDATE sweeps SET samples_blob = ?, samples = 60 {SECOND}", (raw(),)),
    "a clock that goes backwards": (
        f"UPDATE sweeps SET samples_blob = ?, samples = 60 {SECOND}",
        (raw(t_us=np.arange(60)[::-1]),)),
    "counts of 2^31": (
        f"UPDATE sweeps SET samples_blob = ?, samples = 60 {SECOND}",
        (raw(load_counts=2**31 - 1, travel_counts=-(2**31)),)),
    "samples that are no numbers": (
        "UPDATE sweeps SET samples_blob = ?, samples = 60, samples_format = 'converted1',"
        f" calibration_id = NULL {SECOND}", (converted(np.nan),)),
    "a format of tomorrow": (
        f"UPDATE sweeps SET samples_format = 'moon', calibration_id = NULL {SECOND}", ()),
    "no samples and no curve": (
        "DELETE FROM curve_steps WHERE curve IN (SELECT curve FROM curves JOIN sweeps"
        " ON sweeps.id = sweep_id WHERE origin = 'keyed')",
        ()),
    "a curve of infinity": ("UPDATE curve_steps SET load_n = 9e999, height_mm = -9e999", ()),
    "a zero of infinity": (f"UPDATE sweeps SET zero_counts = -9e999 {SECOND}", ()),
    "an uncertainty below 0": ("UPDATE sweeps SET load_u_n = -1, height_u_mm = 9e999", ()),
    "a check with no weight": ("UPDATE mass_checks SET mass_kg = 0", ()),
    "what rests is endless": ("UPDATE rig_ratings SET rests_n = 9e999, cell_n = 1e300", ()),
    "an endless limit": (
        "UPDATE rig_settings SET good_for_days = 9e999", ()),
    "a scale of nothing": ("UPDATE scales SET fit_json = '[]'", ()),
    "a capture under way that says nothing": (
        "INSERT INTO sessions (id, set_id, source_url, started_utc, seen_utc, samples,"
        " samples_lost, lines_bad, restarts, live_json) SELECT 's', id, 'virtual:', made_utc,"
        " made_utc, 0, 0, 0, 0, '{}' FROM sets LIMIT 1", ()),
    "a set without springs": (
        "INSERT INTO sets (id, name, role, made_utc, conditioning_strokes, measured_strokes)"
        " SELECT 'x', 'empty', role, made_utc, 0, 1 FROM sets LIMIT 1", ()),
    "an entry by hand of nothing": (
        "INSERT INTO hand_entries (id, set_id, made_utc, what, words) SELECT 'x', id, made_utc,"
        " 'free_length_mm', 'long' FROM sets LIMIT 1", ()),
}  # fmt: skip

TAKEN = (  # as they are: nobody could have known, and every command goes on
    "a fit without freedom", "readings of another label", "a spring shorter than solid",
    "a note of unknown findings", "a note of known findings without facts",
    "samples that stand", "counts of 2^31",
    "a capture under way that says nothing", "a set without springs",
    "an entry by hand of nothing",
)  # fmt: skip


def commands(book: Path, other: Path, folder: Path) -> Iterator[tuple[str, ...]]:
    """Yield every command that reads a book, and those that write it, without a device."""
    build = folder / "engine.toml"
    build.write_text(BUILD)
    here = ("--book", str(book))
    for words in (
        "status", "set list", "set show larch", "set show rowan", "set show larch --curves",
        "set check larch --at 40mm --at 32mm", "set check rowan --at 38.5mm --budget",
        "set check larch --calibration newest --at 40mm", "set check larch --json --at 40mm",
        "set strokes larch", "set strokes rowan --json", "set readings rowan",
        "set compare larch rowan", "rig card", "rig card --json", "rig ratings",
        "rig check --history", "import --history --set larch", "note --history --set rowan",
        "book check", "book check --json", "live --once", "set nominal larch",
        "set measure rowan --ask free",
    ):  # fmt: skip
        yield (*here, *words.split())
    for words in ("plan", "depths", "pair", "assign", "report"):
        yield (*here, words, str(build))
    yield (*here, "export", "--out", str(folder / "out"))
    yield (*here, "book", "copy", str(folder / "copy.db"))
    yield (*here, "note", "--set", "rowan", "--yes", "rowan-02 30mm 36kg")
    yield (*here, "note", "--set", "rowan", "--take-back", "last")
    yield (*here, "set", "edit", "larch", "--free-length", "53mm", "--yes")
    yield (*here, "set", "strokes", "larch", "--leave", "b:1")
    yield (*here, "set", "new", "yew", "--role", "inner", "--count", "2")
    yield ("--book", str(other), "merge", str(book))
    yield ("--book", str(other), "book", "put-back", str(book))


def tried(arguments: tuple[str, ...]) -> tuple[int, str]:
    """Run a command; returns its exit status and what it says; -1 and the trace for a defect."""
    said = io.StringIO()
    try:
        with redirect_stdout(said), redirect_stderr(said), Path(os.devnull).open() as nothing:
            stdin, sys.stdin = sys.stdin, nothing
            try:
                return run(list(arguments)), said.getvalue()
            finally:
                sys.stdin = stdin
    except BaseException:
        return -1, traceback.format_exc()


def attack(folder: Path, name: str, sound: Path) -> Iterator[tuple[str, int, str]]:
    """Yield, of every command on one hostile book, its words, its exit status and what it said."""
    own = folder / "hostile"
    shutil.rmtree(own, ignore_errors=True)
    own.mkdir()
    book, other = own / "book.db", own / "other.db"
    shutil.copyfile(sound, book)
    shutil.copyfile(sound, other)
    sql, values = BOOKS[name]
    change(book, sql, *values)
    hostile = book.read_bytes()
    for arguments in commands(book, other, own):
        book.write_bytes(hostile)
        status, said = tried(arguments)
        yield " ".join(arguments[2:4]), status, said
        for left in own.glob("*-wal"):
            left.unlink()
    with closing(sqlite3.connect(other)) as plain:
        strange = plain.execute("SELECT 1 FROM sqlite_schema WHERE name IN ('swallow', 'mine')")
        if strange.fetchone():
            yield "put-back or merge", -2, "installed what is not ours"


def main(show: Callable[[str], object] = print) -> int:
    """Attack with every book; print what went wrong and how much went well; 1 if anything did."""
    asked = sys.argv[1:]
    runs = wrong = refused = 0
    with tempfile.TemporaryDirectory() as name:
        sound = flips.make_book(Path(name))
        for number, book in enumerate(BOOKS):
            if asked and str(number) not in asked:
                continue
            for words, status, said in attack(Path(name), book, sound):
                runs += 1
                refused += status == 2
                if status < 0:
                    wrong += 1
                    lines = said.strip().splitlines()
                    show(f"{number} {book}: {words}: {lines[-1]}")
                    show("\n".join(lines[-7:-1]))
    show(f"{runs} commands on {len(asked or BOOKS)} books: {refused} refused, {wrong} wrong")
    return int(wrong > 0)


if __name__ == "__main__":
    with nothing_kept():  # every answer is worked out anew
        sys.exit(main())
