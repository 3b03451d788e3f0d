"""Asking a person for readings, one after the other, and about those that may be slips."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial

import click
from msgspec.structs import replace

from coilbench.analysis.cli.common import LENGTH, say, say_aside, units
from coilbench.analysis.inputs.batch import Batch
from coilbench.analysis.inputs.keying import Desk
from coilbench.analysis.report.phrases import CAUTION
from coilbench.analysis.report.slip_text import (
    choices_of,
    height_or_depth,
    question_text,
    reading_text,
)
from coilbench.analysis.sets.slips import Weighed
from coilbench.capture.book.keyed_readings import KeyedRow, refuse_height, spring_named
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.plain import as_typed
from coilbench.capture.tables.keyed import KeyedReading, parse_shown, part_remark
from coilbench.capture.units import counted

_HELP = (
    "Type what the scale shows: 22.4, 22.4 up (on the way up), 22.4 # a remark. Empty: this spring "
    "later. u: take the last one back. to 7: go on with spring 7. 7 38.5 22.4: any spring, height, "
    "load. q: leave."
)


class Person:
    """Somebody who answers what is asked of a reading to a set."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk

    def settle(
        self,
        reading: KeyedReading,
        also: Sequence[KeyedReading] = (),
        without: Sequence[KeyedRow] = (),
    ) -> tuple[KeyedReading, list[KeyedRow]] | None:
        """Ask about a reading for as long as there is something to ask.

        Returns:
            What is to be stored, and in place of what; None where nothing is.
        """
        instead_of: list[KeyedRow] = []
        while True:
            weighed = self._desk.weigh(reading, also, [*without, *instead_of])
            if weighed.sound:
                return reading, instead_of
            choice = self._ask(weighed)
            if choice == "m" and weighed.meant is not None:
                return weighed.meant, instead_of
            if choice == "y":
                return reading, instead_of
            if choice == "o" and weighed.may_be_wrong:
                desk = self._desk
                instead_of.append(KeyedRow.named(desk.db, desk.record, weighed.may_be_wrong))
            else:
                return None

    def _ask(self, weighed: Weighed) -> str:
        say(question_text(weighed, units()))
        choices = choices_of(weighed, units())
        if list(choices) == ["n"]:
            return "n"
        return _choice(choices)


def asked_heights(desk: Desk, numbers_mm: Sequence[float]) -> list[float]:
    """Return the heights to read at; asked once for all where one is as likely a depth.

    Raises:
        CoilbenchError: a height that a spring must not be pressed to, or is loose at.
    """
    heights_mm, desk.asked_mm = list(numbers_mm), []
    free_mm = desk.record.free_length_mm
    if free_mm is not None and any(map(desk.height_by_depth_mm, heights_mm)):
        by_depth_mm = [free_mm - number_mm for number_mm in heights_mm]
        words, choices = height_or_depth(heights_mm, by_depth_mm, units())
        say(words)
        if _choice(choices) == "d":
            heights_mm = by_depth_mm
    for height_mm in heights_mm:
        for label in desk.record.labels:
            refuse_height(desk.record, label, height_mm)
    return heights_mm


def _choice(choices: Mapping[str, str]) -> str:
    words = ", ".join(f"{key}: {what}" for key, what in choices.items())
    chosen: str = click.prompt(words, type=click.Choice(list(choices)), show_choices=False)
    return chosen


class _Asked:
    """Which readings of a set are asked for, in their order, and which are put off.

    Args:
        unread: returns the cells that are not read.
    """

    def __init__(self, desk: Desk, unread: Callable[[], list[tuple[str, float]]]) -> None:
        self.desk, self._unread = desk, unread
        self.later: set[str] = set()
        self.first: str | None = None  # the spring that somebody goes on with

    @property
    def open(self) -> list[tuple[str, float]]:
        """Those that are not read."""
        return self._unread()

    def next(self) -> tuple[str, float] | None:
        """The one to ask for; None where none is left but for springs put off."""
        left = self.open
        wanted = [cell for cell in left if cell[0] == self.first]
        others = [cell for cell in left if cell[0] not in self.later]
        return next(iter(wanted or others), None)


