"""A book as CSV files: sets, strokes, keyed readings, calibrations, every column explained."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any

from coilbench.capture.blocks import RAW_DTYPE, UNUSABLE, Finding, SampleFlag
from coilbench.capture.book.asked import asked_of
from coilbench.capture.book.connection import Database
from coilbench.capture.book.contents import look_into
from coilbench.capture.book.damage import strokes_of
from coilbench.capture.book.notes import waits
from coilbench.capture.book.rests import rests_of_sets
from coilbench.capture.book.sets import SetRecord, find_set, set_names
from coilbench.capture.book.vouching import refuse_damaged_points
from coilbench.capture.calibration.fit import LEAST_GAUGES
from coilbench.capture.calibration.keyed_setup import Give
from coilbench.capture.calibration.model import fit_from_json
from coilbench.capture.calibration.polynomial import evaluate
from coilbench.capture.choices import FACTS
from coilbench.capture.strokes import stored as sample_blob
from coilbench.capture.tables.csv_table import Cell, csv_bytes
from coilbench.capture.units import known_to

# The comments at the top of each kind of file: which command reads it, then its columns in order.
# No user's text: a comma in a comment begins a cell too, and only cells are guarded.
HEADS = {
    "springs": """For reading; no command reads it back. A row for each spring, in pressing order
set, label: name of the set and of the spring
role: of the set, outer or inner or single
free_length_mm, solid_height_mm: of the set, as given; here and below an empty cell is unknown
solid_height_u_mm: standard uncertainty (k = 1) of the set's, where it was stated
wire_mm, coil_diameter_mm, active_coils: of the set, as given
set_rests_n: weight on its springs that zeros contain, of cups of its own; comes before the rig's
set_note, set_mark: what was noted of the set, and how it is marked
conditioning_strokes, measured_strokes: how many presses the set asks for
nominal_loads_json, nominal_rate_n_per_mm: what the maker states
nominal_tolerance_relative: what the maker states, as a fraction
own_free_length_mm, own_free_length_u_mm: measured of this spring; standard uncertainty (k = 1)
own_solid_height_mm, own_solid_reason: found for this spring, and how; replaces the set's
own_solid_u_mm: standard uncertainty (k = 1) of one that was measured by hand
spring_note, spring_mark: what was noted of the spring, and how it is marked
added_utc: when it came to a set that was there before
made_utc: when the set was registered""",
    "by hand": """Read by: coilbench set measure SET --from FILE
label, what: name of the spring; free or solid (height), mark or note
value: the words, or the length and its expanded uncertainty (k = 2) after +-""",
    "strokes": """For reading; no command reads it back. A row for each whole stroke and keyed entry
file: its own file
set, label: name of the set and of the spring
number: among the spring's strokes of this purpose, oldest first
stored_utc: when the book took it
origin: rig or raw file or converted file or points file or keyed
purpose, status: conditioning or measured; complete or aborted or interrupted or gapped
counts: 1 if results use it, by the ruling or else by counted
counted, ruling: 1 if it counted when it came; the user's later decision, use or leave
note: what was noted when it came
samples, samples_lost: how many the book has; how many did not arrive
zero_counts: load counts with nothing pressed
rests_n: weight on the spring that the zero contains, as told then; empty where it was not told
load_u_n, load_u_relative: standard uncertainty (k = 1) of a load, constant and in proportion
height_u_mm: standard uncertainty (k = 1) of a height
solid_height_mm, solid_reason: the solid height that it showed, and how it was found
load_file, travel_file, flex_file: the calibration that it was read with
device_id, firmware, boot_id: which rig, and which start of it
session_id, source_url, session_started_utc: which run of the capture
entry_id: the same for all that one import or note brought
stroke_id: its id in the book""",
    "curves": """For reading; no command reads it back. The strokes' curves, as far as known
