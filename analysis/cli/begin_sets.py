"""The part of `coilbench begin` that is about sets: what lies on the shelf, what is to be tried."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import partial
from typing import cast

import click

from coilbench.analysis.cli.asking import Reply, WentBack, ask, one_of, with_unit
from coilbench.analysis.cli.common import units
from coilbench.analysis.cli.settings import book_path
from coilbench.capture.book.by_hand import add_springs, edit_set
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import (
    Role,
    SetPlan,
    SetRecord,
    find_set,
    labels_for,
    new_set,
    refuse_set_name,
    set_names,
    sizes_of,
)
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.plain import as_typed
from coilbench.capture.tables.dimensions import Sizes
from coilbench.capture.units import counted, parse_length_mm, parse_number

_ROLE = "outer, inner or single"
_DIMENSIONS = (
    ("free_length_mm", "free length", 53.0),
    ("solid_height_mm", "solid height, all coils touching", 24.5),
    ("wire_mm", "wire diameter, for stress and rate checks", 4.2),
    ("coil_diameter_mm", "mean coil diameter, outside less one wire", 30.0),
    ("active_coils", "active coils, those that move", 5.5),
)
_DECLINED = f"{__name__}.declined"
_OF_THE_WIRE = ("coil_diameter_mm", "active_coils")  # asked only where the wire is known


# A number, perhaps with a unit; "5 leaves" and "12b" are names, "12 in" is not.
_QUANTITY = re.compile(r"[+-]?[0-9.,]+\s*(?:mm|in|\"|kgf?|n|lbf|lbs?)?", re.IGNORECASE)


# Keeps what is known of a set that can't be registered yet, by its name: its role, "" where that
# isn't known either; None where it needs keeping no more.
KeepPending = Callable[[str, str | None], None]


def ask_sets(pending: Mapping[str, str], keep: KeepPending) -> tuple[str, ...]:
    """Ask which sets there are, and register or change them; returns the names asked about.

    Args:
        pending: roles of sets that were named before and aren't registered yet.
    """
    click.echo("\nSprings on the shelf: sets that were bought or removed together")
    records = _records()
    for record in records:
        click.echo(f"  in the book: {_line(record)}")
    for record in records:
        _ask_dimensions(record, known_too=False)
    asked: list[str] = []
    for name, role in pending.items():
        asked += _ask_set(name, role, keep)
    while True:
        more = "another set" if asked or records else "a set"
        answer = ask(f"Name of {more}, or of one to change (like larch; Enter: no more)", _name)
        if isinstance(answer, Reply):
            return tuple(asked)
        asked += _ask_set(answer, "", keep)


def _ask_set(name: str, role: str, keep: KeepPending) -> Iterator[str]:
    """Ask for a set of that name; yields the name where it is in the book afterwards."""
    known = next((one for one in _records() if one.name == name), None)
    done = _ask_new(name, role, keep) if known is None else _ask_changes(known)
    if done is not None:
        click.echo(f"  in the book: {_line(done)}")
        yield name


def _records() -> list[SetRecord]:
    if not book_path().exists():
        return []
    with open_book(book_path()) as db:
        return [find_set(db, name) for name in set_names(db)]


def _line(record: SetRecord) -> str:
    shown = units()
    free_mm = record.free_length_mm
    length = "" if free_mm is None else f", {shown.length_text(free_mm)} free"
    return f"{record.name}, {record.role}, {counted(len(record.springs), 'spring')}{length}"


def _name(text: str) -> str:
    """Read a set's name; a number or a quantity is rather the answer to another question."""
    refuse_set_name(text)
    known = any(record.name == text for record in _records())
    if not known and _QUANTITY.fullmatch(text):
        raise CoilbenchError(
            f"{text!r} is a number, which here is rather the answer to another question",
            hint=f"Type a name with a letter; a set that is called so: coilbench set new "
            f"{as_typed(text)}, then begin again",
        )
    return text


def _count(text: str) -> int:
    number = parse_number(text)
    if not number.is_integer():
        raise CoilbenchError(f"{text!r} is no whole number", hint="Write it like 12")
    labels_for("x", int(number))  # refuses what is too few or too many
    return int(number)


def _ask_new(name: str, role: str, keep: KeepPending) -> SetRecord | None:
    """Register a set; None where its role or its number of springs isn't known yet."""
    keep(name, role)
    try:
        given = ask(f"  {name}: {_ROLE}", one_of("outer", "inner", "single"), role or None)
    except WentBack:
        keep(name, None)  # the name itself was the slip: it is asked for again
        raise
    if given is Reply.UNKNOWN:
        keep(name, None)
        return None
    role = given if isinstance(given, str) else role
    if not role:
        click.echo("  Without its role a set can't be compared; it is asked for next time.")
        return None
    keep(name, role)

    def read(text: str) -> tuple[str, ...]:
        labels = tuple(label.strip() for label in text.split(","))
        if len(labels) == 1 and text.isascii() and text.strip().isdecimal():
            labels = labels_for(name, _count(text))
        return SetPlan(name, "outer", labels).labels

    labels = ask(f"  {name}: how many springs (like 12); or their labels, by commas", read)
    if isinstance(labels, Reply):
        click.echo("  Without their number the springs have no labels; it is asked for next time.")
        return None
    plan = SetPlan(name, cast(Role, role), labels)
    with open_book(book_path(), create=True) as db:
        record = new_set(db, plan)
    keep(name, None)
    return _ask_dimensions(record)


