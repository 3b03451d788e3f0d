"""`--history` and `--take-back` of import and note: what came in, and out of the count again.

`coilbench import`: CSV files into a set.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, TypeVar

import click

from coilbench.analysis.cli.common import NUMBER, json_option, print_document, read_bytes
from coilbench.analysis.cli.settings import book_path
from coilbench.capture.book.importing import FILES, Entry, entries, import_table
from coilbench.capture.book.importing import undo as take_back
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.rows import new_id, writing
from coilbench.capture.book.sets import find_set
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes.sweep import Origin
from coilbench.capture.tables.csv_table import read_table
from coilbench.capture.units import counted

SHOWN_FIGURES = 8  # of an id: enough to tell some millions apart

_Command = TypeVar("_Command", bound=Callable[..., Any])


def taking_back_options(command: _Command) -> _Command:
    """Give a command --history and --take-back."""
    history = click.option(
        "--history", is_flag=True, help="List what came in by this command, the newest first."
    )
    back = click.option(
        "--take-back",
        metavar="last|ID",
        help="Take a run out of the count again; its numbers are kept.",
    )
    return history(back(command))


def show_history(origins: Sequence[Origin], set_name: str | None, *, as_json: bool = False) -> None:
    """Print the runs that brought strokes of these origins."""
    with open_book(book_path()) as db:
        known = entries(db, origins, set_name)
    if as_json:
        print_document({"entries": [vars(entry) for entry in known]})
        return
    for entry in known:
        click.echo(_line(entry))
    if not known:
        click.echo("Nothing yet that could be taken back.")


def _line(entry: Entry) -> str:
    what = f"{', '.join(entry.files)}  " if entry.files else ""
    springs = entry.labels[0] if len(entry.labels) == 1 else counted(len(entry.labels), "spring")
    return (
        f"{entry.entry_id[:SHOWN_FIGURES]}  {entry.stored_utc[:16].replace('T', ' ')}  "
        f"{entry.set_name}  {what}{springs}{'' if entry.counts else '  (taken back)'}"
    )


def take_entry_back(
    which: str, origins: Sequence[Origin], set_name: str | None, *, as_json: bool = False
) -> None:
    """Take a run back and say so."""
    with open_book(book_path()) as db:
        entry = take_back(db, which, origins, set_name)
    if as_json:
        print_document({"taken_back": vars(entry) | {"counts": False}})
        return
    click.echo(f"Taken back: {_line(entry)}. Its numbers are kept, but they do not count any more.")


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
@taking_back_options
@json_option
def import_command(
    files: tuple[Path, ...],
    set_name: str | None,
    label: str | None,
    closed_down: bool | None,
    zero_counts: float | None,
    history: bool,
    take_back: str | None,
    as_json: bool,
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
        _go_back(files, set_name, take_back, as_json)
        return
    if not files or set_name is None:
        missing = "--set" if files else "FILES"
        raise CoilbenchError(f"{missing} is missing", hint="See: coilbench import --help")
    tables = [read_table(read_bytes(file), file.name) for file in files]
    with open_book(book_path()) as db:
        record, entry_id = find_set(db, set_name), new_id()
        with writing(db):
            brought = [
                import_table(
                    db,
                    record,
                    table,
                    label=label,
                    closed_down=closed_down,
                    zero_counts=zero_counts,
                    entry_id=entry_id,
                )
                for table in tables
            ]
    if as_json:
        rows = [
            {"file": t.name, "kind": b.kind, "labels": list(b.labels), "notes": list(b.notes)}
            for t, b in zip(tables, brought, strict=True)
        ]
        print_document({"set": set_name, "entry_id": entry_id, "files": rows})
        return
    for table, one in zip(tables, brought, strict=True):
        springs = one.labels[0] if len(one.labels) == 1 else f"{len(one.labels)} springs"
        click.echo(f"{table.name}: {one.kind}, {springs} of set {set_name}.")
        for note in one.notes:
            click.echo(f"Note: {note}.")
    click.echo(
        f"Next: coilbench set check {set_name} --at HEIGHT "
        f"(a mistake? coilbench import --take-back {entry_id[:SHOWN_FIGURES]})"
    )


def _go_back(
    files: tuple[Path, ...], set_name: str | None, take_back: str | None, as_json: bool
) -> None:
    if files:
        raise CoilbenchError(
            "files come in, or something is taken back", hint="Do one, then the other"
        )
    if take_back is None:
        show_history(FILES, set_name, as_json=as_json)
    else:
        take_entry_back(take_back, FILES, set_name, as_json=as_json)