set, label: name of the set and of the spring
stroke_id, direction: as in strokes.csv; loading or unloading
height_mm, load_n: between the faces; set_rests_n in it, else rests_n, else the rig's of now""",
    "keyed": """Typed again: coilbench note --set SET 'LABEL HEIGHTmm LOADN' with the options below
set, label, stroke_id: as in strokes.csv
direction: loading, or unloading (which is typed as up at the end)
height_mm, depth_mm: the one that was typed (a depth with down after it)
shown_load_n: what the scale showed, the tare in it
remark: typed after # at the end of the line
free_length_mm: the set's at that time
tare_n, rests_n, lever_ratio: --tare; --rests; --lever
lever_ratio_u: --lever-u, standard uncertainty (k = 1) as a fraction
scale_resolution_n, scale_repeatability_n: --resolution; --repeatability
quill_resolution_mm: --quill
give_mm, give_at_n: --give GIVEmm@LOADN, the heights without it
give_u_mm, give_bend_u_mm: its standard uncertainties (k = 1), in proportion to the load and not
scale, scale_file: --scale; its calibration""",
    "calibrations": """For reading; no command reads it back. A row for each calibration
file: its own file
kind, name: load, travel, flex (import it after those two) or scale; the scale's name
made_utc, origin: when it was made; guided, or the file it came from
device_id, boot_id: which rig, and which start of it
gravity_m_s2: gravity that the masses were weighed under
masses_err: whether the masses err each by itself or together
reference_u_relative: standard uncertainty (k = 1) that all masses share, as a fraction
fit_json, notes_json: the fit in N and mm; what was noticed
id: its id in the book""",
    "raw": """Read by: coilbench import FILE --set SET --label LABEL
t_s: since the first sample; samples marked as invalid are left out
load_counts, travel_counts: raw counts""",
    "converted": """Read by: coilbench import FILE --set SET --label LABEL
t_s: since the first sample
load_n, height_mm: of the spring; between the faces""",
    "points": """Read by: coilbench import FILE --set SET
label: name of the spring
height_mm, load_n, direction: between the faces; of the spring; loading or unloading
u_n: expanded uncertainty (k = 2) of the load; assumed where there is no such column""",
    "load": """Read by: coilbench rig weigh --from FILE
mass_kg, counts: on the cell; mean load counts
direction: up or down, how the mass was reached
u_kg: expanded uncertainty (k = 2) of the mass; assumed where there is no such column""",
    "travel": """Read by: coilbench rig gauge --from FILE
length_mm, counts: between the faces; mean travel counts
u_mm: expanded uncertainty (k = 2) of the length; assumed where there is no such column""",
    "flex": """Read by: coilbench rig flex --from FILE
load_counts, travel_counts: pressing on a solid block""",
    "scale": """Read by: coilbench rig weigh --scale NAME --from FILE
mass_kg, shown_kg: on the scale; what it showed
direction: up or down, how the mass was reached
u_kg: expanded uncertainty (k = 2) of the mass; assumed where there is no such column""",
}
_SPRINGS = """
SELECT sets.*, sets.name AS "set", label, own_free_length_mm, own_free_length_u_mm,
  coalesce(solid_by_hand_mm, springs.solid_height_mm) AS own_solid_height_mm,
  CASE WHEN solid_by_hand_mm IS NULL THEN solid_reason ELSE 'by hand' END AS own_solid_reason,
  solid_by_hand_u_mm AS own_solid_u_mm, spring_note, spring_mark, added_utc, ? AS set_rests_n,
  json_extract(nominal_json, '$.loads') AS nominal_loads_json,
  json_extract(nominal_json, '$.rate_n_per_mm') AS nominal_rate_n_per_mm,
  json_extract(nominal_json, '$.tolerance_relative') AS nominal_tolerance_relative
FROM springs JOIN sets ON sets.id = set_id WHERE sets.name = ? ORDER BY turn"""
_STROKES = """
SELECT sweeps.id, row_number() OVER
  (PARTITION BY spring_id, purpose ORDER BY stored_utc, sweeps.id)
FROM sweeps JOIN springs ON springs.id = spring_id JOIN sets ON sets.id = set_id
WHERE sets.name = ? ORDER BY turn, stored_utc, sweeps.id"""
_STROKE = """
SELECT sweeps.*, sweeps.id AS stroke_id, sets.name AS "set", label,
  CASE ruling WHEN 'use' THEN 1 WHEN 'leave' THEN 0 ELSE counted END AS counts,
  load_part_id, travel_part_id, flex_part_id,
  device_id, firmware, source_url, started_utc AS session_started_utc
FROM sweeps JOIN springs ON springs.id = spring_id JOIN sets ON sets.id = springs.set_id
  LEFT JOIN calibrations ON calibrations.id = calibration_id
  LEFT JOIN sessions ON sessions.id = session_id WHERE sweeps.id = ?"""
_CURVE = """
SELECT sets.name AS "set", label, sweep_id AS stroke_id, branch AS direction, height_mm,
  load_n + coalesce((SELECT rests_n FROM resting_weights WHERE sweep_id = sweeps.id), 0) AS load_n
FROM curve_rows JOIN sweeps ON sweeps.id = sweep_id JOIN springs ON springs.id = spring_id
  JOIN sets ON sets.id = set_id WHERE sweep_id = ? ORDER BY branch, point"""
