"""`coilbench set new`, `list`, `show` and `nominal`; where a set is judged."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, cast

import click
from sqlite_utils import Database

from coilbench.analysis.cli.asking import sure_of
from coilbench.analysis.cli.common import (
    FRACTION,
    LENGTH,
    NOMINAL_AT,
    NUMBER,
    RATE,
    STATED_LENGTH,
    WEIGHT,
    TypedNominal,
    at_option,
    columns_table,
    console,
    json_option,
    print_document,
    say,
    units,
)
from coilbench.analysis.cli.rig_ratings import refuse_heavy_rests
from coilbench.analysis.cli.set_edit import RESTS_HELP, SOLID_HELP
from coilbench.analysis.cli.set_measure import show_by_hand, spring_document
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.report.document import document, filled, picked
from coilbench.analysis.report.rests_text import mixed_text
from coilbench.analysis.report.units import Units
from coilbench.capture.book.nominals import NominalLoad, SetNominal
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.ratings import kept_rests
from coilbench.capture.book.sets import (
    Role,
    SetPlan,
    SetRecord,
    find_set,
    labels_for,
    new_set,
    sizes_of,
)
from coilbench.capture.book.state import SetState
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.plain import as_typed
from coilbench.capture.strokes.judging import CONDITIONING_STROKES, MEASURED_STROKES
from coilbench.capture.tables.dimensions import refuse_sizes
from coilbench.capture.tables.spring_lines import StatedLength
from coilbench.capture.units import counted


@click.command(
    name="nominal",
    epilog="Example: coilbench set nominal larch 24kg@38.5mm 42kg@27.6mm --tolerance 8%",
)
@click.argument("name")
@click.argument("loads", metavar="[LOAD@HEIGHT]...", nargs=-1, type=NOMINAL_AT)
@click.option("--rate", type=RATE, help="The rate asked for, e.g. 1.6kg/mm.")
@click.option(
    "--tolerance",
    type=FRACTION,
    help="How far from these a spring may be.  [default: set check's --tolerance]",
)
@click.option("--clear", is_flag=True, help="Remove the set's nominal.")
@json_option
def set_nominal(
    name: str,
    loads: tuple[TypedNominal, ...],
    rate: float | None,
    tolerance: float | None,
    clear: bool,
    as_json: bool,
) -> None:
    """Keep the loads that a set should push, as its maker prints them; or show them.

    A set check compares the springs with them, and so shows a set that is tired as a whole. What
    is given replaces all that was kept before.
    """
    nominal = _made_nominal(loads, rate, tolerance)
    if clear and nominal is not None:
        raise CoilbenchError(
            "--clear removes the nominal, and a new one is given", hint="Give one or the other"
        )
    with open_book(book_path()) as db:
        record = find_set(db, name)
        if clear or nominal is not None:
            record = record.keep_nominal(db, nominal)
    if as_json:
        print_document({"set": record.name, "nominal": document(record.nominal)})
        return
    if record.nominal is None:
        click.echo(
            f"Set {record.name} has no nominal. Keep one with: "
            f"coilbench set nominal {as_typed(record.name)} 24kg@38.5mm"
        )
    for line in _nominal_lines(record, units()):
        click.echo(f"Set {record.name}: {line}")


def _made_nominal(
    loads: tuple[TypedNominal, ...], rate: float | None, tolerance: float | None
) -> SetNominal | None:
    """Return what was typed as a nominal, which is checked there; None where nothing was."""
    if not loads and rate is None and tolerance is None:
        return None
    placed = ((one.height_mm, one.load_n) for one in loads)
    kept = tuple(NominalLoad(height_mm, n) for height_mm, n in placed if height_mm is not None)
    return SetNominal(kept, rate, tolerance)


def _nominal_lines(record: SetRecord, shown: Units) -> list[str]:
    nominal = record.nominal
    if nominal is None:
        return []
    lines = [filled("nominal {load_n} at {height_mm}", load, shown) for load in nominal.loads]
    if nominal.rate_n_per_mm is not None:
        lines.append(f"nominal rate {shown.rate_text(nominal.rate_n_per_mm)}")
    if nominal.tolerance_relative is not None:
        lines.append(f"tolerance to the nominal {100 * nominal.tolerance_relative:.3g} %")
    return lines


@click.command(
    name="new",
    epilog="Examples: coilbench set new larch --role outer --count 12 ; "
    "coilbench set new larch-after --again larch",
)
@click.argument("name")
@click.option(
    "--role",
    type=click.Choice(["outer", "inner", "single"]),
    help="Where the springs sit.",
)
@click.option("--again", help="The same springs as this set's, to be measured again.")
@click.option("--count", type=click.INT, help="How many; labels become NAME-01, NAME-02, …")
@click.option("--labels", help="Labels of your own, separated by commas, in turn order.")
@click.option("--free-length", "free_length_mm", type=LENGTH, help="Height at no load, e.g. 53mm.")
@click.option("--solid-height", type=STATED_LENGTH, help=SOLID_HELP)
@click.option("--wire", "wire_mm", type=LENGTH, help="Wire diameter, e.g. 4.2mm.")
@click.option(
    "--coil-diameter", "coil_diameter_mm", type=LENGTH, help="Mean coil diameter, e.g. 31mm."
)
@click.option("--active-coils", type=NUMBER, help="Number of active coils, e.g. 4.5.")
@click.option(
    "--nominal",
    "nominals",
    type=NOMINAL_AT,
    multiple=True,
    help="A load the maker prints, e.g. 24kg@38.5mm; repeat it. Later: set nominal.",
)
@click.option("--nominal-rate", type=RATE, help="The rate the maker prints, e.g. 1.6kg/mm.")
@click.option("--nominal-tolerance", type=FRACTION, help="How far from these a spring may be.")
@click.option(
    "--conditioning",
    type=click.IntRange(0, 20),
    default=CONDITIONING_STROKES,
    help="Presses that work a spring before it is read; kept but not counted.",
)
@click.option(
    "--strokes",
    type=click.IntRange(1, 50),
    default=MEASURED_STROKES,
    help="Strokes that count, for each spring.",
)
@click.option("--rests", "rests_n", type=WEIGHT, help=RESTS_HELP)
@click.option("--yes", is_flag=True, help="Store dimensions that look like a slip as they are.")
def set_new(
    name: str,
    role: Role | None,
    again: str | None,
    count: int | None,
    labels: str | None,
    nominals: tuple[TypedNominal, ...],
    nominal_rate: float | None,
    nominal_tolerance: float | None,
    conditioning: int,
    strokes: int,
    solid_height: StatedLength | None,
    yes: bool,
    **dimensions: Any,
) -> None:
    """Register a set: springs bought or removed together, meant to be alike.

    With --again the springs of a set in the book, to be measured once more (after running in, say)
    and compared: labels, role and dimensions are that set's, dimensions given here override them.
    """
    nominal = _made_nominal(nominals, nominal_rate, nominal_tolerance)
    old = None if again is None else _measured_before(again, role, count, labels)
    if old is None and role is None:
        raise CoilbenchError("--role is missing", hint="Give --role outer, inner or single")
    dimensions["solid_height_mm"], solid_u_mm = solid_height or (None, None)
    given = [key for key, value in dimensions.items() if value is not None]
    if old is not None:
        solid_u_mm = old.solid_height_u_mm if solid_height is None else solid_u_mm
        for key, value in dimensions.items():
            dimensions[key] = getattr(old, key) if value is None else value
        nominal = old.nominal if nominal is None else nominal
    plan = SetPlan(
        name=name,
        role=cast(Role, role) if old is None else old.role,
        labels=_labels(name, count, labels) if old is None else old.labels,
        conditioning_strokes=conditioning,
        measured_strokes=strokes,
        nominal=nominal,
        solid_height_u_mm=solid_u_mm,
        **dimensions,
    )
    refuse_heavy_rests(plan.rests_n, yes=yes)
    sure_of(lambda sure: refuse_sizes(sizes_of(plan), (), given, sure=sure), yes=yes)
    with open_book(book_path(), create=True) as db:
        record = new_set(db, plan)
    first, *others = record.labels
    last = f" to {others[-1]}" if others else ""
    click.echo(
        f"Set {record.name} ({record.role}): {counted(len(record.springs), 'spring')}, "
        f"{first}{last}.\n"
        f"Next: coilbench daemon --port PORT --set {as_typed(record.name)}, "
        f"or by hand: coilbench note --set {as_typed(record.name)}"
    )


def _measured_before(
    again: str, role: Role | None, count: int | None, labels: str | None
) -> SetRecord:
    if (role, count, labels) != (None, None, None):
        raise CoilbenchError(
            "--again takes role and labels from the set it names",
            hint="Leave out --role, --count and --labels",
        )
    with open_book(book_path()) as db:
        return find_set(db, again)


def _labels(name: str, count: int | None, labels: str | None) -> tuple[str, ...]:
    if count is not None and labels is None:
        return labels_for(name, count)
    if labels is not None and count is None:
        return tuple(label.strip() for label in labels.split(","))
    raise CoilbenchError("give either --count or --labels", hint="For example --count 12")


@click.command(name="list")
@json_option
def set_list(as_json: bool) -> None:
    """List the sets in the book and how far each has come."""
    with open_book(book_path()) as db:
        states = SetState.every(db.conn)
        rows = db.query("SELECT name, set_note AS note, set_mark AS mark FROM sets")
        words = {row.pop("name"): row for row in rows}
    if as_json:
        keys = "name role springs measured"
        print_document({"sets": [picked(one, keys) | words[one.name] for one in states]})
        return
    if not states:
        click.echo("No sets yet. Start one with: coilbench set new NAME --role outer --count 12")
    for one in states:
        own = words[one.name]
        marked = "" if own["mark"] is None else f"  marked {own['mark']}"
        note = "" if own["note"] is None else f"  ({own['note']})"
        click.echo(
            f"{one.name}  {one.role}  {one.measured} of {one.springs} measured{marked}{note}"
        )


@click.command(
    name="show",
    epilog="Examples: coilbench set show larch ; coilbench set show larch --curves",
)
@click.argument("name")
@click.option("--curves", is_flag=True, help="Draw all springs' curves, flagged ones by letters.")
@at_option("With --curves: where the flags are judged.  [default: two heights inside the curves]")
@json_option
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
    if as_json:
        named = picked(record, f"name role {' '.join(_DIMENSIONS)} nominal note mark rests_n")
        print_document(
            {
                "set": named,
                "kept_rests": document(kept),
                "springs": [
                    spring_document(spring) | row
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
        ">uncounted": [str(row["sweeps_not_counted"]) for row in rows],
        ">lost": [str(row["samples_lost"]) for row in rows],
        ">highest\nload": [shown.load_text(row["highest_load_n"]) for row in rows],
        ">lowest\nheight": [shown.length_text(row["lowest_height_mm"]) for row in rows],
    }
    out.print(columns_table(columns.items()))
    show_by_hand(record)


def _known_lines(record: SetRecord, shown: Units) -> Iterator[str]:
    """Say what is known of the whole set, a line each."""
    for name in _DIMENSIONS:
        value = getattr(record, name)
        if value is not None:
            words = name.removesuffix("_mm").replace("_", " ")
            u_mm = record.solid_height_u_mm if name == "solid_height_mm" else None
            stated = "" if u_mm is None else f" ± {shown.length_text(2.0 * u_mm)}"
            yield f"{words} {shown.quantity(name, value) or f'{value:g}'}{stated}"
    yield from _nominal_lines(record, shown)
    if record.rests_n is not None:
        yield f"{shown.small_load_text(record.rests_n)} rests on each spring, in its loads"
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
