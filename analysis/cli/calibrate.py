"""`coilbench rig weigh`, `gauge` and `flex`: guided at the rig, or from a CSV file."""

from __future__ import annotations

from pathlib import Path

import click
from sqlite_utils import Database

from coilbench.analysis.cli.common import LENGTH, LOAD, NUMBER, read_bytes, units
from coilbench.analysis.cli.guiding import GuidedRig, calibrated_part, refuse_other_rig
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.inputs.rig_record import rig_warnings
from coilbench.analysis.report.card_text import gravity_words
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import fixed, significant
from coilbench.capture.book.calibrations import newest_part, store_part, store_scale
from coilbench.capture.book.opening import open_book
from coilbench.capture.calibration.checks import STANDARD_GRAVITY_M_S2
from coilbench.capture.calibration.fit import load_part, travel_part
from coilbench.capture.calibration.flex_fit import flex_part
from coilbench.capture.calibration.model import NewPart, datum_part
from coilbench.capture.calibration.regression import FlexPoint, GaugePoint, LoadPoint
from coilbench.capture.calibration.scale import ScalePoint, calibrate_scale
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.tables.columns import read_points
from coilbench.capture.tables.csv_table import Table, read_table
from coilbench.capture.units import parse_length_mm, parse_number

DEFAULT_MASSES_KG = "0,5,10,20,10,5,0"

from_option = click.option(
    "--from",
    "file",
    type=click.Path(path_type=Path),
    help="Take the points from this CSV file instead of the rig.",
)
port_option = click.option("--port", help="Where the rig is, for guided calibration.")
bell_option = click.option(
    "--bell/--no-bell", default=True, help="Guided: ring the terminal's bell at each reading."
)
afresh_option = click.option(
    "--afresh", is_flag=True, help="Guided: start again, though points of an earlier run are kept."
)


@click.command(
    name="weigh",
    epilog="Examples: coilbench rig weigh --port /dev/ttyUSB0 --masses 0,10,20,40,20,10,0 ; "
    "coilbench rig weigh --from weights.csv",
)
@from_option
@port_option
@click.option(
    "--masses",
    default=DEFAULT_MASSES_KG,
    help="Guided: the known masses in kg, in order, up and down again.",
)
@click.option(
    "--gravity",
    "gravity_m_s2",
    type=NUMBER,
    help="Local gravity in m/s2, e.g. 9.81; a mass presses with itself times this.  [default: as "
    "at the calibration before, else 9.80665]",
)
@click.option(
    "--scale",
    "scale_name",
    help="Calibrate a bathroom scale of this name for `coilbench note` instead; needs --from.",
)
@afresh_option
@bell_option
def weigh_command(
    file: Path | None,
    port: str | None,
    masses: str,
    gravity_m_s2: float | None,
    scale_name: str | None,
    afresh: bool,
    bell: bool,
) -> None:
    """Calibrate the load with known masses, up and down.

    The file's columns: mass_kg,counts[,direction][,u_kg]; direction up or down; u_kg the mass's
    expanded uncertainty (k = 2), else 0.1 % is assumed. A scale's file has mass_kg,shown_kg and
    the same two.
    """
    gravity = _gravity(gravity_m_s2)
    if scale_name is not None:
        _store_scale(scale_name, file, gravity)
        return
    if file is not None:
        _store(load_part(read_points(_table(file), LoadPoint), file.name, gravity))
        return
    masses_kg = [parse_number(text.lower().removesuffix("kg")) for text in masses.split(",")]
    with GuidedRig.open(port, ring=bell) as rig:
        points = rig.weigh(masses_kg, afresh=afresh)
    with rig.kept_until_stored("weigh"):
        _store(load_part(points, "guided", gravity).on(rig.hello))


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
    click.echo(f"  One reading scatters by {shown.load_text(scale.repeatability_n)}.")
    for note in scale.notes:
        click.echo(f"Note: {describe(note, units())}.")
    if gravity_m_s2 != STANDARD_GRAVITY_M_S2:
        click.echo(f"{gravity_words(gravity_m_s2, units())}.")
    click.echo(f"Next: coilbench note --set SET --scale {scale.name}")