_PART_KINDS = ("load", "travel", "flex")
_PARTS = "SELECT *, NULL AS name FROM calibration_parts ORDER BY kind, made_utc, id"
_SCALES = """
SELECT *, 'scale' AS kind, NULL AS device_id, NULL AS boot_id, NULL AS masses_err
FROM scales ORDER BY made_utc, id"""
_PART_POINTS = """
SELECT *, coalesce(load_counts, travel_counts) AS counts FROM calibration_points
WHERE part_id = ? ORDER BY point"""
_SCALE_POINTS = "SELECT * FROM scale_points WHERE scale_id = ? ORDER BY point"

Row = dict[str, Any]


def export_files(
    db: Database, wanted: Sequence[str] = (), note_text: Callable[[str], str] = str
) -> Iterator[tuple[str, bytes]]:
    """Yield each file's path, with / between folders, and content.

    Args:
        note_text: what a stroke's stored note says in words.
        wanted: the sets' names; empty for all. All calibrations come with any.

    Raises:
        CoilbenchError: there is no such set.
    """
    chosen = [find_set(db, name).name for name in dict.fromkeys(wanted) or set_names(db)]
    taken: set[str] = set()
    calibrations = [*db.query(_PARTS), *db.query(_SCALES)]
    for row in calibrations:
        stem = filter(None, (row["kind"], row["name"], row["made_utc"][:10]))
        row["file"] = file_name(taken, "rig", "-".join(stem))
        yield row["file"], _calibration_file(db, row)
    yield "calibrations.csv", _file("calibrations", calibrations)
    own = rests_of_sets(db)
    springs = (row for name in chosen for row in db.query(_SPRINGS, [own.get(name), name]))
    yield "springs.csv", _file("springs", springs)
    for name in chosen:
        if entries := list(_by_hand(find_set(db, name))):
            yield file_name(taken, "by-hand", name), _file("by hand", entries)
    files = {None: None} | {row["id"]: row["file"] for row in calibrations}
    strokes, asked = [], asked_of(db)
    for row in _strokes(db, chosen):
        row |= {f"{kind}_file": files[row[f"{kind}_part_id"]] for kind in _PART_KINDS}
        row["file"] = file_name(taken, "strokes", row["set"], row["label"] + _warning(row))
        yield row["file"], _stroke_file(db, row)
        note, why = row["note"], asked.get(row["id"])
        note = note if why is None else waits(note, Finding.from_document(why))
        said = None if note is None else note_text(note)
        strokes.append(row | {"samples_blob": None, "note": said})
    yield "strokes.csv", _file("strokes", strokes)
    curves = (point for row in strokes for point in _curve(db, row))
    yield "curves.csv", _file("curves", curves)
    keyed = (reading for row in strokes for reading in _keyed(row, calibrations))
    yield "keyed.csv", _file("keyed", keyed)


def _by_hand(record: SetRecord) -> Iterator[Row]:
    """Yield what was measured or noted of the springs, as lines that `set measure` reads."""
    for spring in record.springs:
        for what, column in FACTS.items():
            value = getattr(spring, column)
            if column == "free_length_mm" and value is not None:
                value = f"{value!r} mm +- {2.0 * (spring.free_length_u_mm or 0.0)!r} mm"
            if column == "solid_height_mm":
                u_mm = spring.solid_by_hand_u_mm
                value = None if u_mm is None else f"{value!r} mm +- {2.0 * u_mm!r} mm"
            if value is not None:
                yield {"label": spring.label, "what": what, "value": value}


def file_name(taken: set[str], *parts: str) -> str:
    """Return a path valid on every system and add it to `taken`; unique regardless of case."""
    path = "/".join(map(_plain, parts))
    number, tried = 1, f"{path}.csv"
    while tried.casefold() in taken:
        number += 1
        tried = f"{path}_{number}.csv"
    taken.add(tried.casefold())
    return tried


def _plain(name: str) -> str:
    kept = "".join(sign if sign.isalnum() or sign in ".-_" else "_" for sign in name)
    return kept if kept.strip("._") else f"_{kept.strip('.')}"


def _strokes(db: Database, chosen: Sequence[str]) -> Iterator[Row]:
    """Yield the strokes but for damaged ones, of which none counts: `find_set` refuses those."""
    for name in chosen:
        whole = {
            stroke.cells["id"].decode()
            for stroke in strokes_of(db.conn, find_set(db, name).set_id)
            if stroke.whole and look_into(db.conn, stroke.cells).wrong is None
        }
        for stroke_id, number in db.execute(_STROKES, [name]).fetchall():
            if stroke_id in whole:
                (row,) = db.query(_STROKE, [stroke_id])
                yield row | {"number": number}


