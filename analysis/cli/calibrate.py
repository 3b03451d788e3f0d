"""`coilbench rig weigh`, `gauge` and `flex`: guided at the rig, or from a CSV file.

Where a datum contradicts the one that stood, the presses that it puts in doubt are named.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import click
from msgspec.structs import replace

from coilbench.analysis.cli.common import say_aside, units
from coilbench.analysis.cli.guiding import (
    GuidedRig,
    calibrated_part,
    heights_before,
    newest,
    on_this_rig,
    part_of_rig,
)
from coilbench.analysis.cli.overload import refuse_overload, told_ratings
from coilbench.analysis.cli.references import (
    asked_masses_err,
    checked_lengths_mm,
    checked_masses_kg,
    settle_heights,
    settle_step,
)
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.inputs.files import read_bytes
from coilbench.analysis.report.card_text import gravity_words
from coilbench.analysis.report.document import describe, first_few
from coilbench.analysis.report.units import fixed, significant
from coilbench.capture.blocks import Finding, Hello
from coilbench.capture.book.calibrations import PartRecord, newest_part, store_part
from coilbench.capture.book.connection import Database
from coilbench.capture.book.counting import read_by_travel
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.ratings import Ratings
from coilbench.capture.book.scales import store_scale
from coilbench.capture.calibration.checks import STANDARD_GRAVITY_M_S2
from coilbench.capture.calibration.fit import load_part, travel_part
from coilbench.capture.calibration.flex_fit import flex_part
from coilbench.capture.calibration.keyed_setup import ScalePoint
from coilbench.capture.calibration.known_points import FlexPoint, GaugePoint, LoadPoint, MassesErr
from coilbench.capture.calibration.model import NewPart, datum_part
from coilbench.capture.calibration.overload import too_much
from coilbench.capture.calibration.polynomial import value
from coilbench.capture.calibration.scale import calibrate_scale
from coilbench.capture.calibration.standing import StandingTravel, heights_moved, stop_note
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.plain import as_typed
from coilbench.capture.tables.columns import read_points
from coilbench.capture.tables.csv_table import Table, read_table
from coilbench.capture.unit_factors import KGF_N


def presses_in_doubt(standing: PartRecord) -> Iterator[str]:
    """Yield what to say of the presses that were read by a datum that is contradicted now."""
    with open_book(book_path()) as db:
        read = read_by_travel(db, standing.part_id, standing.boot_id)
    for name in dict.fromkeys(one.set_name for one in read):
        labels = list(dict.fromkeys(one.label for one in read if one.set_name == name))
        yield (
            f"In doubt, since they were read by the datum before: {first_few(labels)} of {name}; "
            f"they count until you leave them out: coilbench set strokes {as_typed(name)} "
            "--leave LABEL:NUMBER"
        )


def weigh_command(
    file: Path | None,
    port: str | None,
    masses: str,
    gravity_m_s2: float | None,
    scale_name: str | None,
    masses_err: MassesErr | None,
    masses_u: float | None,
    afresh: bool,
    bell: bool,
) -> None:
    """Calibrate the load with known masses, up and down, three different ones or more."""
    gravity = _gravity(gravity_m_s2)
    if scale_name is not None:
        _refuse_for_scale(masses_err, masses_u)
        _store_scale(scale_name, file, gravity)
        return
    if file is not None:
        points = _with_u(read_points(_table(file), LoadPoint), masses_u)
        part = load_part(points, file.name, gravity, masses_err or "together")
        if any(point.mass_kg == 0.0 for point in points):
            part = part.noted(Finding("zero_unchecked"))
        largest_n = gravity * max(point.mass_kg for point in points)
        _store(with_overload(part, largest_n, pressed=False))
        return
    port, masses_kg = _given_port(port), checked_masses_kg(masses)
    refuse_overload(gravity * max(masses_kg), "--masses", pressed=False)
    masses_err, masses_u = asked_masses_err(masses_err, masses_u)
    with GuidedRig.open(port, ring=bell) as rig:
        read = rig.weigh(masses_kg, masses_u, afresh=afresh)
    with rig.kept_until_stored("weigh"):
        part = load_part(_with_u(read.points, masses_u), "guided", gravity, masses_err)
        _store(part.noted(read.zero_note).on(rig.hello))


def _with_u(points: Sequence[LoadPoint], masses_u: float | None) -> list[LoadPoint]:
    """Give the masses the uncertainty that was stated for all of them, where they have none."""
    if masses_u is None:
        return list(points)
    stated = (None if point.u_kg is not None else masses_u * point.mass_kg for point in points)
    pairs = zip(points, stated, strict=True)
    return [point if u_kg is None else replace(point, u_kg=u_kg) for point, u_kg in pairs]


def _refuse_for_scale(masses_err: MassesErr | None, masses_u: float | None) -> None:
    if masses_err is not None or masses_u is not None:
        raise CoilbenchError(
            "--masses-err and --masses-u are for the rig's cell, not for a scale",
            hint="Leave them out; a scale's file may have the column u_kg",
        )


def _gravity(given_m_s2: float | None) -> float:
    """Return local gravity: as given, else as at the calibration before, else the standard."""
    if given_m_s2 is not None:
        return given_m_s2
    path = book_path()
    if path.exists():
        with open_book(path) as db:
            part = newest_part(db, "load")
        if part is not None and part.gravity_m_s2 is not None:
            return part.gravity_m_s2
    return STANDARD_GRAVITY_M_S2


def _store_scale(name: str, file: Path | None, gravity_m_s2: float) -> None:
    if file is None:
        raise CoilbenchError(
            "a scale is calibrated from a file of what it shows",
            hint="Give --from FILE with the columns mass_kg,shown_kg",
        )
    scale = calibrate_scale(name, read_points(_table(file), ScalePoint), file.name, gravity_m_s2)
    with open_book(book_path(), create=True) as db:
        store_scale(db, scale)
    click.echo(f"Stored the scale {scale.name} from {scale.fit.points} points ({file.name}).")
    shown = units()
    for one in scale.corrections():
        add, u = shown.mass_value(one.add_kg), shown.mass_value(one.u_kg)
        click.echo(
            f"  shows {shown.mass_text(one.shown_kg)}: add {fixed(add, 2, '+')} {shown.mass} "
            f"(± {u:.2f} {shown.mass}, k = 2)"
        )
    scatter = shown.mass_value(scale.repeatability_n / KGF_N)  # as the scale shows it
    click.echo(f"  One reading scatters by {fixed(scatter, 2)} {shown.mass}.")
    for note in scale.notes:
        click.echo(f"Note: {describe(note, units())}.")
    if gravity_m_s2 != STANDARD_GRAVITY_M_S2:
        click.echo(f"{gravity_words(gravity_m_s2, units())}.")
    click.echo(f"Next: coilbench note --set SET --scale {as_typed(scale.name)}")


def gauge_command(
    file: Path | None,
    port: str | None,
    lengths: str | None,
    datum: float | None,
    accept_step: bool,
    accept_datum: bool,
    afresh: bool,
    bell: bool,
) -> None:
    """Calibrate the travel with known lengths between the spring's seats."""
    if file is not None:
        points = read_points(_table(file), GaugePoint)
        _refuse_below_cups([point.length_mm for point in points])
        part = travel_part(points, file.name)
        _say_of_zero([point.length_mm for point in points])
        _store(_with_offset(part, None))
        return
    if lengths is not None and datum is None:
        port, lengths_mm = _given_port(port), _lengths_to_read(lengths)
        with GuidedRig.open(port, ring=bell) as rig:
            stated = rig.hello.mm_per_count
            read = rig.gauge(lengths_mm, None if accept_step else stated, afresh=afresh)
        with rig.kept_until_stored("gauge"):
            part = travel_part(read.points, "guided", stated)
            settle_step(part.fit, stated, accepted=accept_step)
            part = _with_heights(part, rig.hello, read.stop_counts, accepted=accept_datum)
            _store(_with_touch(part, rig.hello).on(rig.hello))
    elif datum is not None and lengths is None:
        _refuse_below_cups([datum])
        _say_of_zero([datum])
        command = "gauge --lengths 51mm,43mm,35mm,27mm"
        travel = calibrated_part("travel", command)
        with GuidedRig.open(_given_port(port), ring=bell) as rig:
            travel = on_this_rig(travel, rig.hello, command)
            settle_step(travel.fit, rig.hello.mm_per_count, accepted=accept_step)
            read = rig.datum(datum, travel.fit.coefficients[1])
            part = datum_part(travel.fit, read.points[0])
            part = _with_heights(part, rig.hello, read.stop_counts, accepted=accept_datum)
            _store(_with_touch(part, rig.hello).on(rig.hello))
        if any(isinstance(one, Finding) and one.kind == "heights_moved" for one in part.notes):
            for line in presses_in_doubt(travel):
                click.echo(line)
    else:
        raise CoilbenchError("give --lengths, --datum or --from", hint="See: rig gauge --help")


