"""`coilbench set readings`: what was keyed in, reading by reading."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from msgspec.structs import asdict, replace

from coilbench.analysis.cli.common import print_document, say, units
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.cli.tables import plain_table, print_uncut
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.phrases import note_text
from coilbench.analysis.report.slip_text import reading_text, setup_text
from coilbench.analysis.report.units import SI, Units
from coilbench.analysis.sets.slips import Slip
from coilbench.capture.book.connection import Database
from coilbench.capture.book.keyed_readings import KeyedRow, last_setup, spring_named, was_keyed
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.scales import scale_called
from coilbench.capture.book.sets import SetRecord, find_set
from coilbench.capture.calibration.keyed_setup import KeyedSetup
from coilbench.capture.plain import as_typed
from coilbench.capture.tables.keyed import KeyedReading


def set_readings(name: str, label: str | None, as_json: bool) -> None:
    """List what was keyed in of a set, or of one spring: each reading, and whether it counts."""
    with open_book(book_path()) as db:
        record = find_set(db, name)
        only = None if label is None else spring_named(record, label)
        every = KeyedRow.of_set(db, record)
        rows = [
            _with_scale_as_called(db, row)
            for of, own in every.items()
            if only in (None, of)
            for row in own
        ]
        suspects = suspect_lines(db, record, record.labels if only is None else [only])
    if as_json:
        print_document({"set": record.name, "readings": [_document(row) for row in rows]})
        return
    if not rows:
        say(f"Nothing was keyed in of {only or record.name}.")
        return
    shown = units()
    titles: tuple[str, ...] = (
        "reading",
        "typed, UTC",
        f">length, {shown.length}",
        f">scale shows, {shown.load}",
    )
    titles += (f">load, {shown.load}", "counts", "taken with", "remark")
    print_uncut(plain_table(*titles, rows=[_cells(row, shown) for row in rows]))
    for line in suspects:
        say(f"{line}.")


def _with_scale_as_called(db: Database, row: KeyedRow) -> KeyedRow:
    scale = row.setup.get("scale")
    if scale is None:
        return row
    called = {**scale, "name": scale_called(db, scale)}
    return replace(row, setup={**row.setup, "scale": called})


def suspect_lines(db: Database, record: SetRecord, labels: Iterable[str]) -> list[str]:
    """Return what to say of readings of these springs that their neighbours contradict."""
    if not was_keyed(db, record):
        return []
    from coilbench.analysis.inputs.keying import Desk  # imported late: slow to load

    desk = Desk(db, record, (last_setup(db, record) or (KeyedSetup(), ""))[0])
    return [
        _suspect_text(name, *found, units())
        for label in labels
        for name, found in desk.suspects(label).items()
    ]


def _cells(row: KeyedRow, shown: Units) -> list[str]:
    reading = row.reading
    down = "" if reading.depth_mm is None else " down"
    length_mm = reading.height_mm if reading.depth_mm is None else reading.depth_mm
    return [
        row.name,
        row.keyed_utc[:16].replace("T", " "),
        shown.length_number(length_mm) + down,
        shown.load_number(reading.shown_load_n) + ("" if reading.loading else " up"),
        shown.load_number(row.load_n),
        _counts(row),
        setup_text(row.setup, shown),
        reading.remark,
    ]


def _counts(row: KeyedRow) -> str:
    if row.counts:
        return "yes"
    return f"no: {note_text(row.stroke.note, SI) or 'left out by a ruling'}"


def _document(row: KeyedRow) -> dict[str, Any]:
    scale = row.setup.get("scale")
    return {
        "reading": row.name,
        "label": row.stroke.label,
        "keyed_utc": row.keyed_utc,
        **asdict(row.reading),
        "spring_height_mm": row.height_mm,
        "load_n": row.load_n,
        "counts": row.counts,
        "why_not": None if row.counts else _counts(row).removeprefix("no: "),
        "tare_n": row.setup["tare_n"],
        "lever_ratio": row.setup["lever_ratio"],
        "scale": None if scale is None else scale["name"],
    }


def _suspect_text(name: str, reading: KeyedReading, why: Sequence[Slip], units: Units) -> str:
    """Say which reading its neighbours contradict, and what to do about it."""
    said = "; ".join(describe(one, units) for one in why)
    return (
        f"{name} may be a slip ({said}): press it again, or if it was typed wrong: coilbench note "
        f"--replace {as_typed(reading_text(reading, units))}"
    )
