"""One step of an export: a file or a set, and the command that brings it back. Pure.

The rig's calibrations and scales as the CSV files that `rig weigh|gauge|flex --from` read.

Sets and their strokes as the CSV files that `import` reads, and keyed readings as typed.

A book's sets as CSV files, in the order in which another book would take them in.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlite_utils import Database

from coilbench.capture.blocks import RAW_DTYPE, UNUSABLE, SampleFlag
from coilbench.capture.book.calibrations import PartRecord, find_calibration, stored_part
from coilbench.capture.book.sets import SetRecord, find_set, set_names
from coilbench.capture.calibration.fit import (
    ASSUMED_GAUGE_U_MM,
    ASSUMED_MASS_U_RELATIVE,
    LEAST_GAUGES,
)
from coilbench.capture.calibration.regression import evaluate
from coilbench.capture.strokes import stored as sample_blob
from coilbench.capture.strokes.sweep import Origin
from coilbench.capture.tables.csv_table import Cell, csv_bytes


@dataclass(frozen=True)
class ExportStep:
    """What one line of an export's index stands for.

    Attributes:
        kind: what it is, in words.
        arguments: of `coilbench`, from inside the export's folder, to bring it into another book;
            empty where no command does (a stroke that doesn't count).
        path: the file, relative, with / between folders; None where there is none.
        data: the file's bytes; None where an earlier step has brought the same file.
        set_name, label: whose it is; empty for the rig's.
        stored_utc: when the book got it.
        status, purpose: of a stroke.
        counted: of a stroke: whether it counts.
        note: what the book notes of it.
    """

    kind: str
    arguments: tuple[str, ...] = ()
    path: str | None = None
    data: bytes | None = None
    set_name: str = ""
    label: str = ""
    stored_utc: str = ""
    status: str = ""
    purpose: str = ""
    counted: bool | None = None
    note: str = ""


@dataclass
class FileNames:
    """Hands out file names that every system takes, no two alike but for case."""

    _taken: set[str] = field(default_factory=set)

    def take(self, folder: str, stem: str) -> str:
        """Return a path in a folder that says the stem as far as a file's name can."""
        path = f"{plain(folder)}/{plain(stem)}"
        number, tried = 1, f"{path}.csv"
        while tried.casefold() in self._taken:
            number += 1
            tried = f"{path}_{number}.csv"
        self._taken.add(tried.casefold())
        return tried


def plain(name: str) -> str:
    """Return a name with letters, digits, dots, dashes and underscores only."""
    kept = "".join(sign if sign.isalnum() or sign in ".-_" else "_" for sign in name)
    return kept if kept.strip("._") else f"_{kept.strip('.')}"


FOLDER = "rig"
_COMMANDS = {"load": "weigh", "travel": "gauge", "flex": "flex"}
# Column of the file -> field of a point. An uncertainty that no point was given has no column.
_COLUMNS = {
    "load": {
        "mass_kg": "mass_kg",
        "counts": "load_counts",
        "direction": "direction",
        "u_kg": "u_kg",
    },
    "travel": {"length_mm": "length_mm", "counts": "travel_counts", "u_mm": "u_mm"},
    "flex": {"load_counts": "load_counts", "travel_counts": "travel_counts"},
    "scale": {
        "mass_kg": "mass_kg",
        "shown_kg": "shown_kg",
        "direction": "direction",
        "u_kg": "u_kg",
    },
}


class RigExport:
    """Yields what brings calibrations and scales into force, in the order strokes ask for them.

    Args:
        db: the open book.
        names: gives the files their names.
    """

    def __init__(self, db: Database, names: FileNames) -> None:
        self._db = db
        self._names = names
        self._paths: dict[str, str] = {}
        self._in_force: dict[str, str] = {}

    def calibration(self, calibration_id: str) -> Iterator[ExportStep]:
        """Yield what puts a calibration into force, after what was yielded before."""
        record = find_calibration(self._db, calibration_id)
        for part in (record.load, record.travel, record.flex):
            if part is not None and self._in_force.get(part.kind) != part.part_id:
                self._in_force[part.kind] = part.part_id
                yield self._part(part)

    def _part(self, part: PartRecord) -> ExportStep:
        path, first = self._path(part.part_id, f"{part.kind}-{part.made_utc[:10]}")
        arguments = ["rig", _COMMANDS[part.kind], "--from", path]
        if part.gravity_m_s2 is not None:
            arguments += ["--gravity", repr(part.gravity_m_s2)]
        return ExportStep(
            kind=f"{part.kind} calibration",
            arguments=tuple(arguments),
            path=path,
            data=self._part_file(part) if first else None,
            stored_utc=part.made_utc,
            note=part.origin,
        )

    def _part_file(self, part: PartRecord) -> bytes:
        points = stored_part(self._db, part).points
        comments = [f"{part.kind} calibration of {part.made_utc} ({part.origin})"]
        if part.kind == "travel" and len(points) < LEAST_GAUGES:
            comments.append("A datum set anew: two points of its line, with what they are good for")
            return csv_bytes(("length_mm", "counts", "u_mm"), _line_ends(part), comments)
        names = _COLUMNS[part.kind]
        return _points_file(names, [vars(point) for point in points], comments)

    def scale(self, name: str, fit: Any) -> Iterator[ExportStep]:
        """Yield what puts the scale that has this fit (as JSON has it) into force."""
        for row in self._db.query("SELECT * FROM scales WHERE name = ? ORDER BY rowid", [name]):
            if json.loads(row["fit_json"]) != fit:
                continue
            if self._in_force.get(f"scale {name}") != row["id"]:
                self._in_force[f"scale {name}"] = row["id"]
                yield self._scale(row)
            return

    def _scale(self, row: dict[str, Any]) -> ExportStep:
        path, first = self._path(row["id"], f"scale-{row['name']}-{row['made_utc'][:10]}")
        arguments = ("rig", "weigh", "--scale", row["name"], "--from", path)
        gravity = ("--gravity", repr(row["gravity_m_s2"]))
        return ExportStep(
            kind="scale calibration",
            arguments=arguments + gravity,
            path=path,
            data=self._scale_file(row) if first else None,
            stored_utc=row["made_utc"],
            note=row["origin"],
        )

    def _scale_file(self, row: dict[str, Any]) -> bytes:
        points = self._db.query(
            "SELECT * FROM scale_points WHERE scale_id = ? ORDER BY point", [row["id"]]
        )
        comments = [f"scale {row['name']} of {row['made_utc']}"]
        return _points_file(_COLUMNS["scale"], list(points), comments)

    def _path(self, item_id: str, stem: str) -> tuple[str, bool]:
        first = item_id not in self._paths
        if first:
            self._paths[item_id] = self._names.take(FOLDER, stem)
        return self._paths[item_id], first


def _points_file(
    names: Mapping[str, str], points: Sequence[Mapping[str, Any]], comments: Sequence[str]
) -> bytes:
    """Write points; where only some have an uncertainty, the others get what is assumed."""
    rows = [dict(point) for point in points]
    kept = dict(names)
    for column, assumed in (("u_kg", _assumed_u_kg), ("u_mm", lambda _: ASSUMED_GAUGE_U_MM)):
        if all(row.get(column) is None for row in rows):
            kept.pop(column, None)
        for row in rows:
            if column in kept and row[column] is None:
                row[column] = assumed(row)
    return csv_bytes(tuple(kept), ([row[name] for name in kept.values()] for row in rows), comments)


def _assumed_u_kg(row: Mapping[str, Any]) -> float:
    return ASSUMED_MASS_U_RELATIVE * float(row["mass_kg"])


def _line_ends(part: PartRecord) -> list[tuple[float, float, float]]:
    """Return (length_mm, counts, u_mm) at both ends of a travel line's range."""
    ends = [part.fit.x_min, part.fit.x_max]
    length_mm, u_mm = evaluate(part.fit, ends)
    return list(zip(length_mm.tolist(), ends, (2.0 * u_mm).tolist(), strict=True))


_DIMENSIONS = {
    "free_length_mm": "--free-length",
    "solid_height_mm": "--solid-height",
    "wire_mm": "--wire",
    "coil_diameter_mm": "--coil-diameter",
}
_SETUP = {
    "tare_n": ("--tare", "N"),
    "lever_ratio": ("--lever", ""),
    "scale_resolution_n": ("--resolution", "N"),
    "scale_repeatability_n": ("--repeatability", "N"),
    "quill_resolution_mm": ("--quill", "mm"),
}
_RAW_COLUMNS = ("t_s", "load_counts", "travel_counts")
_CONVERTED_COLUMNS = ("t_s", "load_n", "height_mm")
_POINTS_COLUMNS = ("label", "height_mm", "load_n", "direction")


def set_step(record: SetRecord, made_utc: str) -> ExportStep:
    """Return what registers a set again."""
    arguments = ["set", "new", record.name, "--role", record.role]
    arguments += ["--labels", ",".join(record.labels)]
    arguments += ["--conditioning", str(record.conditioning_strokes)]
    arguments += ["--strokes", str(record.measured_strokes)]
    for dimension, option in _DIMENSIONS.items():
        value_mm = getattr(record, dimension)
        if value_mm is not None:
            arguments += [option, f"{value_mm!r}mm"]
    if record.active_coils is not None:
        arguments += ["--active-coils", repr(record.active_coils)]
    return ExportStep(
        kind="set",
        arguments=(*arguments, *_nominal_arguments(record)),
        set_name=record.name,
        stored_utc=made_utc,
    )


def _nominal_arguments(record: SetRecord) -> Iterator[str]:
    nominal = record.nominal
    if nominal is None:
        return
    for load in nominal.loads:
        yield from ("--nominal", f"{load.load_n!r}N@{load.height_mm!r}mm")
    if nominal.rate_n_per_mm is not None:
        yield from ("--nominal-rate", f"{nominal.rate_n_per_mm!r}N/mm")
    if nominal.tolerance_relative is not None:
        yield from ("--nominal-tolerance", f"{100 * nominal.tolerance_relative!r}%")


def sampled_step(row: Mapping[str, Any], record: SetRecord, names: FileNames) -> ExportStep:
    """Return a stroke with samples: raw counts, or converted ones."""
    samples = sample_blob.unpack(row["samples_format"], row["samples_blob"])
    is_raw = samples.dtype == RAW_DTYPE
    path = names.take(record.name, row["label"])
    arguments = ["import", path, "--set", record.name, "--label", row["label"]]
    if is_raw and row["zero_counts"] is not None:
        arguments += ["--zero-counts", repr(row["zero_counts"])]
    return _step(
        row,
        record,
        kind="raw sweep" if is_raw else "converted sweep",
        arguments=arguments,
        path=path,
        data=_raw_file(samples) if is_raw else _converted_file(samples),
    )


def _raw_file(samples: NDArray[np.void]) -> bytes:
    """Write counts; what the rig marked as no reading is left out, as every reader leaves it out.

    A saturated load stays: it is seen from its counts.
    """
    bad = (samples["flags"] & (UNUSABLE & ~SampleFlag.LOAD_SATURATED)) != 0
    kept = samples[~bad]
    comments = [f"{int(bad.sum())} samples without a usable reading are left out"]
    t_us = kept["t_us"] - kept["t_us"][:1]
    whole, rest = np.divmod(t_us, 1_000_000)
    times = [f"{s}.{us:06d}" for s, us in zip(whole.tolist(), rest.tolist(), strict=True)]
    counts = (kept[name].tolist() for name in _RAW_COLUMNS[1:])
    return csv_bytes(_RAW_COLUMNS, zip(times, *counts, strict=True), comments if bad.any() else ())


def _converted_file(samples: NDArray[np.void]) -> bytes:
    kept = samples[(samples["flags"] & UNUSABLE) == 0]
    columns = (kept[name].tolist() for name in _CONVERTED_COLUMNS)
    return csv_bytes(_CONVERTED_COLUMNS, zip(*columns, strict=True))


def keyed_step(
    db: Database, row: Mapping[str, Any], record: SetRecord, names: FileNames
) -> ExportStep:
    """Return keyed readings: their points as a file, and as typed for `note`."""
    path = names.take(record.name, f"{row['label']}-keyed")
    keyed = json.loads(row["keyed_json"])
    lines = [_note_line(reading) for reading in keyed["readings"]]
    arguments = ["note", "--set", record.name, *_setup_arguments(keyed["setup"]), *lines]
    if " " in row["label"]:  # a line of `note` parts its words at blanks
        arguments = ["import", path, "--set", record.name, "--no-closed-down"]
    return _step(
        row,
        record,
        kind="keyed readings",
        arguments=arguments,
        path=path,
        data=csv_bytes(_POINTS_COLUMNS, point_rows(db, row)),
    )


def _note_line(reading: Mapping[str, Any]) -> str:
    by_depth = reading["height_mm"] is None
    length = f"{reading['depth_mm']!r}mm down" if by_depth else f"{reading['height_mm']!r}mm"
    up = "" if reading["loading"] else " up"
    return f"{reading['label']} {length} {reading['shown_load_n']!r}N{up}"


def _setup_arguments(setup: Mapping[str, Any]) -> Iterator[str]:
    for name, (option, unit) in _SETUP.items():
        yield from (option, f"{setup[name]!r}{unit}")
    yield from ("--lever-u", f"{100 * setup['lever_ratio_u']!r}%")
    if setup.get("scale") is not None:
        yield from ("--scale", setup["scale"]["name"])


def points_steps(
    db: Database, rows: Sequence[Mapping[str, Any]], record: SetRecord, names: FileNames
) -> Iterator[ExportStep]:
    """Yield a set's points, one file for each time its springs were imported.

    Those whose lowest height is their solid height are told apart from the others.
    """
    files: dict[tuple[int, bool], list[Mapping[str, Any]]] = {}
    times: dict[str, int] = {}
    for row in rows:
        times[row["label"]] = times.get(row["label"], 0) + 1
        solid_mm = record.spring(row["label"]).solid_height_mm
        closed = solid_mm is not None and solid_mm == _lowest_mm(db, row)
        files.setdefault((times[row["label"]], closed), []).append(row)
    for (_, closed), together in files.items():
        path = names.take(record.name, "points-closed-down" if closed else "points")
        word = "--closed-down" if closed else "--no-closed-down"
        points = [point for row in together for point in point_rows(db, row)]
        yield _step(
            {**together[0], "label": "" if len(together) > 1 else together[0]["label"]},
            record,
            kind="points",
            arguments=["import", path, "--set", record.name, word],
            path=path,
            data=csv_bytes(_POINTS_COLUMNS, points),
        )


def counts(row: Mapping[str, Any]) -> bool:
    """Tell whether a stroke counts: by the user's word where there is one."""
    return bool(row["counted"]) if row["ruling"] is None else row["ruling"] == "use"


def point_rows(db: Database, row: Mapping[str, Any]) -> list[tuple[Cell, ...]]:
    """Return a stroke's points as rows of a points file."""
    return [
        (row["label"], height_mm, load_n, branch)
        for branch, height_mm, load_n in db.execute(
            "SELECT branch, height_mm, load_n FROM curve_rows WHERE sweep_id = ?"
            " ORDER BY branch, point",
            [row["id"]],
        )
    ]


def _lowest_mm(db: Database, row: Mapping[str, Any]) -> float | None:
    lowest: float | None = db.execute(
        "SELECT min(height_mm) FROM curve_rows WHERE sweep_id = ?", [row["id"]]
    ).fetchone()[0]
    return lowest


def _step(
    row: Mapping[str, Any],
    record: SetRecord,
    *,
    kind: str,
    arguments: Sequence[str],
    path: str,
    data: bytes,
) -> ExportStep:
    comes_back = counts(row) and row["purpose"] == "measured"
    return ExportStep(
        kind=kind,
        arguments=tuple(arguments) if comes_back else (),
        path=path,
        data=data,
        set_name=record.name,
        label=row["label"],
        stored_utc=row["stored_utc"],
        status=row["status"],
        purpose=row["purpose"],
        counted=counts(row),
        note=row["note"] or "",
    )


def export_steps(db: Database, wanted: Sequence[str] = ()) -> Iterator[ExportStep]:
    """Yield what there is to write, a stroke's file before the next one is read.

    First the sets, then each calibration and the strokes that were captured with it, then what
    needs none. Strokes of calibrations without a flex part come first: what is once in force
    stays so.

    Args:
        db: the open book.
        wanted: the sets' names; empty for all.

    Raises:
        CoilbenchError: there is no such set.
    """
    records = [find_set(db, name) for name in dict.fromkeys(wanted) or set_names(db)]
    names = FileNames()
    rig = RigExport(db, names)
    for record in records:
        yield set_step(record, _made_utc(db, record))
    for calibration_id in _calibrations(db, records):
        yield from rig.calibration(calibration_id)
        for record in records:
            for row in _sweeps(db, record, "calibration_id = ?", calibration_id):
                yield sampled_step(row, record, names)
    for record in records:
        yield from _without_calibration(db, record, rig, names)


def _without_calibration(
    db: Database, record: SetRecord, rig: RigExport, names: FileNames
) -> Iterator[ExportStep]:
    for row in _sweeps(db, record, "origin = ?", Origin.CONVERTED_FILE.value):
        yield sampled_step(row, record, names)
    points = list(_sweeps(db, record, "origin = ?", Origin.POINTS_FILE.value))
    for in_use in (True, False):
        some = [row for row in points if counts(row) == in_use]
        yield from points_steps(db, some, record, names)
    for row in _sweeps(db, record, "origin = ?", Origin.KEYED.value):
        scale = json.loads(row["keyed_json"])["setup"].get("scale")  # early books have none
        if scale is not None:
            yield from rig.scale(scale["name"], scale["fit"])
        yield keyed_step(db, row, record, names)


def _made_utc(db: Database, record: SetRecord) -> str:
    made: str = db.execute("SELECT made_utc FROM sets WHERE id = ?", [record.set_id]).fetchone()[0]
    return made


def _calibrations(db: Database, records: Sequence[SetRecord]) -> list[str]:
    """Return the calibrations of the sets' strokes, and those their flex parts were made under."""
    marks = ",".join("?" * len(records))
    rows = db.execute(
        f"""
        WITH used AS (
          SELECT DISTINCT calibrations.rowid AS place, calibrations.id, flex_part_id
          FROM calibrations JOIN sweeps ON sweeps.calibration_id = calibrations.id
          JOIN springs ON springs.id = sweeps.spring_id WHERE springs.set_id IN ({marks}))
        SELECT id FROM calibrations WHERE id IN (SELECT id FROM used) OR rowid IN (
          SELECT min(calibrations.rowid) FROM calibrations
          JOIN used USING (flex_part_id) GROUP BY flex_part_id)
        ORDER BY flex_part_id IS NOT NULL, rowid
        """,  # noqa: S608  question marks only
        [record.set_id for record in records],
    ).fetchall()
    return [row[0] for row in rows]


def _sweeps(db: Database, record: SetRecord, where: str, value: str) -> Iterator[dict[str, Any]]:
    ids = db.execute(
        "SELECT sweeps.id FROM sweeps JOIN springs ON springs.id = sweeps.spring_id"  # noqa: S608
        f" WHERE springs.set_id = ? AND {where}"
        " ORDER BY springs.turn, sweeps.stored_utc, sweeps.rowid",
        [record.set_id, value],
    ).fetchall()
    for (sweep_id,) in ids:
        (row,) = db.query(
            "SELECT sweeps.*, springs.label FROM sweeps"
            " JOIN springs ON springs.id = sweeps.spring_id WHERE sweeps.id = ?",
            [sweep_id],
        )
        yield row
