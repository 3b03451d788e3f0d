"""`coilbench set measure`: each spring's free length, solid height, mark and note, by hand."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path

import click

from coilbench.analysis.cli.asking import Reply, ask, sure_of, with_unit
from coilbench.analysis.cli.common import print_document, say, units
from coilbench.analysis.cli.set_edit import say_depths, say_lengths
from coilbench.analysis.cli.set_show import by_hand, show_by_hand, spring_document
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.inputs.files import read_bytes
from coilbench.capture.book.by_hand import keep_of_springs
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import SetRecord, find_set
from coilbench.capture.choices import FACTS, SpringFact
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.plain import as_typed
from coilbench.capture.tables.csv_table import read_table
from coilbench.capture.tables.spring_lines import SpringEntry, caliper_u_mm, read_entries
from coilbench.capture.units import counted

UNDO = "u"


def set_measure(
    name: str,
    lines: tuple[str, ...],
    step_mm: float,
    asked: tuple[str, ...],
    file: Path | None,
    yes: bool,
    as_json: bool,
) -> None:
    """Keep single springs' free lengths, solid heights, paint marks and notes."""
    caliper_u_mm(step_mm)  # refuses an impossible step
    if lines and file is not None:
        raise CoilbenchError("give lines or --from", hint="Run one after the other")
    with open_book(book_path()) as db:
        record = find_set(db, name)
        entries = [SpringEntry.parse(line, step_mm) for line in lines]
        if file is not None:
            entries = read_entries(read_table(read_bytes(file), file.name), step_mm)
        done = sure_of(lambda sure: keep_of_springs(db, record, entries, sure=sure), yes=yes)
    if not entries and not as_json:
        _ask_each(record, [FACTS[word] for word in asked or ("free", "solid", "mark")], step_mm)
        return
    if as_json:
        print_document({"set": name, "springs": [*map(spring_document, done.record.springs)]})
        return
    say_depths(done)
    show_by_hand(done.record)
    with open_book(book_path()) as db:
        say_lengths(db, done.record)


def _ask_each(record: SetRecord, facts: Sequence[SpringFact], step_mm: float) -> None:
    """Ask for what is not known yet, spring by spring; each answer is kept at once."""
    every = [(label, what) for label in record.labels for what in facts]
    asked = [(one, what) for one, what in every if by_hand(record.spring(one), what) is None]
    if "solid_height_mm" in facts:
        from coilbench.analysis.report.phrases import CAUTION  # imported late: slow to load

        say(CAUTION)
        say("A solid height only as `coilbench set measure --help` says; Enter leaves it out.")
    if len(asked) < len(every):
        say(f"{counted(len(every) - len(asked), 'answer')} known already; to correct one, type it.")
    say(f"Enter: not measured. {UNDO}: take the last answer back. Ctrl-C: stop, kept till then.")
    kept: dict[int, SpringEntry] = {}
    at = 0
    try:
        while at < len(asked):
            label, what = asked[at]
            answer = _ask_one(record.name, label, what, step_mm)
            if answer is Reply.BACK:
                at = max(at - 1, 0)
                if kept.pop(at, None) is not None:
                    _keep(record.name, SpringEntry(*asked[at]))
                    click.echo("  taken back")
                continue
            if isinstance(answer, SpringEntry):
                kept[at] = answer
            at += 1
    except click.Abort:
        again = f"coilbench set measure {as_typed(record.name)}"
        click.echo(f"\nStopped; {counted(len(kept), 'answer')} kept. Go on with: {again}")
        raise
    click.echo(f"{counted(len(kept), 'answer')} kept.")
    with open_book(book_path()) as db:
        record = find_set(db, record.name)
        show_by_hand(record)
        say_lengths(db, record)


def _ask_one(name: str, label: str, what: SpringFact, step_mm: float) -> SpringEntry | Reply:
    """Ask one thing of one spring and keep it."""
    length = units().length if what.endswith("_mm") else ""
    word = next(word for word, fact in FACTS.items() if fact == what)

    def keep(text: str, *, sure: bool = False) -> SpringEntry | Reply:
        if text.lower() == UNDO:
            return Reply.BACK
        typed = with_unit(text, length) if length else text
        return _keep(name, SpringEntry.of(label, what, typed, step_mm), sure=sure)

    words = f"{label} {word}{f', in {length}' if length else ''}"
    return ask(words, keep, sure=partial(keep, sure=True))


def _keep(name: str, entry: SpringEntry, *, sure: bool = False) -> SpringEntry:
    with open_book(book_path()) as db:
        say_depths(keep_of_springs(db, find_set(db, name), [entry], sure=sure))
    return entry