@click.command(
    name="gauge",
    epilog="Examples: coilbench rig gauge --port /dev/ttyUSB0 --lengths 50mm,40mm,30mm,20mm ; "
    "coilbench rig gauge --port /dev/ttyUSB0 --datum 30mm",
)
@from_option
@port_option
@click.option("--lengths", help="Guided: the gauge lengths in order, e.g. 50mm,40mm,30mm,0mm.")
@click.option(
    "--datum",
    type=LENGTH,
    help="Set the datum again on this one gauge, keeping the scale factor (after a restart).",
)
@afresh_option
@bell_option
def gauge_command(
    file: Path | None,
    port: str | None,
    lengths: str | None,
    datum: float | None,
    afresh: bool,
    bell: bool,
) -> None:
    """Calibrate the travel with known lengths between the faces (0 mm: the faces touch).

    The file's columns: length_mm,counts[,u_mm].
    """
    if file is not None:
        _store(travel_part(read_points(_table(file), GaugePoint), file.name))
        return
    if lengths is not None and datum is None:
        lengths_mm = [parse_length_mm(text) for text in lengths.split(",")]
        with GuidedRig.open(port, ring=bell) as rig:
            points = rig.gauge(lengths_mm, afresh=afresh)
        with rig.kept_until_stored("gauge"):
            _store(travel_part(points, "guided").on(rig.hello))
    elif datum is not None and lengths is None:
        command = "gauge --lengths 50mm,40mm,30mm"
        travel = calibrated_part("travel", command)
        with GuidedRig.open(port, ring=bell) as rig:
            refuse_other_rig(travel, rig.hello, command)
            _store(datum_part(travel.fit, rig.datum(datum)).on(rig.hello))
    else:
        raise CoilbenchError("give --lengths, --datum or --from", hint="See: rig gauge --help")


@click.command(
    name="flex",
    epilog="Examples: coilbench rig flex --port /dev/ttyUSB0 --to 90kg ; "
    "coilbench rig flex --from block.csv",
)
@from_option
@port_option
@click.option(
    "--to",
    "least_n",
    type=LOAD,
    default="60kg",
    help="Guided: the load to press the block to; above your springs' highest load.",
)
@bell_option
def flex_command(file: Path | None, port: str | None, least_n: float, bell: bool) -> None:
    """Measure how far the press gives, by pressing on a solid block.

    Never exceed the press's or the cell's rating. The file's columns: load_counts,travel_counts.
    """
    load, travel = calibrated_part("load", "weigh"), calibrated_part("travel", "gauge")
    if file is not None:
        points = read_points(_table(file), FlexPoint)
        part = flex_part(points, load.fit, travel.fit, file.name)
    else:
        with GuidedRig.open(port, ring=bell) as rig:
            refuse_other_rig(load, rig.hello, "weigh")
            refuse_other_rig(travel, rig.hello, "gauge")
            pressed = rig.press(load.fit, least_n)
            part = flex_part(pressed, load.fit, travel.fit, "guided").on(rig.hello)
    _store(part)


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
    value, unit = (shown.load_value, shown.load) if in_n else (shown.length_value, shown.length)
    lines = [
        f"Stored the {part.kind} calibration from {part.fit.points} points ({part.origin}): "
        f"residual sd {significant(value(part.fit.residual_sd), 3)} {unit}."
    ]
    lines += [f"Note: {describe(note, shown)}." for note in part.notes]
    if part.gravity_m_s2 is not None and part.gravity_m_s2 != STANDARD_GRAVITY_M_S2:
        lines.append(f"{gravity_words(part.gravity_m_s2, shown)}.")
    if calibration_id is None:
        missing, command = ("travel", "gauge") if in_n else ("load", "weigh")
        lines.append(f"The {missing} is still to be calibrated: coilbench rig {command}")
    elif newest_part(db, "flex") is None:
        lines.append("How far the press gives is not measured yet: coilbench rig flex")
    mixed = (one for one in rig_warnings(db) if one.kind == "mixed_rigs")
    return lines + [f"Warning: {describe(one, units())}." for one in mixed]
