"""`coilbench rig check`: a check weight, the trend of checks, or the rig's health."""

from __future__ import annotations

import math

import click

from coilbench.analysis.cli.check_history import (
    check_document,
    show_history,
    trend_document,
    trend_words,
)
from coilbench.analysis.cli.common import (
    book_path,
    json_option,
    print_document,
    say_aside,
    units,
)
from coilbench.analysis.cli.rig_health import check_health
from coilbench.analysis.rig.check import MassReading, MassVerdict, Trend, judge_mass, trend
from coilbench.analysis.rig_record import past_checks, rig_warnings
from coilbench.capture.book.calibrations import PartRecord, newest_part
from coilbench.capture.book.checks import NewCheck, mass_checks, set_good_for_days, store_check
from coilbench.capture.book.opening import open_book
from coilbench.capture.calibration.fit import ASSUMED_MASS_U_RELATIVE, STANDARD_GRAVITY_M_S2
from coilbench.capture.calibration.guided import sample_stream, weigh_holds
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.messages import Hello
from coilbench.capture.running.locks import hold_port
from coilbench.capture.sources import open_source
from coilbench.capture.sources.identify import identify
from coilbench.capture.units import KGF_N, parse_fraction, parse_load_n



@click.command(
    name="check",
    epilog="Examples: coilbench rig check --port /dev/ttyUSB0 ; coilbench rig check --port "
    "/dev/ttyUSB0 --mass 20kg ; coilbench rig check --history",
)
@click.option("--port", help="Where the rig is; any port URL.")
@click.option("--mass", help="A check weight, e.g. 20kg: pass or fail, kept in the book.")
@click.option("--mass-u", help="The weight's expanded uncertainty (k = 2), e.g. 10g as 0.01kg.")
@click.option("--tolerance", help="Largest error that passes, e.g. 1% or 0.2kg.  [default: 1%]")
@click.option("--history", is_flag=True, help="List the checks and how they go with time.")
@click.option(
    "--good-for",
    "good_for",
    type=click.FloatRange(min=0.0, min_open=True),
    help="Days that a calibration or a check stands for, from now on.  [default: 90, common "
    "practice]",
)
@click.option(
    "--seconds",
    type=click.FloatRange(min=2.0),
    default=10.0,
    show_default=True,
    help="Health: how long to listen to the resting rig.",
)
@click.option("--hands-off", is_flag=True, help="Health: listen only, ask for no press.")
@json_option
def check_command(
    port: str | None,
    mass: str | None,
    mass_u: str | None,
    tolerance: str | None,
    history: bool,
    good_for: float | None,
    seconds: float,
    hands_off: bool,
    as_json: bool,
) -> None:
    """Check the rig: with a known weight, or without one its health.

    With --mass: the weight's reading against what it is, stored in the book; a failed or overdue
    check shows on every later report. Without: rate, noise, drift, losses, and by a press which
    way cell and encoder are wired. Exits with 1 when the check failed or something is wrong.
    """
    if good_for is not None:
        _set_limit(good_for)
    if history:
        show_history(as_json)
        return
    if port is None:
        if good_for is not None:
            return
        raise CoilbenchError(
            "a check needs the rig's port", mend="Give --port (see: coilbench rig find)"
        )
    if mass is None:
        sound = check_health(port, seconds, hands_off, as_json)
    else:
        sound = _check_mass(port, parse_mass_kg(mass), mass_u, tolerance, as_json)
    if not sound:
        raise click.exceptions.Exit(1)


def parse_mass_kg(text: str) -> float:
    """Read a mass with its unit, kg or lb.

    Raises:
        CoilbenchError: not a mass.
    """
    if text.strip().lower().endswith("n"):
        raise CoilbenchError(f"{text!r} is a load, not a mass", mend="Write it like 20kg or 44lb")
    return parse_load_n(text) / KGF_N


def _set_limit(days: float) -> None:
    if not math.isfinite(days):
        raise CoilbenchError("a number of days must be finite", mend="For example --good-for 60")
    with open_book(book_path(), create=True) as db:
        set_good_for_days(db, days)
    click.echo(f"A calibration and a check now stand for {days:g} days.", err=True)


