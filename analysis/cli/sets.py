"""`coilbench set new` and `set nominal`: a set is registered, and what its maker prints is kept."""

from __future__ import annotations

from typing import Any, cast

import click

from coilbench.analysis.cli.asking import sure_of
from coilbench.analysis.cli.common import TypedNominal, print_document, units
from coilbench.analysis.cli.rig_ratings import refuse_heavy_rests
from coilbench.analysis.cli.set_show import nominal_lines
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.report.document import document
from coilbench.capture.book.nominals import NominalLoad, SetNominal
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import (
    Role,
    SetPlan,
    SetRecord,
    find_set,
    labels_for,
    new_set,
    sizes_of,
)
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.plain import as_typed
from coilbench.capture.tables.dimensions import refuse_sizes
from coilbench.capture.tables.spring_lines import StatedLength
from coilbench.capture.units import counted


def set_nominal(
    name: str,
    loads: tuple[TypedNominal, ...],
    rate: float | None,
    tolerance: float | None,
    clear: bool,
    as_json: bool,
) -> None:
    """Keep the loads that a set should push, as its maker prints them; or show them."""
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
    for line in nominal_lines(record, units()):
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
    """Register a set: springs bought or removed together, meant to be alike."""
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
