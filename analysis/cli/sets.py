"""`coilbench set`: register a set, list sets, show one, check one."""

from __future__ import annotations

import click

from coilbench.analysis.cli.common import (
    LENGTH,
    NUMBER,
    book_path,
    json_option,
    print_document,
)
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import (
    CONDITIONING_STROKES,
    MEASURED_STROKES,
    Role,
    SetPlan,
    find_set,
    labels_for,
    new_set,
    set_names,
    turn_order,
)
from coilbench.capture.errors import CoilbenchError


@click.group(name="set")
def set_command() -> None:
    """Register sets of springs; show and check them."""


@set_command.command(name="new", epilog="Example: coilbench set new larch --role outer --count 12")
@click.argument("name")
@click.option(
    "--role",
    type=click.Choice(["outer", "inner", "single"]),
    required=True,
    help="Which place the springs have.",
)
@click.option("--count", type=click.INT, help="How many; labels become NAME-01, NAME-02, …")
@click.option("--labels", help="Labels of your own, separated by commas, in turn order.")
@click.option("--free-length", type=LENGTH, help="Height at no load, e.g. 53mm.")
@click.option("--solid-height", type=LENGTH, help="Height with all coils touching, e.g. 24.5mm.")
@click.option("--wire", type=LENGTH, help="Wire diameter, e.g. 4.2mm.")
@click.option("--coil-diameter", type=LENGTH, help="Mean coil diameter, e.g. 31mm.")
@click.option("--active-coils", type=NUMBER, help="Number of active coils, e.g. 4.5.")
@click.option(
    "--conditioning",
    type=click.IntRange(0, 20),
    default=CONDITIONING_STROKES,
    show_default=True,
    help="Presses that work a spring before it is read; kept but not counted.",
)
@click.option(
    "--strokes",
    type=click.IntRange(1, 50),
    default=MEASURED_STROKES,
    show_default=True,
    help="Strokes that count, for each spring.",
)
def set_new(
    name: str,
    role: Role,
    count: int | None,
    labels: str | None,
    free_length: float | None,
    solid_height: float | None,
    wire: float | None,
    coil_diameter: float | None,
    active_coils: float | None,
    conditioning: int,
    strokes: int,
) -> None:
    """Register a set: springs bought or removed together, meant to be alike."""
    plan = SetPlan(
        name=name,
        role=role,
        labels=_labels(name, count, labels),
        free_length_mm=free_length,
        solid_height_mm=solid_height,
        wire_mm=wire,
        coil_diameter_mm=coil_diameter,
        active_coils=active_coils,
        conditioning_strokes=conditioning,
        measured_strokes=strokes,
    )
    with open_book(book_path(), create=True) as db:
        record = new_set(db, plan)
    click.echo(
        f"Set {record.name} ({record.role}): {len(record.springs)} springs, "
        f"{record.labels[0]} to {record.labels[-1]}.\n"
        f"Next: coilbench daemon --port PORT --set {record.name}, "
        f"or by hand: coilbench note --set {record.name}"
    )


def _labels(name: str, count: int | None, labels: str | None) -> tuple[str, ...]:
    if (count is None) == (labels is None):
        raise CoilbenchError("give either --count or --labels", mend="For example --count 12")
    if count is not None:
        return labels_for(name, count)
    assert labels is not None  # noqa: S101  the line above leaves only this
    return tuple(label.strip() for label in labels.split(","))


@set_command.command(name="list")
@json_option
def set_list(as_json: bool) -> None:
    """List the sets in the book and how far each has come."""
    with open_book(book_path()) as db:
        records = [find_set(db, name) for name in set_names(db)]
        finished = [len(turn_order(db, record).finished()) for record in records]
    if as_json:
        print_document(
            {
                "sets": [
                    {"name": r.name, "role": r.role, "springs": len(r.springs), "measured": n}
                    for r, n in zip(records, finished, strict=True)
                ]
            }
        )
        return
    if not records:
        click.echo("No sets yet. Start one with: coilbench set new NAME --role outer --count 12")
    for record, count in zip(records, finished, strict=True):
        click.echo(f"{record.name}  {record.role}  {count} of {len(record.springs)} measured")
