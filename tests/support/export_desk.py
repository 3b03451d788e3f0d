"""A desk that exports a book and brings it back by `rig … --from`, `import` and `note`."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import pytest

from coilbench.analysis.cli import run
from coilbench.capture.book.opening import open_book
from coilbench.capture.strokes import stored as sample_blob
from coilbench.capture.tables.csv_table import unguarded

# What names a stroke or a calibration, or when it came in.
OF_THE_BOOK = ("calibration_id", "made_utc", "sweep_id", "stored_utc")
SIZES = {
    "--free-length": "free_length_mm",
    "--solid-height": "solid_height_mm",
    "--wire": "wire_mm",
    "--coil-diameter": "coil_diameter_mm",
    "--active-coils": "active_coils",
}
SETUP = {
    "--tare": "tare_n",
    "--lever": "lever_ratio",
    "--resolution": "scale_resolution_n",
    "--repeatability": "scale_repeatability_n",
    "--quill": "quill_resolution_mm",
}


class Bench:
    """A folder, a book in it, and what a person types."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder = folder
        self.book = folder / "bench.db"
        self.out = folder / "out"
        self._capsys = capsys

    def run(self, *arguments: str, book: Path | None = None, status: int = 0) -> str:
        self._capsys.readouterr()
        done = run(["--book", str(self.book if book is None else book), *arguments])
        told = self._capsys.readouterr()
        assert done == status, told.err
        return told.out + told.err

    def file(self, name: str, text: str) -> str:
        path = self.folder / name
        path.write_text(text)
        return str(path)

    def check(self, name: str, at: list[str], book: Path | None = None) -> Any:
        """Return a set check's document without what names a calibration or a time."""
        self._capsys.readouterr()
        run(["--book", str(self.book if book is None else book), "set", "check", name, *at])
        return _plain(json.loads(self._capsys.readouterr().out))

    def export(self, *options: str) -> str:
        return self.run("export", "--out", str(self.out), *options)

    def bring_back(self) -> Path:
        """Make a new book of an export: its sets, calibrations, and the files of what counts."""
        folder, other = self.out, self.folder / "other.db"
        for name in dict.fromkeys(row["set"] for row in table(folder, "springs")):
            springs = [row for row in table(folder, "springs") if row["set"] == name]
            more = [f"--labels={','.join(row['label'] for row in springs)}"]
            more += [f"--role={springs[0]['role']}", *options(springs[0], SIZES)]
            loads = json.loads(springs[0]["nominal_loads_json"] or "[]")
            more += [f"--nominal={one['load_n']}N@{one['height_mm']}mm" for one in loads]
            self.run("set", "new", name, *more, book=other)
        gravity = {r["file"]: r["gravity_m_s2"] for r in table(folder, "calibrations")}
        in_force: dict[str, str] = {}
        for row in table(folder, "strokes"):
            if row["counts"] == "0" or row["purpose"] != "measured":
                continue
            if row["origin"] == "keyed":
                self._type_again(row["stroke_id"], other)
                continue
            for kind, command in (("load", "weigh"), ("travel", "gauge"), ("flex", "flex")):
                file = row[f"{kind}_file"]
                if file and in_force.get(kind) != file:
                    more = ["--gravity", gravity[file]] if gravity[file] else []
                    self.run("rig", command, "--from", str(folder / file), *more, book=other)
                    in_force[kind] = file
            more = [f"--zero-counts={row['zero_counts']}"] if row["zero_counts"] else []
            if row["origin"] == "points file":
                more = ["--closed-down" if row["solid_height_mm"] else "--no-closed-down"]
            file = str(folder / row["file"])
            self.run(
                *("import", file, "--set", row["set"], "--label", row["label"], *more), book=other
            )
        return other

    def _type_again(self, stroke_id: str, other: Path) -> None:
        rows = [row for row in table(self.out, "keyed") if row["stroke_id"] == stroke_id]
        first = rows[0]
        setup = [*options(first, SETUP), f"--lever-u={100 * float(first['lever_ratio_u'])}%"]
        if first["scale"]:
            file = str(self.out / first["scale_file"])
            self.run("rig", "weigh", "--scale", first["scale"], "--from", file, book=other)
            setup.append(f"--scale={first['scale']}")
        self.run("note", "--set", first["set"], *setup, *map(typed, rows), book=other)


def options(row: dict[str, str], columns: dict[str, str]) -> list[str]:
    units = {"mm": "mm", "n": "N"}
    known = {option: name for option, name in columns.items() if row[name]}
    return [f"{o}={row[n]}{units.get(n.split('_')[-1], '')}" for o, n in known.items()]


def typed(row: dict[str, str]) -> str:
    length = f"{row['height_mm']}mm" if row["height_mm"] else f"{row['depth_mm']}mm down"
    up = " up" if row["direction"] == "unloading" else ""
    return f"{row['label']} {length} {row['shown_load_n']}N{up}"


def table(folder: Path, name: str) -> list[dict[str, str]]:
    """Return a table's rows as text, guards taken off."""
    text = (folder / f"{name}.csv").read_text("utf-8-sig")
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    return [{k: unguarded(v) for k, v in row.items()} for row in csv.DictReader(lines)]


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _plain(v) for k, v in value.items() if k not in OF_THE_BOOK}
    return [_plain(one) for one in value] if isinstance(value, list) else value


def same(was: Any, now: Any, path: str = "") -> None:
    """Compare two documents; floats to rounding, which may differ with where arrays lie."""
    if isinstance(was, dict):
        assert was.keys() == now.keys(), path
        for key in was:
            same(was[key], now[key], f"{path}.{key}")
    elif isinstance(was, list):
        assert len(was) == len(now), path
        for place, (before, after) in enumerate(zip(was, now, strict=True)):
            same(before, after, f"{path}[{place}]")
    elif isinstance(was, float):
        assert now == pytest.approx(was, rel=1e-9, abs=1e-12), path
    else:
        assert now == was, path


def counts_of(book: Path) -> list[list[tuple[int, int]]]:
    """Return the counts of every measured stroke, in the order of the sets and springs."""
    with open_book(book) as db:
        blobs = db.execute(
            "SELECT samples_format, samples_blob FROM sweeps JOIN springs ON springs.id = spring_id"
            " JOIN sets ON sets.id = set_id WHERE purpose = 'measured'"
            " ORDER BY sets.name, turn, sweeps.rowid"
        ).fetchall()
    strokes = []
    for blob_format, blob in blobs:
        samples = sample_blob.unpack(blob_format, blob)
        usable = samples[samples["flags"] == 0]
        strokes.append(usable[["load_counts", "travel_counts"]].tolist())
    return strokes
