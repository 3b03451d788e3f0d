"""`coilbench note`: readings of a scale and a quill, typed: into a grid, asked for, or as lines."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from coilbench.analysis.cli.common import LENGTH, LOAD, say, say_taken_as, units
from coilbench.analysis.cli.note_asking import Person, ask_for_readings, asked_heights
from coilbench.analysis.cli.note_setup import Given
from coilbench.analysis.cli.set_edit import say_lengths, say_other_sets
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.cli.undoing import show_history, undo
from coilbench.analysis.inputs.keying import Desk
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.reading_text import GIVE, GIVE_HOW
from coilbench.analysis.report.slip_text import doubts_text, reading_text
from coilbench.analysis.report.units import Units
from coilbench.analysis.sets.slips import Weighed
from coilbench.capture.book.entries import KEYED
from coilbench.capture.book.keyed_readings import (
    KeyedRow,
    remove_readings,
    spring_named,
    store_readings,
)
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import SetRecord, find_set
from coilbench.capture.calibration.keyed_setup import KeyedSetup
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.plain import as_typed
from coilbench.capture.tables.keyed import KeyedReading, with_units
from coilbench.capture.units import counted

if TYPE_CHECKING:
    from coilbench.analysis.cli.note_plan import Presses
    from coilbench.capture.book.connection import Database


def note_command(
    lines: tuple[str, ...],
    set_name: str | None,
    heights_mm: tuple[float, ...],
    build: Path | None,
    yes: bool,
    replaced: tuple[str, ...],
    removed: tuple[str, ...],
    history: bool,
    take_back: str | None,
    **setup: Any,
) -> None:
    """Key in readings: into a grid, springs down and heights across, or as LINES."""
    if set_name is None and build is None:
        raise CoilbenchError("--set is missing", hint="Name the set, like --set larch")
    if history or take_back is not None:
        _undo(take_back, set_name)
        return
    given = Given(setup, sure=yes)
    with open_book(book_path()) as db:
        presses = None if build is None else _presses(db, build)
        name = set_name or (presses.first_set if presses is not None else "")
        record = find_set(db, name)
        given.on_scale(None if presses is None else presses.build.scale)
        if not (lines or replaced or removed):
            _ask_tare(db, record, given)
        taken, how = given.of_set(db, record)
        desk = Desk(db, record, taken, _typed_units(), heights_mm)
        if removed:
            _remove(desk, removed)
        if replaced:
            _replace(desk, replaced, yes=yes)
        if lines:
            _store(desk, lines, yes=yes)
        elif not (removed or replaced):
            _ask(desk, presses, how, given if set_name is None else None)
            return
        if lines or replaced:
            for line in how:
                say(line)
            _say_give(desk.setup)
            say_lengths(desk.db, desk.record)


def _undo(take_back: str | None, set_name: str | None) -> None:
    if take_back is None:
        show_history(KEYED, set_name)
    else:
        undo(take_back, KEYED, set_name)


def _say_give(setup: KeyedSetup) -> None:
    if not setup.give_known:
        say(f"Their ± leaves out {GIVE}; {GIVE_HOW}.")


def _presses(db: Database, build: Path) -> Presses:
    from coilbench.analysis.cli.note_plan import Presses  # imported late: the planner loads SciPy

    return Presses(db, build)


def _ask_tare(db: Database, record: SetRecord, given: Given) -> None:
    """Ask what the scale shows with the set-up on it, before the first reading of a book."""
    if not (_is_terminal() and given.lacks_tare(db, record)):
        return
    words = (
        "The tare first: what does the scale show with all of the set-up on it and no spring "
        f"pressed, in {units().load} (0 where it shows nothing)"
    )
    given.take_tare(click.prompt(words, type=LOAD))


def _typed_units() -> tuple[str, str]:
    return units().length, units().load


def _is_terminal() -> bool:
    return sys.stdin.isatty() and sys.stdout.isatty()


def _ask(desk: Desk, presses: Presses | None, how: Sequence[str], given: Given | None) -> None:
    """Ask for readings; `how` says how they are taken, `given` is for other sets, None for none."""
    desk.asked_mm = asked_heights(desk, desk.asked_mm)
    if desk.lengths_doubt is not None:
        say(f"{describe(desk.lengths_doubt, units())}.")
        if _is_terminal():
            click.confirm("Go on with the depths as they are?", default=False, abort=True)
    batch = None if presses is None else presses.batch(desk, given)
    drawn = sys.stderr.isatty() and os.environ.get("TERM", "dumb") not in ("", "dumb")
    if _is_terminal() and drawn:  # Textual draws on stderr
        from coilbench.analysis.dashboard.grid import run_grid  # Textual is slow to load

        run_grid(desk, units(), batch, " ".join(how))
    else:
        for line in how:
            say(line)
        ask_for_readings(desk, batch)
    desks = [desk] if batch is None else batch.desks
    for each in desks:
        say_other_sets(each.db, each.record, each.typed_labels)
    _say_give(desk.setup)
    if presses is None:
        click.echo(f"Next: coilbench set check {as_typed(desk.record.name)} --at HEIGHT")
    else:
        presses.ask()
        left = ", ".join(dict.fromkeys(one.set_name for one in presses.next))
        what = f"the plan's presses of {left} remain" if left else "the plan has no more presses"
        click.echo(f"Next: coilbench plan {as_typed(presses.path)} ({what})")


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
    say_other_sets(desk.db, desk.record, labels)


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
    raise _refusal_of(weighed, units())


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
    height_mm = reading.spring_height_mm(desk.record.free_of_mm(reading.label))
    found = desk.cell(reading.label, height_mm, loading=reading.loading)
    if len(found) != 1:
        many = f"{len(found)} readings: {', '.join(row.name for row in found)}" if found else "none"
        raise CoilbenchError(
            f"there is not one reading of {reading.label} at {{height_mm}} but {many}",
            hint=f"Name it, like {reading.label}:1; see: coilbench set readings "
            f"{as_typed(desk.record.name)} {as_typed(reading.label)}",
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


def _refusal_of(weighed: Weighed, units: Units) -> CoilbenchError:
    """Return the error that says why a reading is not stored where nobody can be asked."""
    meant, wrong = weighed.meant, weighed.wrong_beside
    earlier = weighed.earlier
    hint = "" if meant is None else f"Perhaps {reading_text(meant, units)} was meant. "
    if weighed.refusal is not None:
        hint += "Check the reading" if meant is not None else weighed.refusal.hint or "Check it"
    elif wrong is None:
        hint += "Check it; --yes stores it as it is"
        hint += f"; if {earlier} is the wrong one: --remove {earlier} first" if earlier else ""
    elif wrong:
        hint += f"Check it; if {wrong} is the wrong one: --remove {wrong} first"
    else:
        hint += "Check both lines"
    where = reading_text(weighed.reading, units)
    return CoilbenchError(doubts_text(weighed, units), where=where, hint=hint)