def _check_mass(
    port: str, mass_kg: float, mass_u: str | None, tolerance: str | None, as_json: bool
) -> bool:
    part = _load_part()
    gravity = STANDARD_GRAVITY_M_S2 if part.gravity_m_s2 is None else part.gravity_m_s2
    tolerance_n = None if tolerance is None else _tolerance_n(tolerance, mass_kg * gravity)
    u_relative = ASSUMED_MASS_U_RELATIVE if mass_u is None else parse_mass_kg(mass_u) / mass_kg
    with hold_port(port), open_source(port) as source:
        hello, seen = identify(source)
        _refuse_other_rig(part, hello)
        stream = sample_stream(source, seen)
        zero, loaded = weigh_holds(stream, (0.0, mass_kg), say_aside)
    reading = MassReading(
        mass_kg, zero.load_counts, loaded.load_counts, loaded.load_sd_counts, loaded.n
    )
    verdict = judge_mass(
        part.fit,
        reading,
        gravity_m_s2=gravity,
        mass_u_relative=u_relative / 2.0,
        tolerance_n=tolerance_n,
    )
    with open_book(book_path()) as db:
        record = store_check(
            db,
            NewCheck(
                load_part_id=part.part_id,
                device_id=hello.device_id,
                mass_kg=mass_kg,
                gravity_m_s2=gravity,
                zero_counts=reading.zero_counts,
                load_counts=reading.load_counts,
                load_sd_counts=reading.load_sd_counts,
                error_n=verdict.error_n,
                error_u_n=verdict.error_u_n,
                tolerance_n=verdict.tolerance_n,
                passed=verdict.passed,
            ),
        )
        past = past_checks(mass_checks(db, part.part_id))
        warned = rig_warnings(db)
    if as_json:
        print_document(
            {
                "check": check_document(record),
                "expected_n": verdict.expected_n,
                "load_n": verdict.load_n,
                "trend": trend_document(trend(past)),
                "warnings": list(warned),
            }
        )
    else:
        _show_verdict(mass_kg, verdict, trend(past))
    return verdict.passed


def _load_part() -> PartRecord:
    with open_book(book_path()) as db:
        part = newest_part(db, "load")
    if part is None:
        raise CoilbenchError(
            "the load is not calibrated yet, so that there is nothing to check",
            mend="First: coilbench rig weigh",
        )
    return part


def _refuse_other_rig(part: PartRecord, hello: Hello) -> None:
    if part.device_id is not None and part.device_id != hello.device_id:
        raise CoilbenchError(
            f"this is the rig {hello.device_id}, the load calibration is of {part.device_id}",
            mend="Connect that rig, name its book with --book, or calibrate this one",
        )


def _tolerance_n(text: str, expected_n: float) -> float:
    is_share = text.strip().endswith("%")
    tolerance_n = parse_fraction(text) * expected_n if is_share else parse_load_n(text)
    if tolerance_n <= 0.0:
        raise CoilbenchError(
            f"a tolerance of {text} lets nothing pass", where="--tolerance", mend="Give one above 0"
        )
    return tolerance_n


def _show_verdict(mass_kg: float, verdict: MassVerdict, goes: Trend | None) -> None:
    shown = units()
    percent = verdict.error_n / verdict.expected_n * 100.0
    click.echo(
        f"{'PASS' if verdict.passed else 'FAIL'}: {mass_kg:g} kg presses with "
        f"{shown.load_text(verdict.expected_n)} and reads {shown.load_text(verdict.load_n)}, "
        f"{percent:+.2f} % off (known to ± {verdict.error_u_n / verdict.expected_n * 100:.2f} %, "
        f"k = 2); {verdict.tolerance_n / verdict.expected_n * 100:.2f} % is allowed."
    )
    if verdict.drifted and verdict.passed:
        click.echo(
            "That is more than calibration and weight are unsure of: something has moved since "
            "the calibration. Check again soon."
        )
    if goes is not None:
        click.echo(trend_words(goes))
    if not verdict.passed:
        click.echo(
            "Check that the weight stands free and the cell is clean and square; if it fails "
            "again, calibrate anew: coilbench rig weigh"
        )
