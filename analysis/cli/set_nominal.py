"""Where a set is judged: --at, --nominal, a build file's heights, and what is kept with the set.

`coilbench set nominal`: what a set's maker prints, kept with the set.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import click

from coilbench.analysis.cli.common import FRACTION, RATE, json_option, print_document, units
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.report.units import Units
from coilbench.analysis.sets.rulings import Asked, Nominal
from coilbench.capture.book.nominals import NominalLoad, SetNominal
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import SetRecord, find_set
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.units import counted, parse_length_mm, parse_load_n


class TypedNominal(NamedTuple):
    """A nominal load as typed, with or without its height."""

    load_n: float
    height_mm: float | None


class _NominalParam(click.ParamType[TypedNominal]):
    """Reads `24kg@38.5mm`, and `24kg` where the height is told elsewhere."""

    name = "load@height"

    def __init__(self, *, height_needed: bool) -> None:
        self._height_needed = height_needed

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> TypedNominal:
        load, at, height = str(value).partition("@")
        where = self.name if param is None else param.get_error_hint(ctx).strip("'[].")
        try:
            if self._height_needed and not at:
                raise CoilbenchError(f"{value!r} names no height", hint="Write it like 24kg@38.5mm")
            typed = TypedNominal(parse_load_n(load), parse_length_mm(height) if at else None)
            Nominal(typed.load_n)  # refuses what is none
        except CoilbenchError as error:
            raise CoilbenchError(error.what, where=where, hint=error.hint) from error
        return typed


NOMINAL = _NominalParam(height_needed=False)
NOMINAL_AT = _NominalParam(height_needed=True)


def nominal_loads(typed: Sequence[TypedNominal]) -> tuple[NominalLoad, ...]:
    """Return typed loads, all with heights, as the book keeps them."""
    return tuple(
        NominalLoad(one.height_mm, one.load_n) for one in typed if one.height_mm is not None
    )


def asked_heights(
    record: SetRecord,
    heights_mm: Sequence[float],
    nominals: Sequence[TypedNominal],
    build: BuildFile | None,
) -> list[Asked]:
    """Return where to judge a set, each height with the load asked for there.

    Heights typed come first, then the build file's.

    Raises:
        CoilbenchError: no height, or loads without heights that are not as many as the heights.
    """
    asked = _typed(heights_mm, nominals)
    asked += [] if build is None else build_heights(build, record)
    if not asked and (record.nominal is None or not record.nominal.loads):
        raise CoilbenchError(
            "no height to check at",
            hint="Give one, like --at 38.5mm, or keep one: "
            f"coilbench set nominal {record.name} 24kg@38.5mm",
        )
    return asked


def _typed(heights_mm: Sequence[float], nominals: Sequence[TypedNominal]) -> list[Asked]:
    """Pair each --at with its --nominal; loads with heights of their own stand for themselves."""
    placed = [(one.height_mm, Nominal(one.load_n)) for one in nominals if one.height_mm is not None]
    bare = [Nominal(one.load_n) for one in nominals if one.height_mm is None]
    if not bare:
        asked: list[Asked] = [(height_mm, None) for height_mm in heights_mm]
        return _merged(asked, placed)
    if placed:
        raise CoilbenchError(
            "some loads name their heights and some don't",
            where="--nominal",
            hint="Write all of them like 24kg@38.5mm",
        )
    if len(bare) != len(heights_mm):
        raise CoilbenchError(
            f"{counted(len(bare), 'load')} for {counted(len(heights_mm), 'height')}",
            where="--nominal",
            hint="Give one --nominal for each --at, in the same order, or write 24kg@38.5mm",
        )
    return list(zip(heights_mm, bare, strict=True))


def _merged(asked: list[Asked], placed: Sequence[tuple[float, Nominal]]) -> list[Asked]:
    given = dict(placed)
    merged = [(mm, given.pop(mm, nominal)) for mm, nominal in asked]
    return [*merged, *given.items()]


def build_heights(build: BuildFile, record: SetRecord) -> list[Asked]:
    """Return the heights a build file puts a set at, valve shut and at full lift.

    With the cam card's loads as nominal where the springs work alone; an outer and an inner share
    them, so that neither has one of its own.
    """
    cam, alone = build.cam, not build.springs.inner
    offset_mm = build.head.inner_offset_mm if record.role == "inner" else 0.0
    seat_mm = build.head.installed_height_mm - offset_mm
    seat = Nominal(cam.seat_load_n, cam.seat_tolerance_n) if alone else None
    opened = Nominal(cam.open_load_n, cam.open_tolerance_n) if alone else None
    return [(seat_mm, seat), (seat_mm - cam.valve_lift_mm, opened)]


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
            "--clear takes the nominal away, and one is given", hint="Give one or the other"
        )
    with open_book(book_path()) as db:
        record = find_set(db, name)
        if clear or nominal is not None:
            record = record.keep_nominal(db, nominal)
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
