"""`coilbench set edit`: what a set was registered with, corrected or added to later."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import click

from coilbench.analysis.cli.asking import sure_of
from coilbench.analysis.cli.common import print_document, say, units
from coilbench.analysis.cli.rig_ratings import refuse_heavy_rests
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.inputs.free_lengths import lengths_contradicted
from coilbench.analysis.inputs.other_sets import fits_other
from coilbench.analysis.report.document import describe
from coilbench.capture.book.by_hand import Changed, add_springs, edit_set
from coilbench.capture.book.connection import Database
from coilbench.capture.book.depths import read_from_files
from coilbench.capture.book.keyed_readings import KeyedRow
from coilbench.capture.book.merge_names import base_name
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.ratings import tell_set_rests
from coilbench.capture.book.rows import writing
from coilbench.capture.book.sets import SetRecord, find_set, labels_for, remove_set, rename_set
from coilbench.capture.choices import FORGET
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.plain import as_typed
from coilbench.capture.tables.spring_lines import StatedLength
from coilbench.capture.units import counted


def set_edit(
    name: str,
    count: int | None,
    labels: str | None,
    forget: tuple[str, ...],
    solid_height: StatedLength | None,
    rename: str | None,
    remove: bool,
    yes: bool,
    as_json: bool,
    **given: Any,
) -> None:
    """Correct what a set was registered with, or add to it: dimensions, springs, a note."""
    solid_mm, solid_u_mm = solid_height or (None, None)
    given["solid_height_mm"] = solid_mm
    changes = _changes(given, forget)
    nothing = not changes and count is None and labels is None
    if rename is not None or remove:
        _name_or_remove(name, rename, alone=nothing and not (remove and rename), as_json=as_json)
        return
    if nothing:
        raise CoilbenchError(
            "nothing to change",
            hint=f"For example: coilbench set edit {as_typed(name)} --free-length 53mm",
        )

    refuse_heavy_rests(changes.get("rests_n"), yes=yes)
    of_spring = {column: value for column, value in changes.items() if column != "rests_n"}

    def keep(sure: bool) -> tuple[Changed, tuple[str, ...], Sequence[str], int]:
        with open_book(book_path()) as db, writing(db):
            record = find_set(db, name)
            added = _added_labels(record, count, labels)
            if added:
                record = add_springs(db, record, added)
            done = edit_set(db, record, of_spring, solid_u_mm=solid_u_mm, sure=sure)
            by_file = read_from_files(db, record) if "free_length_mm" in changes else ()
            other = 0
            if "rests_n" in changes:
                other = tell_set_rests(db, record.set_id, changes["rests_n"])
        return done, added, by_file, other

    done, added, by_file, other = sure_of(keep, yes=yes)
    if as_json:
        stated = {} if solid_u_mm is None else {"solid_height_u_mm": 2.0 * solid_u_mm}
        print_document(
            {
                "set": done.record.name,
                "changed": changes | stated,
                "added": list(added),
                "rederived": list(done.rederived),
            }
        )
        return
    _say_changes(name, changes, solid_u_mm)
    if added:
        click.echo(f"Set {name}: {counted(len(added), 'spring')} more, {', '.join(added)}")
    if other:
        click.echo(
            f"{counted(other, 'stroke')} pressed when another weight was told: their loads have "
            "this one now."
        )
    say_depths(done, by_file)
    if "free_length_mm" in changes:
        with open_book(book_path()) as db:
            say_lengths(db, done.record)


def _say_changes(name: str, changes: Mapping[str, Any], solid_u_mm: float | None) -> None:
    """Say what holds of a set now."""
    for column, value in changes.items():
        words = column.removesuffix("_mm").replace("_", " ")
        text = "not known" if value is None else units().quantity(column, value) or f"{value}"
        if column == "solid_height_mm" and solid_u_mm is not None:
            text += f" ± {units().length_text(2.0 * solid_u_mm)}"
        if column == "rests_n":
            words = "rests on each spring"
            text = "as with the rig" if value is None else units().small_load_text(value)
        click.echo(f"Set {name}: {words} {text}")


def _changes(given: Mapping[str, Any], forget: Sequence[str]) -> dict[str, Any]:
    """Return what changes, by column; None is forgotten."""
    changes = {column: value for column, value in given.items() if value is not None}
    for word in forget:
        if FORGET[word] in changes:
            raise CoilbenchError(
                f"--{word} is given and forgotten", hint="Give the new value, or --forget, not both"
            )
        changes[FORGET[word]] = None
    return changes


def _name_or_remove(name: str, rename: str | None, *, alone: bool, as_json: bool) -> None:
    """Give a set another name; remove it where there is none."""
    if not alone:
        raise CoilbenchError(
            "--rename and --remove go alone", hint="Make other changes with another command"
        )
    with open_book(book_path()) as db:
        record = find_set(db, name)
        if rename is None:
            remove_set(db, record)
        else:
            rename_set(db, record, rename)
    if as_json:
        print_document({"set": name, "renamed": rename, "removed": rename is None})
    elif rename is None:
        click.echo(f"Set {name}: removed, nothing of it was pressed")
    else:
        say(f"Set {name}: now {rename}. Change it in your build files, too")


def _added_labels(record: SetRecord, count: int | None, labels: str | None) -> tuple[str, ...]:
    """Return the labels of springs to add."""
    if count is not None and labels is not None:
        raise CoilbenchError("give either --count or --labels", hint="For example --count 14")
    if labels is not None:
        return tuple(label.strip() for label in labels.split(","))
    have = len(record.springs)
    if count is None or count == have:
        return ()
    if count < have:
        raise CoilbenchError(
            f"the set has {have} springs, which stay in the book",
            where="--count",
            hint="To leave one out of use, don't press it; a larger count adds springs",
        )
    return labels_for(base_name(record.name, record.set_id), count)[have:]


def say_lengths(db: Database, record: SetRecord) -> None:
    """Say where loads contradict the free length that depths are counted from."""
    found = lengths_contradicted(record, KeyedRow.of_set(db, record))
    if found is not None:
        say(f"{describe(found, units())}.")


def say_other_sets(db: Database, record: SetRecord, labels: Iterable[str]) -> None:
    """Say of which springs the loads fit another set much better."""
    for found in fits_other(db, record, labels):
        say(f"Note: {describe(found, units())}.")


def say_depths(done: Changed, by_file: Sequence[str] = ()) -> None:
    """Say whose readings got new heights from a free length, and whose could not."""
    if done.rederived:
        say(
            f"Readings typed as depths have new heights by the free length: "
            f"{', '.join(done.rederived)}."
        )
    if by_file:
        say(
            f"Points imported from files stay as they are: {', '.join(by_file)}. Where the file "
            "had depths, take it back and import it again (coilbench import --history)."
        )
