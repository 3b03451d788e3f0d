"""`coilbench rig weigh`: the load by known masses, guided or from a CSV file; a scale's, too.

What is asked about the masses is asked before they are read. Where the input is no terminal nobody
can answer: then the cautious answer is taken, or the calibration is refused.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import click
from msgspec.structs import replace

from coilbench.analysis.cli.calibrating import can_ask, given_port, store, table
from coilbench.analysis.cli.common import say_aside, units
from coilbench.analysis.cli.guiding import GuidedRig
from coilbench.analysis.cli.known_rig import KnownRig
from coilbench.analysis.cli.overload import refuse_overload
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.report.card_text import gravity_words
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import fixed
from coilbench.capture.blocks import Finding
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.scales import store_scale
from coilbench.capture.calibration.checks import STANDARD_GRAVITY_M_S2
from coilbench.capture.calibration.fit import LEAST_MASSES, load_part
from coilbench.capture.calibration.keyed_setup import ScalePoint
from coilbench.capture.calibration.known_points import LoadPoint, MassesErr
from coilbench.capture.calibration.scale import calibrate_scale
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.plain import as_typed
from coilbench.capture.tables.columns import read_points
from coilbench.capture.unit_factors import KGF_N
from coilbench.capture.units import parse_fraction, parse_number

_KINDS = click.Choice(["each", "together"])
_HOW_THEY_ERR = (
    "Was each mass certified, or weighed on something much better, by itself (each)? Or are they "
    "from one box, stacked, or unknown (together)?"
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
    known = KnownRig.look()
    gravity = _gravity(gravity_m_s2, known)
    if scale_name is not None:
        _refuse_for_scale(masses_err, masses_u)
        _store_scale(scale_name, file, gravity)
        return
    if file is not None:
        points = _with_u(read_points(table(file), LoadPoint), masses_u)
        part = load_part(points, file.name, gravity, masses_err or "together")
        if any(point.mass_kg == 0.0 for point in points):
            part = part.noted(Finding("zero_unchecked"))
        largest_n = gravity * max(point.mass_kg for point in points)
        store(part, largest_n, pressed=False)
        return
    port, masses_kg = given_port(port), _checked_masses_kg(masses)
    refuse_overload(known.ratings, gravity * max(masses_kg), "--masses", pressed=False)
    masses_err, masses_u = _asked_masses_err(masses_err, masses_u)
    with GuidedRig.open(port, ring=bell) as rig:
        read = rig.weigh(masses_kg, masses_u, afresh=afresh)
    with rig.kept_until_stored("weigh"):
        part = load_part(_with_u(read.points, masses_u), "guided", gravity, masses_err)
        store(part.noted(read.zero_note).on(rig.hello))


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


def _gravity(given_m_s2: float | None, known: KnownRig) -> float:
    """Return local gravity: as given, else as at the calibration before, else the standard."""
    if given_m_s2 is not None:
        return given_m_s2
    before = None if known.load is None else known.load.gravity_m_s2
    return STANDARD_GRAVITY_M_S2 if before is None else before


def _store_scale(name: str, file: Path | None, gravity_m_s2: float) -> None:
    if file is None:
        raise CoilbenchError(
            "a scale is calibrated from a file of what it shows",
            hint="Give --from FILE with the columns mass_kg,shown_kg",
        )
    scale = calibrate_scale(name, read_points(table(file), ScalePoint), file.name, gravity_m_s2)
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


def _checked_masses_kg(text: str) -> list[float]:
    """Read the list of masses: nothing on the cell first, then two different ones or more.

    Raises:
        CoilbenchError: it is another list.
    """
    masses_kg = [parse_number(one.lower().strip().removesuffix("kg")) for one in text.split(",")]
    if any(mass_kg < 0.0 for mass_kg in masses_kg):
        raise CoilbenchError("a mass is below 0", where="--masses", hint="Give 0 or more")
    if masses_kg[0] != 0.0:
        raise CoilbenchError(
            "the first mass must be 0: by the empty cell is known what is on it later",
            where="--masses",
            hint=f"Write it like 0,{text}",
        )
    if len(set(masses_kg)) < LEAST_MASSES:
        raise CoilbenchError(
            f"fewer than {LEAST_MASSES} different masses, 0 among them, check nothing",
            where="--masses",
            hint="Write it like 0,5,10,20,10,5,0",
        )
    return masses_kg


def _asked_masses_err(
    masses_err: MassesErr | None, masses_u: float | None
) -> tuple[MassesErr, float | None]:
    """Ask how the masses err, and how much where it matters; without a terminal: together.

    Raises:
        CoilbenchError: they err each by itself, but nobody says how much.
    """
    if masses_err is None and can_ask():
        say_aside(_HOW_THEY_ERR)
        answer = click.prompt("The masses err", type=_KINDS, default="together")
        masses_err = "each" if answer == "each" else "together"
    if masses_err != "each":
        return "together", masses_u
    if masses_u is None:
        if not can_ask():
            raise CoilbenchError(
                "masses that err each by itself need their uncertainty",
                where="--masses-err each",
                hint="Give it with --masses-u, e.g. 0.02%, or: --masses-err together",
            )
        masses_u = click.prompt(
            "The expanded uncertainty of each (k = 2), e.g. 0.02%", value_proc=_fraction
        )
    return "each", masses_u


def _fraction(text: str) -> float:
    try:
        return parse_fraction(text)
    except CoilbenchError as error:
        raise click.UsageError(error.what) from error