def ask_for_readings(desk: Desk, batch: Batch | None) -> None:
    """Ask for a set's readings, cell by cell, or for what a plan names until it names no more.

    Raises:
        CoilbenchError: there are no heights to ask for.
    """
    click.echo(CAUTION)
    if batch is None:
        heights_mm = _heights(desk)
        cells = [(one, mm) for one in desk.record.labels for mm in heights_mm]
        _ask_all(desk, lambda: [cell for cell in cells if not desk.cell(*cell)], len(cells))
        return
    while (wish := batch.next()) is not None:
        name = wish.set_name
        if name != desk.record.name:
            desk = batch.desk_of(name)
            say(f"Set {name}: {batch.how.get(name, '')}".rstrip())
        if not _ask_all(desk, partial(_unread, batch, name), len(batch.unread(name))):
            return
        if batch.next() is None:
            before = batch.wishes
            batch.ask()
            if batch.wishes == before:
                return
    if batch.others:
        other = batch.others[0]
        say(f"The plan goes on with {other}: coilbench note --set {as_typed(other)} --plan FILE")
    else:
        say("The plan has no more presses.")


def _heights(desk: Desk) -> list[float]:
    """Return the heights to ask for; asked where neither an option nor the book names them."""
    while not desk.heights_mm:
        words = f"Heights to read each spring at, in {units().length}, like 38.5 27.6"
        answer = click.prompt(words, default="", show_default=False).split()
        if not answer:
            raise CoilbenchError(
                "nothing to key in",
                hint="Give lines like 'larch-07 38.5mm 22.4kg', or the heights with --at",
            )
        try:
            heights = [LENGTH.convert(each, None, None) for each in answer]
            heights = asked_heights(desk, heights)
        except CoilbenchError as error:
            _say_error(error)
        else:
            desk.asked_mm = heights
    return desk.heights_mm


def _unread(batch: Batch, name: str) -> list[tuple[str, float]]:
    return [(one.label, one.height_mm) for one in batch.unread(name)]


def _ask_all(desk: Desk, unread: Callable[[], list[tuple[str, float]]], count: int) -> bool:
    """Ask for the cells that are not read, of so many; returns whether the person goes on."""
    asked, person = _Asked(desk, unread), Person(desk)
    read = count - len(asked.open)
    if read:
        say(f"{read} of {counted(count, 'reading')} are in the book already.")
    while (cell := asked.next()) is not None:
        answer = click.prompt(_question(desk, *cell), default="", show_default=False).strip()
        if answer.lower() == "q":
            return False
        try:
            _answered(asked, person, cell, answer)
        except CoilbenchError as error:
            _say_error(error)
    return not asked.open


def _question(desk: Desk, label: str, height_mm: float) -> str:
    shown, free_mm = units(), desk.record.free_of_mm(label)
    at = f"{label} (spring {desk.record.labels.index(label) + 1} of {len(desk.record.labels)}), "
    at += shown.length_text(height_mm)
    if free_mm is not None:
        at += f" = {shown.length_text(free_mm - height_mm)} on the quill"
    return f"{at}: scale shows, in {shown.load}"


def _answered(asked: _Asked, person: Person, cell: tuple[str, float], answer: str) -> None:
    desk = asked.desk
    typed, remark = part_remark(answer)
    typed = typed.strip()
    if not typed:
        asked.later.add(cell[0])
        asked.first = None
    elif typed == "?":
        say(_HELP)
    elif typed.lower() in ("u", "undo"):
        of = desk.take_back()
        if of is None:
            say("Nothing typed here is left.")
        else:
            asked.later.discard(of[0])
            asked.first = of[0]  # it is asked for again
            say(f"Taken back: {of[0]} at {units().length_text(of[1])}.")
    elif typed.lower().startswith("to "):
        asked.first = spring_named(desk.record, typed[3:].strip())
    else:
        reading = _reading(desk, cell, typed)
        found = person.settle(replace(reading, remark=remark or reading.remark))
        if found is not None:
            desk.keep(*found)
            say(f"Stored {reading_text(found[0], units())}.")


def _reading(desk: Desk, cell: tuple[str, float], typed: str) -> KeyedReading:
    """Read what the scale shows at the cell, or a whole line of another."""
    label, height_mm = cell
    alone = parse_shown(typed, units().load)
    if alone is None:
        return desk.line(typed)
    load_n, loading = alone
    return KeyedReading(label, load_n, height_mm=height_mm, loading=loading)


def _say_error(error: CoilbenchError) -> None:
    error.in_units(units().quantity)
    say_aside(str(error))
