"""`coilbench set nominal`: what a set's maker prints, kept with the set."""

from __future__ import annotations

from typing import Any

import click

from coilbench.analysis.cli.common import (
    FRACTION,
    RATE,
    book_path,
    json_option,
    print_document,
    units,
)
from coilbench.analysis.cli.set_heights import NOMINAL_AT, TypedNominal, nominal_loads
from coilbench.capture.book.nominals import SetNominal
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import SetRecord, find_set, keep_nominal
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.units import Units


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
@click.option("--clear", is_flag=True, help="Take the set's nominal away.")
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

    A set check holds the springs against them, and so shows a set that is tired as a whole. What
    is given takes the place of all that was kept before.
    """
    nominal = made_nominal(loads, rate, tolerance)
    if clear and nominal is not None:
        raise CoilbenchError(
            "--clear takes the nominal away, and one is given", mend="Give one or the other"
        )
    with open_book(book_path()) as db:
        record = find_set(db, name)
        if clear or nominal is not None:
            record = keep_nominal(db, record, nominal)
    if as_json:
        print_document({"set": record.name, "nominal": nominal_document(record.nominal)})
        return
    if record.nominal is None:
        click.echo(
            f"Set {record.name} has no nominal. Keep one with: "
            f"coilbench set nominal {record.name} 24kg@38.5mm"
        )
    for line in nominal_lines(record, units()):
        click.echo(f"Set {record.name}: {line}")


def made_nominal(
    loads: tuple[TypedNominal, ...], rate: float | None, tolerance: float | None
) -> SetNominal | None:
    """Return what was typed as a nominal; None where nothing was.

    Raises:
        CoilbenchError: a tolerance without anything to hold it to, or an impossible nominal.
    """
    if not loads and rate is None and tolerance is None:
        return None
    return SetNominal(nominal_loads(loads), rate, tolerance)


def nominal_lines(record: SetRecord, shown: Units) -> list[str]:
    """Say what is kept with a set, a line each; none where nothing is."""
    nominal = record.nominal
    if nominal is None:
        return []
    lines = [
        f"nominal {shown.load_text(load.load_n)} at {shown.length_text(load.height_mm)}"
        for load in nominal.loads
    ]
    if nominal.rate_n_per_mm is not None:
        lines.append(f"nominal rate {shown.rate_text(nominal.rate_n_per_mm)}")
    if nominal.tolerance_relative is not None:
        lines.append(f"tolerance to the nominal {100 * nominal.tolerance_relative:.3g} %")
    return lines


def nominal_document(nominal: SetNominal | None) -> dict[str, Any] | None:
    """Return it for JSON; None where there is none."""
    if nominal is None:
        return None
    return {
        "loads": [vars(load) for load in nominal.loads],
        "rate_n_per_mm": nominal.rate_n_per_mm,
        "tolerance": nominal.tolerance_relative,
    }
