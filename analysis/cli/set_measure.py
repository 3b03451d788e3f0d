"""`coilbench set measure`: each spring's free length, solid height, mark and note, by hand."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path

import click

from coilbench.analysis.cli.asking import Reply, ask, sure_of, with_unit
from coilbench.analysis.cli.common import (
    LENGTH,
    columns_table,
    console,
    json_option,
    print_document,
    say,
    units,
)
from coilbench.analysis.cli.set_edit import say_depths, say_lengths
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.inputs.files import read_bytes
from coilbench.capture.book.by_hand import keep_of_springs
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import SetRecord, SpringRecord, find_set
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.plain import as_typed
from coilbench.capture.tables.csv_table import read_table
from coilbench.capture.tables.spring_lines import (
    FACTS,
    SpringEntry,
    SpringFact,
    caliper_u_mm,
    read_entries,
)
from coilbench.capture.units import counted

UNDO = "u"
NOT_MEASURED = "not measured"


@click.command(
    name="measure",
    epilog="Examples: coilbench set measure larch 'larch-03 free 52.8mm' 'larch-03 solid 24.1mm' "
    "'larch-04 mark two green dots' ; coilbench set measure larch --ask free --step 0.02mm ; "
    "coilbench set measure larch 'larch-03 solid none' ; coilbench set measure larch --from "
    "lengths.csv",
)
@click.argument("name")
@click.argument("lines", nargs=-1)
@click.option(
    "--step",
    "step_mm",
    type=LENGTH,
    default="0.05mm",
    help="The smallest step of the caliper or quill, for the uncertainty of its lengths.",
)
@click.option(
    "--ask",
    "asked",
    type=click.Choice(list(FACTS)),
    multiple=True,
    help="Guided: what to ask of each spring; repeat it.  [default: free, solid, mark]",
)
@click.option(
    "--from",
    "file",
    type=click.Path(path_type=Path),
    help="CSV with the columns label,what,value: the three parts of such a line.",
)
@click.option("--yes", is_flag=True, help="Store what looks like a slip as it is.")
@json_option
def set_measure(
    name: str,
    lines: tuple[str, ...],
    step_mm: float,
    asked: tuple[str, ...],
    file: Path | None,
    yes: bool,
    as_json: bool,
) -> None:
    """Keep single springs' free lengths, solid heights, paint marks and notes.

    Each line is LABEL free LENGTH, LABEL solid LENGTH, LABEL mark WORDS or LABEL note WORDS. A
    length may carry its own ± (k = 2), like `52.8mm +- 0.1mm`, else the step makes it. `none` in
    place of a value takes it back. Without lines, what is not known yet is asked for,
    spring by spring; Enter skips, u takes the last answer back, and after Ctrl-C the same command
    goes on.

    \b
    A solid height by hand, safely (in full: hardware/SCALE.md):
      - A compressed spring can blind. Captive cups, rod and nut, shield, eye
        protection; the press unplugged, the quill worked by hand.
      - Scale and load cell out: once the coils touch, your hand sets the load.
      - Depth stop above the height that wire x all turns makes; lower it by
        little until the last gap closes or the handle goes hard. No further.
      - Read the quill, not a caliper between the cups; fingers stay out.
      - Twice; keep the larger. One spring of a set is enough.
    """
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


def spring_document(spring: SpringRecord) -> dict[str, object]:
    """Return what is known of a spring by hand for JSON, uncertainties k = 2; None: not measured.

    solid_height_mm may be one that a stroke showed: then it has no uncertainty here.
    """
    u_mm = {"free_length": spring.free_length_u_mm, "solid_height": spring.solid_by_hand_u_mm}
    lengths = {"free_length": spring.free_length_mm, "solid_height": spring.solid_height_mm}
    found: dict[str, object] = {"label": spring.label, "mark": spring.mark, "note": spring.note}
    for what, length_mm in lengths.items():
        u = u_mm[what]
        found |= {f"{what}_mm": length_mm, f"{what}_u_mm": None if u is None else 2.0 * u}
    return found


def _by_hand(spring: SpringRecord, what: SpringFact) -> float | str | None:
    """Return what is known of a spring by hand; None for a solid height that a stroke showed."""
    if what == "solid_height_mm" and spring.solid_by_hand_u_mm is None:
        return None
    value: float | str | None = getattr(spring, what)
    return value


def _ask_each(record: SetRecord, facts: Sequence[SpringFact], step_mm: float) -> None:
    """Ask for what is not known yet, spring by spring; each answer is kept at once."""
    every = [(label, what) for label in record.labels for what in facts]
    asked = [(one, what) for one, what in every if _by_hand(record.spring(one), what) is None]
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


def show_by_hand(record: SetRecord) -> None:
    """Print what was measured or noted of single springs; nothing where nothing was."""
    shown = units()
    springs = record.springs
    solid_mm = (_by_hand(one, "solid_height_mm") for one in springs)
    columns = {
        "spring": [one.label for one in springs],
        f">free {shown.length}": [
            _length(one.free_length_mm, one.free_length_u_mm) for one in springs
        ],
        f">solid {shown.length}": [
            _length(mm, one.solid_by_hand_u_mm) for mm, one in zip(solid_mm, springs, strict=True)
        ],
        "mark": [one.mark or "" for one in springs],
        "note": [one.note or "" for one in springs],
    }
    known = {
        title: cells
        for title, cells in columns.items()
        if any(c not in ("", NOT_MEASURED) for c in cells)
    }
    if len(known) > 1:
        click.echo("Measured or noted by hand, ± k = 2:")
        console().print(columns_table(known.items()))


def _length(length_mm: float | str | None, u_mm: float | None) -> str:
    shown = units()
    if not isinstance(length_mm, float):
        return NOT_MEASURED
    u = "" if u_mm is None else f" ±{shown.length_number(2.0 * u_mm)}"
    return f"{shown.length_number(length_mm)}{u}"
