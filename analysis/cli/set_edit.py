"""`coilbench set edit` and `set measure`: what is corrected or measured by hand later."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import click

from coilbench.analysis.cli.asking import Reply, ask, with_unit
from coilbench.analysis.cli.common import (
    LENGTH,
    NUMBER,
    columns_table,
    console,
    json_option,
    print_document,
    say,
    units,
)
from coilbench.analysis.cli.settings import book_path
from coilbench.capture.book.by_hand import Changed, add_springs, edit_set, keep_of_springs
from coilbench.capture.book.depths import read_from_files
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.rows import writing
from coilbench.capture.book.sets import SetRecord, find_set, labels_for
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.tables.spring_lines import FACTS, SpringEntry, SpringFact, caliper_u_mm
from coilbench.capture.units import counted

FORGET = {
    "free-length": "free_length_mm",
    "solid-height": "solid_height_mm",
    "wire": "wire_mm",
    "coil-diameter": "coil_diameter_mm",
    "active-coils": "active_coils",
    "note": "note",
    "mark": "mark",
}


@click.command(
    name="edit",
    epilog="Examples: coilbench set edit larch --free-length 53mm --wire 4.2mm ; "
    "coilbench set edit larch --forget solid-height ; coilbench set edit larch --count 14",
)
@click.argument("name")
@click.option("--free-length", "free_length_mm", type=LENGTH, help="Height at no load.")
@click.option("--solid-height", "solid_height_mm", type=LENGTH, help="With all coils touching.")
@click.option("--wire", "wire_mm", type=LENGTH, help="Wire diameter.")
@click.option("--coil-diameter", "coil_diameter_mm", type=LENGTH, help="Mean coil diameter.")
@click.option("--active-coils", type=NUMBER, help="Number of active coils.")
@click.option("--role", type=click.Choice(["outer", "inner", "single"]), help="Where they sit.")
@click.option("--note", help="What is worth knowing of the set.")
@click.option("--mark", help="How the springs of the set are marked, e.g. 'white paint'.")
@click.option(
    "--count", type=click.INT, help="How many springs it has now; the new ones are added."
)
@click.option("--labels", help="Labels of springs to add, separated by commas.")
@click.option(
    "--forget",
    type=click.Choice(list(FORGET)),
    multiple=True,
    help="What turned out wrong, and is not known; repeat it.",
)
@json_option
def set_edit(
    name: str,
    count: int | None,
    labels: str | None,
    forget: tuple[str, ...],
    as_json: bool,
    **given: Any,
) -> None:
    """Correct what a set was registered with, or add to it: dimensions, springs, a note.

    What was given before stays in the book, out of force. Readings that were typed as depths get
    the heights that a changed free length makes of them.
    """
    changes = {column: value for column, value in given.items() if value is not None}
    for word in forget:
        if FORGET[word] in changes:
            raise CoilbenchError(
                f"--{word} is given and forgotten", hint="Give the new value, or --forget, not both"
            )
        changes[FORGET[word]] = None
    if not changes and count is None and labels is None:
        raise CoilbenchError(
            "nothing to change", hint=f"For example: coilbench set edit {name} --free-length 53mm"
        )
    with open_book(book_path()) as db, writing(db):
        record = find_set(db, name)
        added = _added_labels(record, count, labels)
        if added:
            record = add_springs(db, record, added)
        done = edit_set(db, record, changes)
        by_file = read_from_files(db, record) if "free_length_mm" in changes else ()
    if as_json:
        print_document(
            {
                "set": done.record.name,
                "changed": changes,
                "added": list(added),
                "rederived": list(done.rederived),
            }
        )
        return
    for column, value in changes.items():
        words = column.removesuffix("_mm").replace("_", " ")
        text = "not known" if value is None else units().quantity(column, value) or f"{value}"
        click.echo(f"Set {name}: {words} {text}")
    if added:
        click.echo(f"Set {name}: {counted(len(added), 'spring')} more, {', '.join(added)}")
    _say_depths(done, by_file)


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
    return labels_for(record.name, count)[have:]


def _say_depths(done: Changed, by_file: Sequence[str] = ()) -> None:
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


@click.command(
    name="measure",
    epilog="Examples: coilbench set measure larch 'larch-03 free 52.8mm' 'larch-03 solid 24.1mm' "
    "'larch-04 mark two blue dots' ; coilbench set measure larch --step 0.02mm ; "
    "coilbench set measure larch 'larch-03 solid none'",
)
@click.argument("name")
@click.argument("lines", nargs=-1)
@click.option(
    "--step",
    "step_mm",
    type=LENGTH,
    default="0.05mm",
    help="The caliper's smallest step, for the uncertainty of its lengths.",
)
@click.option(
    "--ask",
    "asked",
    type=click.Choice(list(FACTS)),
    multiple=True,
    help="Guided: what to ask of each spring; repeat it.  [default: free, solid, mark]",
)
@json_option
def set_measure(
    name: str, lines: tuple[str, ...], step_mm: float, asked: tuple[str, ...], as_json: bool
) -> None:
    """Keep single springs' free lengths, solid heights, paint marks and notes.

    Each line is LABEL free LENGTH, LABEL solid LENGTH, LABEL mark WORDS or LABEL note WORDS;
    `none` in place of a value takes it back. Without lines, every spring is asked for in turn; an
    empty answer skips. How to measure a solid height safely: hardware/SCALE.md.
    """
    caliper_u_mm(step_mm)  # refuses an impossible step
    with open_book(book_path()) as db:
        record = find_set(db, name)
        entries = [SpringEntry.parse(line, step_mm) for line in lines]
        done = keep_of_springs(db, record, entries)
    if not lines and not as_json:
        _ask_each(record, [FACTS[word] for word in asked or ("free", "solid", "mark")], step_mm)
        return
    if as_json:
        print_document({"set": name, "springs": [vars(one) for one in done.record.springs]})
        return
    _say_depths(done)
    show_by_hand(done.record)


def _ask_each(record: SetRecord, facts: Sequence[SpringFact], step_mm: float) -> None:
    shown, kept = units(), 0
    click.echo(
        "An empty answer keeps what is known, or leaves it unmeasured; ? takes it back. Measure a "
        "solid height only as hardware/SCALE.md says."
    )
    try:
        for label in record.labels:
            for what in facts:
                kept += _ask_one(record.name, label, what, step_mm)
    except click.Abort:
        click.echo(f"\nStopped; {counted(kept, 'answer')} kept.")
        raise
    click.echo(f"{counted(kept, 'answer')} kept. See them with: coilbench set show {record.name}")
    click.echo(f"Lengths in {shown.length} hold to ± {_u_text(step_mm)} (k = 2).")


def _u_text(step_mm: float) -> str:
    return units().length_text(2.0 * caliper_u_mm(step_mm))


def _ask_one(name: str, label: str, what: SpringFact, step_mm: float) -> int:
    """Ask one thing of one spring and keep it; returns how many answers were kept."""
    shown = units()
    with open_book(book_path()) as db:
        spring = find_set(db, name).spring(label)
    present = getattr(spring, what)
    if what == "solid_height_mm" and spring.solid_by_hand_u_mm is None:
        present = None
    word = next(word for word, fact in FACTS.items() if fact == what)
    unit = f", in {shown.length}" if what.endswith("_mm") else ""

    def keep(text: str) -> int:
        typed = with_unit(text, shown.length) if unit else text
        return _keep_now(name, SpringEntry.of(label, what, typed, step_mm))

    answer = ask(
        f"{label} {word}{unit}",
        keep,
        None if present is None else shown.quantity(what, present) or present,
    )
    if answer is Reply.KEEP or (answer is Reply.UNKNOWN and present is None):
        return 0
    return _keep_now(name, SpringEntry(label, what)) if isinstance(answer, Reply) else answer


def _keep_now(name: str, entry: SpringEntry) -> int:
    with open_book(book_path()) as db:
        done = keep_of_springs(db, find_set(db, name), [entry])
    _say_depths(done)
    return 1


def show_by_hand(record: SetRecord) -> None:
    """Print what was measured or noted of single springs; nothing where nothing was."""
    shown = units()
    springs = record.springs
    of_hand_mm = [
        one.solid_height_mm if one.solid_by_hand_u_mm is not None else None for one in springs
    ]
    columns = {
        "spring": [one.label for one in springs],
        f">free {shown.length}": [
            _length(one.free_length_mm, one.free_length_u_mm) for one in springs
        ],
        f">solid {shown.length}": [
            _length(mm, one.solid_by_hand_u_mm) for mm, one in zip(of_hand_mm, springs, strict=True)
        ],
        "mark": [one.mark or "" for one in springs],
        "note": [one.note or "" for one in springs],
    }
    known = {
        title: cells for title, cells in columns.items() if any(c not in ("", "-") for c in cells)
    }
    if len(known) > 1:
        click.echo("Measured or noted by hand, ± k = 2:")
        console().print(columns_table(known.items()))


def _length(length_mm: float | None, u_mm: float | None) -> str:
    shown = units()
    if length_mm is None:
        return "-"
    u = "" if u_mm is None else f" ±{shown.length_number(2.0 * u_mm)}"
    return f"{shown.length_number(length_mm)}{u}"
