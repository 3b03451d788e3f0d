"""`coilbench note`: readings of a scale and a quill, typed: into a grid, asked for, or as lines."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from coilbench.analysis.cli.common import (
    FRACTION,
    LENGTH,
    LOAD,
    NUMBER,
    at_option,
    say_taken_as,
    units,
)
from coilbench.analysis.cli.note_asking import Person, ask_for_readings
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.cli.undoing import show_history, undo, undo_options
from coilbench.analysis.inputs.keying import Desk
from coilbench.analysis.report.slip_text import reading_text, refusal_of
from coilbench.capture.book.calibrations import find_scale
from coilbench.capture.book.entries import KEYED
from coilbench.capture.book.keyed_readings import (
    KeyedRow,
    refuse_height,
    remove_readings,
    spring_named,
    store_readings,
)
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import find_set
from coilbench.capture.calibration.keyed_setup import KeyedSetup
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.tables.keyed import KeyedReading, with_units
from coilbench.capture.units import counted

if TYPE_CHECKING:
    from sqlite_utils import Database

    from coilbench.analysis.cli.note_plan import Presses


@click.command(
    name="note",
    epilog="Examples: coilbench note --set larch --at 38.5mm --at 27.6mm --tare 1.2kg ; "
    "coilbench note --set larch 'larch-07 38.5mm 22.4kg' '7 27.6 40.7 # rusty' ; "
    "coilbench note --plan engine.toml ; "
    "coilbench note --set larch --replace 'larch-07 27.6mm 41.9kg' ; "
    "coilbench note --set larch --take-back last",
)
@click.argument("lines", nargs=-1)
@click.option("--set", "set_name", help="The set the springs belong to.")
@at_option("The heights to read each spring at.")
@click.option(
    "--plan",
    "build",
    type=click.Path(path_type=Path),
    help="Ask for the presses that `coilbench plan` names next for this build file.",
)
@click.option("--yes", is_flag=True, help="Lines: store what looks like a slip as it is.")
@click.option(
    "--replace",
    "replaced",
    metavar="LINE",
    multiple=True,
    help="Type the reading of a spring at a height again; the one before no longer counts.",
)
@click.option(
    "--remove",
    "removed",
    metavar="READING",
    multiple=True,
    help="Stop counting a reading: larch-08:3, as `coilbench set readings` lists it.",
)
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
@undo_options
def note_command(
    lines: tuple[str, ...],
    set_name: str | None,
    heights_mm: tuple[float, ...],
    build: Path | None,
    yes: bool,
    replaced: tuple[str, ...],
    removed: tuple[str, ...],
    scale_name: str | None,
    history: bool,
    take_back: str | None,
    **setup: float,
) -> None:
    """Key in readings: into a grid, springs down and heights across, or as LINES.

    A line is LABEL LENGTH LOAD: `larch-07 38.5mm 22.4kg`, or short `7 38.5 22.4`. LENGTH is a
    height, or a depth with `down` after it (the set's free length is needed then); `up` after the
    load marks a reading on the way up, and a remark comes after `#`. A number without a unit is in
    the display units. What looks like a slip is asked about, and refused where nobody can answer.

    Without lines the grid opens; where the terminal cannot show it (TERM=dumb, a pipe), each
    reading is asked for in turn. Every reading is in the book as soon as it is taken.
    """
    if set_name is None and build is None:
        raise CoilbenchError("--set is missing", hint="Name the set, like --set larch")
    if history or take_back is not None:
        if take_back is None:
            show_history(KEYED, set_name)
        else:
            undo(take_back, KEYED, set_name)
        return
    if setup["scale_resolution_n"] <= 0.0 or setup["quill_resolution_mm"] <= 0.0:
        raise CoilbenchError(
            "the smallest step of a scale or quill is not above 0",
            where="--resolution, --quill",
            hint="Give the smallest step that it shows, like 0.1kg and 0.1mm",
        )
    with open_book(book_path()) as db:
        scale = None if scale_name is None else find_scale(db, scale_name)
        keyed = KeyedSetup(**setup, scale=scale)
        presses = None if build is None else _presses(db, build)
        name = set_name or (presses.first_set if presses is not None else "")
        desk = Desk(db, find_set(db, name), keyed, _typed_units(), heights_mm)
        if removed:
            _remove(desk, removed)
        if replaced:
            _replace(desk, replaced, yes=yes)
        if lines:
            _store(desk, lines, yes=yes)
        elif not (removed or replaced):
            _ask(desk, presses, heights_mm, other_sets=set_name is None)


def _presses(db: Database, build: Path) -> Presses:
    from coilbench.analysis.cli.note_plan import Presses  # imported late: the planner loads SciPy

    return Presses(db, build)


def _typed_units() -> tuple[str, str]:
    return units().length, units().load


def _is_terminal() -> bool:
    return sys.stdin.isatty() and sys.stdout.isatty()


def _ask(
    desk: Desk, presses: Presses | None, heights_mm: Sequence[float], *, other_sets: bool
) -> None:
    for label in desk.record.labels:
        for height_mm in heights_mm:
            refuse_height(desk.record, label, height_mm)
    drawn = sys.stderr.isatty() and os.environ.get("TERM", "dumb") not in ("", "dumb")
    if _is_terminal() and drawn:  # Textual draws on stderr
        from coilbench.analysis.dashboard.grid import run_grid  # Textual is slow to load

        wanted = None if presses is None else presses.of_set
        run_grid(desk, units(), wanted)
    else:
        ask_for_readings(desk, presses, other_sets=other_sets)
    click.echo(f"Next: coilbench set check {desk.record.name} --at HEIGHT")


def _store(desk: Desk, lines: Sequence[str], *, yes: bool) -> None:
    """Store lines, all that were taken or none."""
    _say_units(lines, desk.units)
    kept: list[KeyedReading] = []
    instead_of: list[KeyedRow] = []
    for line in [desk.line(line) for line in lines]:
        found = _settled(desk, line, kept, instead_of, yes=yes)
        if found is not None:
            kept.append(found[0])
            instead_of += found[1]
    if not kept:
        raise CoilbenchError("nothing was stored", hint="Type the readings again")
    labels = store_readings(desk.db, desk.record, kept, desk.setup, instead_of=instead_of)
    click.echo(f"Stored {counted(len(kept), 'reading')} of {', '.join(labels)}.")


def _settled(
    desk: Desk,
    reading: KeyedReading,
    also: Sequence[KeyedReading],
    without: Sequence[KeyedRow],
    *,
    yes: bool,
) -> tuple[KeyedReading, list[KeyedRow]] | None:
    """Return what is to be stored of a line, and in place of what; None where it is left out."""
    if _is_terminal() and not yes:
        return Person(desk).settle(reading, also, without)
    weighed = desk.weigh(reading, also, without)
    if weighed.refusal is not None and weighed.meant is None:
        raise weighed.refusal
    if weighed.sound or (yes and weighed.refusal is None and weighed.wrong_beside is None):
        return reading, []
    raise refusal_of(weighed, units())


def _replace(desk: Desk, lines: Sequence[str], *, yes: bool) -> None:
    _say_units(lines, desk.units)
    for line in lines:
        name, _, rest = line.strip().partition(" ")
        label = name.rpartition(":")[0] or name
        reading = desk.line(f"{label} {rest}")
        old = KeyedRow.named(desk.db, desk.record, name) if ":" in name else _there(desk, reading)
        found = _settled(desk, reading, (), [old], yes=yes)
        if found is not None:
            desk.keep(found[0], [old, *found[1]])
            was = reading_text(old.reading, units())
            click.echo(f"Replaced {old.name}: {was}; it is kept, but no longer counts.")


def _there(desk: Desk, reading: KeyedReading) -> KeyedRow:
    """Return the one reading that counts where another is, of the same way."""
    height_mm = reading.spring_height_mm(desk.record.free_length_mm)
    found = desk.cell(reading.label, height_mm, loading=reading.loading)
    if len(found) != 1:
        many = f"{len(found)} readings: {', '.join(row.name for row in found)}" if found else "none"
        raise CoilbenchError(
            f"there is not one reading of {reading.label} at {{height_mm}} but {many}",
            hint=f"Name it, like {reading.label}:1; see: coilbench set readings "
            f"{desk.record.name} {reading.label}",
            height_mm=height_mm,
        )
    return found[0]


def _remove(desk: Desk, names: Sequence[str]) -> None:
    rows = [_to_remove(desk, name) for name in names]
    remove_readings(desk.db, rows)
    desk.look()
    for row in rows:
        click.echo(
            f"Removed {row.name}: {reading_text(row.reading, units())}; it is kept, but no longer "
            "counts. To count it again, type it again."
        )


def _to_remove(desk: Desk, text: str) -> KeyedRow:
    """Return the reading that is named, larch-08:3, or by its spring and height."""
    if ":" in text:
        return KeyedRow.named(desk.db, desk.record, text)
    label, _, length = text.strip().partition(" ")
    height_mm = LENGTH.convert(length.strip(), None, None)
    return _there(desk, KeyedReading(spring_named(desk.record, label), 0.0, height_mm=height_mm))


def _say_units(lines: Sequence[str], named: tuple[str, str]) -> None:
    if any(with_units(line, *named) != line for line in lines):
        say_taken_as(*named)