def _ask_changes(record: SetRecord) -> SetRecord:
    words = f"  {record.name}: {_ROLE}"
    role = ask(words, one_of("outer", "inner", "single"), record.role)
    if isinstance(role, str) and role != record.role:
        with open_book(book_path()) as db:
            record = edit_set(db, record, {"role": role}).record
    have = len(record.springs)

    def read(text: str) -> int:
        count = _count(text)
        if count < have:
            raise CoilbenchError(
                f"its {have} springs stay in the book", hint="Give as many or more; don't press one"
            )
        return count

    count = ask(f"  {record.name}: how many springs", read, str(have))
    if isinstance(count, int) and count > have:
        with open_book(book_path()) as db:
            record = add_springs(db, record, labels_for(record.name, count)[have:])
    return _ask_dimensions(record)


def _ask_dimensions(record: SetRecord, *, known_too: bool = True) -> SetRecord:
    """Ask for a set's dimensions; where not known_too, only what is not known nor was asked yet."""
    declined: set[tuple[str, str]] = click.get_current_context().meta.setdefault(_DECLINED, set())
    went, at = list[int](), 0  # the questions that were put here, and the next one
    while at < len(_DIMENSIONS):
        column, words, example = _DIMENSIONS[at]
        if column in _OF_THE_WIRE and record.wire_mm is None:
            break  # without the wire they tell nothing
        asked = record.name, column
        if known_too or (getattr(record, column) is None and asked not in declined):
            try:
                record = _ask_dimension(record, column, words, example)
            except WentBack:
                if not went:
                    raise
                at = went.pop()
                known_too = True  # to what has an answer
                continue
            went.append(at)
            declined.add(asked)  # u, which asks a part again, asks for it no more
        at += 1
    return record


def _ask_dimension(record: SetRecord, column: str, words: str, example: float) -> SetRecord:
    shown, known, of_length = units(), getattr(record, column), column.endswith("_mm")

    def read(text: str, *, sure: bool = False) -> SetRecord:
        value = parse_length_mm(with_unit(text, shown.length)) if of_length else parse_number(text)
        return _edited(record, column, value, sure=sure)

    like = f"in {shown.length}, like {shown.length_number(example)}" if of_length else "like 5.5"
    present = None if known is None else shown.quantity(column, known) or f"{known:g}"
    question = f"  {record.name}: {words} ({like})"
    answer = ask(question, read, present, sure=partial(read, sure=True))
    if isinstance(answer, SetRecord):
        return answer
    if answer is Reply.UNKNOWN and known is not None:
        return _edited(record, column, None)
    return record


def _edited(
    record: SetRecord, column: str, value: float | None, *, sure: bool = False
) -> SetRecord:
    with open_book(book_path()) as db:
        return edit_set(db, record, {column: value}, sure=sure).record


def sizes_named(names: object) -> list[Sizes]:
    """Return the dimensions of the sets of the book among some names."""
    named = names if isinstance(names, list) else []
    return [sizes_of(record) for record in _records() if record.name in named]


def candidates(
    role: str, given: Sequence[str], new_sets: Sequence[str], outers: object
) -> tuple[list[str], Callable[[str], list[str]]]:
    """Return which sets to propose for a role, and what reads an answer.

    Proposed are those of the build file with those asked about now; else all of the book that sit
    there. Single springs stand as outers where there are no others, and then have no inner.
    """
    fitting = {record.name: record.role for record in _records()}
    singles = isinstance(outers, list) and any(fitting.get(name) == "single" for name in outers)
    if role == "inner" and singles:
        return [], str.split
    roles = [role]
    if role == "outer" and "outer" not in fitting.values():
        roles = ["single"]
    known = [name for name, of in fitting.items() if of in roles]
    new = [name for name in known if name in new_sets and name not in given]
    proposed = [*given, *new] if given else known

    def read(text: str) -> list[str]:
        names = [name.strip() for name in text.split(",") if name.strip()]
        for name in names:
            if name not in fitting:
                raise CoilbenchError(
                    f"there is no set {name!r} in the book", hint=f"There are: {', '.join(fitting)}"
                )
            if fitting[name] not in (role, "single" if role == "outer" else role):
                raise CoilbenchError(
                    f"the set {name!r} is registered as {fitting[name]}",
                    hint=f"Or correct it: coilbench set edit {as_typed(name)} --role {role}",
                )
        return names

    return proposed, read
