"""`coilbench note` and `coilbench import`: readings into a set, and undoing a run of either."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from coilbench.analysis.cli.common import (
    FRACTION,
    LENGTH,
    LOAD,
    NUMBER,
    Decorated,
    at_option,
    json_option,
    print_document,
    read_bytes,
    say_aside,
    units,
)
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.phrases import CAUTION
from coilbench.analysis.report.units import SI
from coilbench.capture.book.calibrations import find_scale
from coilbench.capture.book.importing import (
    FILES,
    KEYED,
    Entry,
    import_table,
    refuse_height,
    store_readings,
)
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.rows import new_id, writing
from coilbench.capture.book.sets import SetRecord, find_set
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes.sweep import Origin
from coilbench.capture.tables.csv_table import read_table
from coilbench.capture.tables.keyed import KeyedReading, KeyedSetup
from coilbench.capture.units import counted

SHOWN_FIGURES = 8  # of an id: enough to distinguish some millions


def _undo_options(command: Decorated) -> Decorated:
    history = click.option(
        "--history", is_flag=True, help="List the runs of this command, newest first."
    )
    back = click.option(
        "--take-back",
        metavar="last|ID",
        help="Undo a run: what it brought no longer counts; its numbers are kept.",
    )
    return history(back(command))


def _show_history(
    origins: Sequence[Origin], set_name: str | None, *, as_json: bool = False
) -> None:
    with open_book(book_path()) as db:
        known = Entry.newest_first(db, origins, set_name)
    if as_json:
        print_document({"entries": known})
        return
    for entry in known:
        click.echo(_entry_line(entry))
    if not known:
        click.echo("Nothing to undo yet.")


def _entry_line(entry: Entry) -> str:
    files = f"{', '.join(entry.files)}  " if entry.files else ""
    return (
        f"{entry.entry_id[:SHOWN_FIGURES]}  {entry.stored_utc[:16].replace('T', ' ')}  "
        f"{entry.set_name}  {files}{_springs(entry.labels)}{'' if entry.counts else '  (undone)'}"
    )


def _springs(labels: Sequence[str]) -> str:
    return labels[0] if len(labels) == 1 else counted(len(labels), "spring")


def _undo(
    which: str, origins: Sequence[Origin], set_name: str | None, *, as_json: bool = False
) -> None:
    with open_book(book_path()) as db:
        entry = Entry.undo(db, which, origins, set_name)
    if as_json:
        print_document({"taken_back": vars(entry) | {"counts": False}})
        return
    click.echo(f"Undone: {_entry_line(entry)}. Its numbers are kept, but no longer count.")


@click.command(
    name="note",
    epilog="Examples: coilbench note --set larch 'larch-07 38.5mm 22.4kg' "
    "'larch-07 27.6mm 40.7kg' ; coilbench note --set larch --at 38.5mm --at 27.6mm --tare 1.2kg ; "
    "coilbench note --set larch --take-back last",
)
@click.argument("lines", nargs=-1)
@click.option("--set", "set_name", required=True, help="The set the springs belong to.")
@at_option("Guided: the heights to read each spring at.")
@click.option(
    "--tare",
    "tare_n",
    type=LOAD,
    default="0kg",
    help="What the scale shows with the blocks on it and no spring pressed.",
)
@click.option(
    "--rests",
    "rests_n",
    type=LOAD,
    default="0kg",
    help="What lay on the spring when the tare was read: the upper cup, if not lifted off.",
)
@click.option(
    "--lever",
    "lever_ratio",
    type=NUMBER,
    default="1",
    help="The spring's load over the load on the scale, where a bar divides it.",
)
@click.option(
    "--lever-u",
    "lever_ratio_u",
    type=FRACTION,
    default="0%",
    help="Standard uncertainty of the lever's ratio.",
)
@click.option(
    "--resolution",
    "scale_resolution_n",
    type=LOAD,
    default="0.1kg",
    help="The scale's smallest step.",
)
@click.option(
    "--scale",
    "scale_name",
    help="Correct by this scale's own calibration (made with: rig weigh --scale NAME --from FILE); "
    "its scatter then takes the place of --repeatability.",
)
@click.option(
    "--repeatability",
    "scale_repeatability_n",
    type=LOAD,
    default="0.2kg",
    help="Standard deviation of the scale's readings of one load.",
)
@click.option(
    "--quill",
    "quill_resolution_mm",
    type=LENGTH,
    default="0.1mm",
    help="The depth scale's smallest step.",
)
@_undo_options
def note_command(
    lines: tuple[str, ...],
    set_name: str,
    heights_mm: tuple[float, ...],
    scale_name: str | None,
    history: bool,
    take_back: str | None,
    **setup: float,
) -> None:
    """Key in readings: each line LABEL LENGTH LOAD, spring by spring or one line at a time.

    LENGTH is a height, or a depth with `down` after it (the set's free length is needed then);
    `up` at the end marks a reading taken on the way up. Without lines, every spring of the set
    is asked for in turn; an empty answer leaves that spring for later.
    """
    if history:
        _show_history(KEYED, set_name)
        return
    if take_back is not None:
        _undo(take_back, KEYED, set_name)
        return
    if setup["scale_resolution_n"] <= 0.0 or setup["quill_resolution_mm"] <= 0.0:
        raise CoilbenchError(
            "the smallest step of a scale or quill is not above 0",
            where="--resolution, --quill",
            hint="Give the smallest step that it shows, like 0.1kg and 0.1mm",
        )
    with open_book(book_path()) as db:
        record = find_set(db, set_name)
        scale = None if scale_name is None else find_scale(db, scale_name)
    keyed = KeyedSetup(**setup, scale=scale)
    if lines:
        _store(record, [KeyedReading.parse(line) for line in lines], keyed)
    else:
        _ask_all(record, heights_mm, keyed)


def _store(record: SetRecord, readings: list[KeyedReading], setup: KeyedSetup) -> None:
    with open_book(book_path()) as db:
        labels = store_readings(db, record, readings, setup)
    click.echo(f"Stored {counted(len(readings), 'reading')} of {', '.join(labels)}.")


def _ask_all(record: SetRecord, heights_mm: tuple[float, ...], setup: KeyedSetup) -> None:
    if not heights_mm:
        raise CoilbenchError(
            "nothing to key in",
            hint="Give lines like 'larch-07 38.5mm 22.4kg', or the heights with --at",
        )
    for label in record.labels:
        for height_mm in heights_mm:
            refuse_height(record, label, height_mm)
    click.echo(CAUTION)
    for label in record.labels:
        readings = []
        for height_mm in heights_mm:
            reading = _ask(label, height_mm, setup)
            if reading is None:
                break
            readings.append(reading)
        if readings:
            _store(record, readings, setup)
    click.echo(f"Next: coilbench set check {record.name} --at HEIGHT")


def _ask(label: str, height_mm: float, setup: KeyedSetup) -> KeyedReading | None:
    shown = units()
    while True:
        prompt = f"{label} at {shown.length_text(height_mm)}: scale shows, in {shown.load}"
        answer = click.prompt(prompt, default="", show_default=False).strip()
        if not answer:
            return None
        try:
            load_n = LOAD.convert(
                answer if answer[-1].isalpha() else answer + shown.load, None, None
            )
            reading = KeyedReading(label, load_n, height_mm=height_mm)
            reading.spring_load_n(setup)
        except CoilbenchError as error:
            error.in_units(shown.quantity)
            say_aside(str(error))
        else:
            return reading


@click.command(
    name="import",
    epilog="Examples: coilbench import readings.csv --set larch ; "
    "coilbench import stroke1.csv stroke2.csv --set larch --label larch-07 ; "
    "coilbench import --take-back last",
)
@click.argument("files", nargs=-1, type=click.Path(path_type=Path))
@click.option("--set", "set_name", help="The set they belong to.")
@click.option("--label", help="The spring of a sweep file; of a points file, only this spring.")
@click.option(
    "--closed-down/--no-closed-down",
    default=None,
    help="Points: each spring's largest load is (or is not) at its solid height. "
    "[default: judged from the file, and said]",
)
@click.option(
    "--zero-counts",
    type=NUMBER,
    help="Raw sweep: its load counts with nothing pressed.  [default: as it begins]",
)
@_undo_options
@json_option
def import_command(
    files: tuple[Path, ...],
    set_name: str | None,
    history: bool,
    take_back: str | None,
    as_json: bool,
    **options: Any,
) -> None:
    """Bring in CSV files: raw sweeps, converted sweeps, or points.

    \b
    Columns, with a header row; lines that begin with # are comments:
      t_s,load_counts,travel_counts            one raw stroke (needs a calibration)
      t_s,load_kg,height_mm                    one converted stroke
      label,height_mm,load_kg[,direction]      points; direction loading or unloading
      label,depth_mm,load_kg[,direction]       the same by depth (the set's free length is needed)
    Units in a column's name are honoured: load_n, load_lbf, height_in. All files or none.
    """
    if history or take_back is not None:
        if files:
            raise CoilbenchError(
                "files cannot be given with --history or --take-back",
                hint="Run one after the other",
            )
        if take_back is None:
            _show_history(FILES, set_name, as_json=as_json)
        else:
            _undo(take_back, FILES, set_name, as_json=as_json)
        return
    if not files or set_name is None:
        missing = "--set" if files else "FILES"
        raise CoilbenchError(f"{missing} is missing", hint="See: coilbench import --help")
    tables = [read_table(read_bytes(file), file.name) for file in files]
    with open_book(book_path()) as db:
        record, entry_id = find_set(db, set_name), new_id()
        with writing(db):
            brought = [
                import_table(db, record, table, entry_id=entry_id, **options) for table in tables
            ]
    names = [table.name for table in tables]
    if as_json:
        rows = [
            {"file": name, **vars(one), "notes": [describe(note, SI) for note in one.notes]}
            for name, one in zip(names, brought, strict=True)
        ]
        print_document({"set": set_name, "entry_id": entry_id, "files": rows})
        return
    for name, one in zip(names, brought, strict=True):
        click.echo(f"{name}: {one.kind}, {_springs(one.labels)} of set {set_name}.")
        for note in one.notes:
            click.echo(f"Note: {describe(note, units())}.")
    click.echo(
        f"Next: coilbench set check {set_name} --at HEIGHT "
        f"(to undo this: coilbench import --take-back {entry_id[:SHOWN_FIGURES]})"
    )