def _refuse_below_cups(lengths_mm: Sequence[float]) -> None:
    told_ratings().refuse_gauges(lengths_mm)


def _say_of_zero(lengths_mm: Sequence[float]) -> None:
    """Say what a gauge of 0 means, where it is not told where the cups meet."""
    told = told_ratings()
    if told.cups_meet_mm is None and min(lengths_mm, default=1.0) <= 0.0:
        say_aside(
            "0 means that the faces which hold the spring touch each other. Cups do not let them: "
            "with the rims together every height is wrong by both cups' depths. Say where they "
            "meet: coilbench rig ratings --cups-meet 18mm (a rig without cups: 0mm)"
        )


def _lengths_to_read(text: str) -> list[float]:
    meet_mm = told_ratings().cups_meet_mm
    lengths_mm = checked_lengths_mm(text, ask_zero=not meet_mm and newest("travel") is None)
    _refuse_below_cups(lengths_mm)
    _say_of_zero(lengths_mm)
    return lengths_mm


def _with_heights(
    part: NewPart, hello: Hello, stop_counts: float | None, *, accepted: bool
) -> NewPart:
    """Compare a travel part with the one before; note what came of it, and where the stop is.

    Raises:
        CoilbenchError: the heights are others, and that is not accepted.
    """
    before = heights_before(hello)
    moved = None
    if before is not None:
        now = StandingTravel(part.fit, stop_counts)
        moved = heights_moved(now, before.travel, same_counts=before.same_counts)
    settle_heights(moved, accepted=accepted)
    stop = None if stop_counts is None else stop_note(part.fit, stop_counts)
    return _with_offset(part, moved).noted(stop)


