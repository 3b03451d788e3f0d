"""Sets and their strokes as the CSV files that `import` reads, and keyed readings as typed."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlite_utils import Database

from coilbench.capture.blocks import RAW_DTYPE, UNUSABLE, SampleFlag
from coilbench.capture.book.export_step import ExportStep, FileNames
from coilbench.capture.book.sets import SetRecord
from coilbench.capture.strokes import sample_blob
from coilbench.capture.tables.csv_out import Cell, csv_bytes

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
    for field, option in _DIMENSIONS.items():
        value_mm = getattr(record, field)
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
