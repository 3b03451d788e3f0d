"""`coilbench import`: CSV files into a set."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from coilbench.analysis.cli.common import print_document, units
from coilbench.analysis.cli.hand_options import IMPORT_FLAGS
from coilbench.analysis.cli.note_setup import given_give
from coilbench.analysis.cli.set_edit import say_other_sets
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.cli.undoing import show_history, springs_text, undo
from coilbench.analysis.inputs.files import read_bytes
from coilbench.analysis.inputs.weighing import DoubtfulRow, doubtful_rows
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import SI
from coilbench.capture.book.connection import Database
from coilbench.capture.book.entries import FILES, take_back_text
from coilbench.capture.book.importing import import_table
from coilbench.capture.book.importing_points import Imported
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.rows import new_id, writing
from coilbench.capture.book.scales import find_scale
from coilbench.capture.book.sets import SetRecord, find_set
from coilbench.capture.calibration.keyed_setup import Give, KeyedSetup
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.plain import as_typed, plain_line
from coilbench.capture.tables.csv_table import Table, read_table


def import_command(
    files: tuple[Path, ...],
    set_name: str | None,
    history: bool,
    take_back: str | None,
    yes: bool,
    as_json: bool,
    **options: Any,
) -> None:
    """Bring in CSV files: raw sweeps, converted sweeps, or points."""
    if history or take_back is not None:
        if files:
            raise CoilbenchError(
                "files cannot be given with --history or --take-back",
                hint="Run one after the other",
            )
        if take_back is None:
            show_history(FILES, set_name, as_json=as_json)
        else:
            undo(take_back, FILES, set_name, as_json=as_json)
        return
    if not files or set_name is None:
        missing = "--set" if files else "FILES"
        raise CoilbenchError(f"{missing} is missing", hint="See: coilbench import --help")
    tables = [read_table(read_bytes(file), file.name) for file in files]
    with open_book(book_path()) as db:
        record, entry_id = find_set(db, set_name), new_id()
        options["hand"] = _take_setup(db, options)
        try:
            brought = _bring(db, record, tables, entry_id, options, yes=yes)
        except _Doubtful as doubt:
            if not doubt.asked():
                raise
            brought = _bring(db, record, tables, entry_id, options, yes=True)
        named = list(zip((table.name for table in tables), brought, strict=True))
        if as_json:
            print_document(_document(record, entry_id, named))
        else:
            _show(db, record, entry_id, named)


def _document(
    record: SetRecord, entry_id: str, named: Sequence[tuple[str, Imported]]
) -> dict[str, object]:
    files = [
        {
            "file": name,
            "kind": one.kind,
            "labels": one.labels,
            "notes": [describe(note, SI) for note in one.notes],
        }
        for name, one in named
    ]
    return {"set": record.name, "entry_id": entry_id, "files": files}


def _show(
    db: Database, record: SetRecord, entry_id: str, named: Sequence[tuple[str, Imported]]
) -> None:
    for name, one in named:
        what = f"{one.kind}, {springs_text(one.labels)} of set {record.name}"
        click.echo(f"{plain_line(name)}: {what}.")
        for note in one.notes:
            click.echo(f"Note: {describe(note, units())}.")
    say_other_sets(db, record, dict.fromkeys(label for _, one in named for label in one.labels))
    click.echo(
        f"Next: coilbench set check {as_typed(record.name)} --at HEIGHT "
        f"(to undo this: {take_back_text(entry_id)})"
    )


_MOST_TOLD = 20  # rows; more are counted


class _Doubtful(CoilbenchError):
    """Rows that may be slips; nothing is stored."""

    def __init__(self, rows: Sequence[DoubtfulRow]) -> None:
        self.lines = [
            f"{one.row.file}, line {one.row.line}: {one.row.label}: "
            + "; ".join(describe(slip, units()) for slip in one.found)
            for one in rows[:_MOST_TOLD]
        ]
        if len(rows) > _MOST_TOLD:
            self.lines.append(f"and {len(rows) - _MOST_TOLD} more rows")
        self.impossible = any(one.impossible for one in rows)
        hint = "Mend the file" if self.impossible else "Check it; --yes stores it as it is"
        super().__init__(" | ".join(self.lines), hint=hint)

    def asked(self) -> bool:
        """Ask whether they are right, once for all; not where they cannot be or nobody answers.

        Raises:
            CoilbenchError: the person says that they are not.
        """
        if self.impossible or not (sys.stdin.isatty() and sys.stdout.isatty()):
            return False
        for line in self.lines:
            click.echo(line)
        words = "Store it as it is?" if len(self.lines) == 1 else "Store them as they are?"
        if not click.confirm(words, default=False):
            raise CoilbenchError("nothing was stored", hint="Mend the file and import it again")
        return True


def _bring(
    db: Database,
    record: SetRecord,
    tables: Sequence[Table],
    entry_id: str,
    options: dict[str, Any],
    *,
    yes: bool,
) -> list[Imported]:
    """Store the files, all or nothing; what no spring does not even with `yes`."""
    with writing(db):
        brought = [
            import_table(db, record, table, entry_id=entry_id, **options) for table in tables
        ]
        rows = [row for one in brought for row in one.rows]
        doubts = doubtful_rows(db, record, rows, entry_id)
        if doubts and (not yes or any(one.impossible for one in doubts)):
            raise _Doubtful([one for one in doubts if not yes or one.impossible])
    return brought


def _take_setup(db: Database, options: dict[str, Any]) -> KeyedSetup | None:
    """Take the options of hand_options out; None where none was given.

    Raises:
        CoilbenchError: an impossible value, or a scale that the book does not have.
    """
    given = {name: options.pop(name) for _, name, _, _ in IMPORT_FLAGS}
    given = {name: value for name, value in given.items() if value is not None}
    scale_name, by_hand = options.pop("scale_name"), options.pop("by_hand")
    step_mm = given.get("quill_resolution_mm", KeyedSetup().quill_resolution_mm)
    give = given_give(options.pop("give"), step_mm)
    if not (given or by_hand or scale_name is not None or give is not None):
        return None
    scale = None if scale_name is None else find_scale(db, scale_name)
    return KeyedSetup(**given, **(give or Give())._asdict(), scale=scale)