def _with_offset(part: NewPart, compared: Finding | None) -> NewPart:
    """Note what tells whether all lengths are shifted alike, or that nothing does."""
    if compared is None and any(point.length_mm == 0.0 for point in part.points):
        return part  # the faces together are no gauge that could be another one
    return part.noted(compared or Finding("offset_unchecked"))


def _with_touch(part: NewPart, hello: Hello) -> NewPart:
    """Note it where the touch on the gauges could not be seen."""
    if part_of_rig("load", hello) is not None:
        return part
    return part.noted(Finding("touch_unchecked"))


def flex_command(file: Path | None, port: str | None, least_n: float, bell: bool) -> None:
    """Measure how far the press gives, by pressing on a solid block."""
    here = file is not None
    load = calibrated_part("load", "weigh", here=here)
    travel = calibrated_part("travel", "gauge", here=here)
    if file is not None:
        pressed: Sequence[FlexPoint] = read_points(_table(file), FlexPoint)
        part = flex_part(pressed, load.fit, travel.fit, file.name)
    else:
        refuse_overload(least_n, "--to")
        with GuidedRig.open(_given_port(port), ring=bell) as rig:
            load = on_this_rig(load, rig.hello, "weigh")
            travel = on_this_rig(travel, rig.hello, "gauge")
            pressed = rig.press(load.fit, least_n, travel.fit.coefficients[1])
            part = flex_part(pressed, load.fit, travel.fit, "guided").on(rig.hello)
    largest_n = float(value(load.fit, [point.load_counts for point in pressed]).max())
    _store(with_overload(part, largest_n))


def _table(file: Path) -> Table:
    return read_table(read_bytes(file), file.name)


def _store(part: NewPart) -> None:
    with open_book(book_path(), create=True) as db:
        for line in _summary(db, part, store_part(db, part)):
            click.echo(line)


def _summary(db: Database, part: NewPart, calibration_id: str | None) -> list[str]:
    """Say what was stored, how well it fits, and what is still missing."""
    shown = units()
    in_n = part.kind == "load"
    shown_as, unit = (shown.load_value, shown.load) if in_n else (shown.length_value, shown.length)
    lines = [
        f"Stored the {part.kind} calibration from {part.fit.points} points ({part.origin}): "
        f"residual sd {significant(shown_as(part.fit.residual_sd), 3)} {unit}."
    ]
    lines += [f"Note: {describe(note, shown)}." for note in part.notes]
    if part.gravity_m_s2 is not None and part.gravity_m_s2 != STANDARD_GRAVITY_M_S2:
        lines.append(f"{gravity_words(part.gravity_m_s2, shown)}.")
    if calibration_id is None:
        missing, command = ("travel", "gauge") if in_n else ("load", "weigh")
        lines.append(f"The {missing} is still to be calibrated: coilbench rig {command}")
    elif newest_part(db, "flex", part.device_id) is None:
        lines.append("How far the press gives is not measured yet: coilbench rig flex")
    if Ratings.of_book(db).least is None:
        lines.append(
            "What cell and press may bear is not told, so overload is not watched: "
            "coilbench rig ratings --cell 200kg --press 150kg"
        )
    return lines


def with_overload(part: NewPart, largest_n: float, *, pressed: bool = True) -> NewPart:
    """Note it where a calibration went past what the cell or the press may bear."""
    told = told_ratings()
    over = too_much(told.cell_n, told.press_n if pressed else None, largest_n, largest_n)
    if over is None or over.kind != "overload":
        return part
    return part.noted(Finding("pressed_over", over.facts))


def _given_port(port: str | None) -> str:
    """Return the rig's port; CoilbenchError where none was given."""
    if port is None:
        raise CoilbenchError(
            "guided calibration needs the rig's port",
            hint="Give --port (see: coilbench rig find), or --from FILE",
        )
    return port