def _warning(row: Row) -> str:
    """Return a suffix for the file of a stroke that does not count but would after an import."""
    if row["purpose"] != "measured":
        return f"-{row['purpose']}"
    return "" if row["counts"] else "-not-counted"


def columns_of(line: str) -> list[str]:
    """Return the columns that a line of HEADS explains."""
    return line.partition(":")[0].split(", ")


def _file(
    kind: str, rows: Iterable[Mapping[str, Cell]], options: str = "", unknown: Sequence[str] = ()
) -> bytes:
    taken_by, *lines = HEADS[kind].splitlines()
    names = [name for line in lines for name in columns_of(line) if name not in unknown]
    cells = ([row[name] for name in names] for row in rows)
    return csv_bytes(names, cells, [taken_by + options, *lines])


def _calibration_file(db: Database, row: Row) -> bytes:
    kind, gravity = row["kind"], row["gravity_m_s2"]
    sql = _SCALE_POINTS if kind == "scale" else _PART_POINTS
    refuse_damaged_points(
        db.conn, "scale_points" if kind == "scale" else "calibration_points", row["id"]
    )
    points: list[Row] = list(db.query(sql, [row["id"]]))
    if kind == "travel" and len(points) < LEAST_GAUGES:  # a new datum: the ends of its line
        fit = fit_from_json(row["fit_json"])
        ends = [fit.x_min, fit.x_max]
        length_mm, u_mm = evaluate(fit, ends)
        cells = zip(length_mm.tolist(), ends, (2.0 * u_mm).tolist(), strict=True)
        points = [dict(zip(("length_mm", "counts", "u_mm"), each, strict=True)) for each in cells]
    unknown = [name for name in ("u_kg", "u_mm") if all(p.get(name) is None for p in points)]
    options = "" if gravity is None else f" --gravity {gravity!r}"
    options += " --masses-err each" if row["masses_err"] == "each" else ""
    return _file(kind, points, options, unknown)


def _stroke_file(db: Database, row: Row) -> bytes:
    if row["samples_blob"] is None:
        word = "--no-closed-down" if row["solid_height_mm"] is None else "--closed-down"
        points = list(db.query(_CURVE, [row["id"]]))
        stated = json.loads(row["keyed_json"] or "{}").get("stated_u_n") or []
        rows = [point | {"u_n": 2.0 * u_n} for point, u_n in zip(points, stated, strict=False)]
        return _file("points", rows or points, f" {word}", () if stated else ("u_n",))
    samples = sample_blob.unpack(row["samples_format"], row["samples_blob"])
    is_raw = samples.dtype == RAW_DTYPE
    # Invalid samples are left out; a saturated load is recognised again from its counts.
    bad = UNUSABLE & ~SampleFlag.LOAD_SATURATED if is_raw else UNUSABLE
    kept = samples[(samples["flags"] & bad) == 0]
    columns = {name: kept[name].tolist() for name in kept.dtype.names or ()}
    if is_raw:
        columns["t_s"] = ((kept["t_us"] - kept["t_us"][:1]) / 1e6).tolist()
    zero = row["zero_counts"]
    return _file(
        "raw" if is_raw else "converted",
        (dict(zip(columns, cells, strict=True)) for cells in zip(*columns.values(), strict=True)),
        "" if zero is None or not is_raw else f" --zero-counts {zero!r}",
    )


def _curve(db: Database, row: Row) -> Iterator[Row]:
    """Yield a stroke's curve, its numbers as far as they are known."""
    for point in db.query(_CURVE, [row["id"]]):
        u_n = math.hypot(row["load_u_n"], row["load_u_relative"] * point["load_n"])
        load_n = known_to(point["load_n"], u_n)
        yield point | {
            "load_n": load_n,
            "height_mm": known_to(point["height_mm"], row["height_u_mm"]),
        }


def _keyed(row: Row, calibrations: Sequence[Row]) -> Iterator[Row]:
    keyed = json.loads(row["keyed_json"] or '{"readings": [], "setup": {}}')
    setup = keyed["setup"] or {}  # none where a file stated its uncertainties
    scale = setup.get("scale") or {"name": None, "fit": None}  # early books have none
    files = [
        each["file"]
        for each in calibrations
        if each["name"] == scale["name"] and json.loads(each["fit_json"]) == scale["fit"]
    ]
    for reading in keyed["readings"]:
        yield {
            **row,
            **Give()._asdict(),  # early books have none
            **setup,
            "remark": "",  # early books have none
            **reading,
            "free_length_mm": keyed["free_length_mm"],
            "direction": "loading" if reading["loading"] else "unloading",
            "scale": scale["name"],
            "scale_file": files[0] if files else None,
        }
