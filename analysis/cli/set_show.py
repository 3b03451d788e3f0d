"""`coilbench set show`, `coilbench set measure`: what is known of each of a set's springs."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from functools import partial
from pathlib import Path

import click

from coilbench.analysis.cli.asking import Reply, ask, sure_of, with_unit
from coilbench.analysis.cli.common import print_document, say, show_warnings, units
from coilbench.analysis.cli.set_edit import say_depths, say_lengths
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.cli.tables import columns_table, console
from coilbench.analysis.inputs.files import read_bytes
from coilbench.analysis.inputs.rig_record import waiting_warnings
from coilbench.analysis.report.document import document, filled, picked
from coilbench.analysis.report.rests_text import mixed_text
from coilbench.analysis.report.units import Units
from coilbench.capture.book.by_hand import keep_of_springs
from coilbench.capture.book.connection import Database
from coilbench.capture.book.counting import waiting_in
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.rests import kept_rests
from coilbench.capture.book.sets import SetRecord, SpringRecord, find_set
from coilbench.capture.choices import FACTS, SpringFact
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.plain import as_typed
from coilbench.capture.tables.csv_table import read_table
from coilbench.capture.tables.spring_lines import SpringEntry, caliper_u_mm, read_entries
from coilbench.capture.units import counted

NOT_MEASURED = "not measured"
UNDO = "u"


def set_show(name: str, curves: bool, heights_mm: tuple[float, ...], as_json: bool) -> None:
    """Show a set: its dimensions, and how far each spring has come; or its curves."""
    if heights_mm and not curves:
        raise CoilbenchError("--at goes with --curves", hint="Or ask: coilbench set check")
    if curves and as_json:
        raise CoilbenchError(
            "--curves draws, it has no JSON", hint="Ask for numbers: coilbench set check --json"
        )
    with open_book(book_path()) as db:
        record = find_set(db, name)
        if curves:
            _show_curves(db, record, heights_mm)
            return
        kept = kept_rests(db, record.name)
        rows = list(
            db.query("SELECT * FROM spring_summary WHERE set_name = ? ORDER BY turn", [record.name])
        )
        waits = Counter(one.label for one in waiting_in(db, [record.name]))
        warned = waiting_warnings(db, [record.name])
    for row in rows:
        row["sweeps_waiting"] = waits[row["label"]]
        row["sweeps_not_counted"] -= waits[row["label"]]
    if as_json:
        named = picked(record, f"name role {' '.join(_DIMENSIONS)} nominal note mark rests_n")
        print_document(
            {
                "set": named,
                "kept_rests": document(kept),
                "springs": [
                    _spring_document(spring) | row
                    for spring, row in zip(record.springs, rows, strict=True)
                ],
            }
        )
        return
    shown, out = units(), console()
    out.print(f"Set {record.name}, {record.role}, {counted(len(record.springs), 'spring')}")
    for line in _known_lines(record, shown):
        out.print(f"  {line}")
    if (mixed := mixed_text(kept, shown)) is not None:
        say(f"Note: {mixed}.")
    columns = {
        "spring": [row["label"] for row in rows],
        ">strokes": [str(row["sweeps_counted"]) for row in rows],
        ">conditioning": [str(row["conditioning_presses"]) for row in rows],
        **({">waiting": [str(row["sweeps_waiting"]) for row in rows]} if waits else {}),
        ">uncounted": [str(row["sweeps_not_counted"]) for row in rows],
        ">lost": [str(row["samples_lost"]) for row in rows],
        ">highest\nload": [shown.load_text(row["highest_load_n"]) for row in rows],
        ">lowest\nheight": [shown.length_text(row["lowest_height_mm"]) for row in rows],
    }
    out.print(columns_table(columns.items()))
    _show_by_hand(record)
    show_warnings(warned)


def _known_lines(record: SetRecord, shown: Units) -> Iterator[str]:
    """Say what is known of the whole set, a line each."""
    for name in _DIMENSIONS:
        value = getattr(record, name)
        if value is not None:
            words = name.removesuffix("_mm").replace("_", " ")
            u_mm = record.solid_height_u_mm if name == "solid_height_mm" else None
            stated = "" if u_mm is None else f" ± {shown.length_text(2.0 * u_mm)}"
            yield f"{words} {shown.quantity(name, value) or f'{value:g}'}{stated}"
    yield from nominal_lines(record, shown)
    if record.rests_n is not None:
        rests = shown.small_load_text(record.rests_n)
        yield f"{rests} rests on each spring, in the loads that a cell read, not in those by hand"
    for what, said in (("marked", record.mark), ("note:", record.note)):
        if said is not None:
            yield f"{what} {said}"


_DIMENSIONS = ("free_length_mm", "solid_height_mm", "wire_mm", "coil_diameter_mm", "active_coils")
ROWS = 22  # where there is no screen to fill
MOST_ROWS, MOST_COLUMNS = 40, 120


def _show_curves(db: Database, record: SetRecord, heights_mm: Sequence[float]) -> None:
    """Print the set's curves, flagged springs marked, judged at heights or at our own choice."""
    from coilbench.analysis.inputs.measured import judge_set  # imported late: slow to load
    from coilbench.analysis.report.set_plot import set_plot

    shown, out = units(), console()
    judged = judge_set(db, record, [(mm, None) for mm in heights_mm])
    warned = waiting_warnings(db, [record.name])
    curves, missing = judged.measured.curves, judged.measured.missing
    springs = () if judged.check is None else judged.check.springs
    flags = {s.label: tuple(flag.kind for flag in s.flags) for s in springs}
    at = " and ".join(shown.length_text(mm) for mm in judged.heights_mm)
    click.echo(f"Set {record.name}" + (f", judged at {at}" if at else ""))
    lines = set_plot(
        curves,
        flags,
        shown,
        width=min(out.width, MOST_COLUMNS),
        height=(min(out.height - 2, MOST_ROWS) if out.is_terminal else ROWS) - bool(missing),
        ascii_only="utf" not in (out.encoding or "").lower(),
    )
    click.echo("\n".join(lines))
    if missing:
        click.echo(f"Not measured yet: {counted(len(missing), 'spring')}.")
    show_warnings(warned)


def nominal_lines(record: SetRecord, shown: Units) -> list[str]:
    """Say what the springs' maker prints, a line each; none where that is not known."""
    nominal = record.nominal
    if nominal is None:
        return []
    lines = [filled("nominal {load_n} at {height_mm}", load, shown) for load in nominal.loads]
    if nominal.rate_n_per_mm is not None:
        lines.append(f"nominal rate {shown.rate_text(nominal.rate_n_per_mm)}")
    if nominal.tolerance_relative is not None:
        lines.append(f"tolerance to the nominal {100 * nominal.tolerance_relative:.3g} %")
    return lines


def _spring_document(spring: SpringRecord) -> dict[str, object]:
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


def _show_by_hand(record: SetRecord) -> None:
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
        print_document({"set": name, "springs": [*map(_spring_document, done.record.springs)]})
        return
    say_depths(done)
    _show_by_hand(done.record)
    with open_book(book_path()) as db:
        say_lengths(db, done.record)


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
        _show_by_hand(record)
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
