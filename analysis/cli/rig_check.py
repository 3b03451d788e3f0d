"""`coilbench rig check`: a check weight, the history of checks, or the rig's health."""

from __future__ import annotations

import math
from functools import partial
from typing import Any

import click
from msgspec.structs import asdict

from coilbench.analysis.cli.common import print_document, say_aside, show_warnings, units
from coilbench.analysis.cli.guiding import calibrated_part, on_this_rig, part_of_rig
from coilbench.analysis.cli.overload import (
    ALARMS,
    alarm_words,
    overload_watch,
    refuse_overload,
    say_alarms,
)
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.inputs.rig_record import (
    Listener,
    calibration_if_any,
    check_history,
    check_rig,
    judge_check,
    zero_drift,
)
from coilbench.analysis.report.card_text import health_document, health_lines
from coilbench.analysis.report.document import describe, picked
from coilbench.analysis.report.drift_text import drift_words
from coilbench.analysis.report.phrases import CAUTION
from coilbench.analysis.rig.check import MassReading, gravity_of
from coilbench.capture.blocks import Finding
from coilbench.capture.book.calibrations import CheckRecord, set_good_for_days
from coilbench.capture.book.opening import hold_port, open_book
from coilbench.capture.calibration.known_points import ASSUMED_MASS_U_RELATIVE
from coilbench.capture.calibration.weigh_guide import WeighGuide
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.running.guided import follow, sample_stream
from coilbench.capture.sources import open_source
from coilbench.capture.sources.base import identify
from coilbench.capture.unit_factors import KGF_N
from coilbench.capture.units import parse_fraction, parse_load_n, parse_weight_n

_PRESS = "Now press the quill down some millimetres on something springy, and let it up."


def _show_history(as_json: bool) -> None:
    with open_book(book_path()) as db:
        history = check_history(db)
    if as_json:
        checks = [_check_document(record) for record in history.records]
        print_document({"checks": checks, **picked(history, "trend warnings")})
        return
    if not history.records:
        click.echo("No check yet. Make one with: coilbench rig check --port PORT --mass 20kg")
    for record, past, current in zip(history.records, history.past, history.current, strict=True):
        why = "" if current else "   (an earlier calibration)"
        why = why if record.counts else "   (another bench's, which does not count)"
        click.echo(describe(past, units()) + why)
    if history.trend is not None:
        click.echo(f"{describe(history.trend, units())}.")
    show_warnings(history.warnings)


def _check_document(record: CheckRecord) -> dict[str, Any]:
    known = {"check_id": record.check_id, "made_utc": record.made_utc, "counts": record.counts}
    return known | asdict(record.check)


def _check_health(port: str, seconds: float, hands_off: bool, as_json: bool) -> bool:
    with hold_port(port), open_source(port) as source:
        hello, seen = identify(source)
        calibration = calibration_if_any(book_path(), hello.device_id)
        say_aside(f"Leave the rig alone for {seconds:g} s.")
        press = f"{CAUTION} Never exceed the press's or the cell's rating.\n{_PRESS}"
        ask = None if hands_off else partial(say_aside, press)
        watch = overload_watch(part_of_rig("load", hello))
        listener = Listener(source, hello, seen, lambda samples: say_alarms(watch, samples))
        health = check_rig(listener, seconds, calibration, ask)
    drift = zero_drift(book_path(), hello, health)
    if as_json:
        print_document({**health_document(hello, health), "zero": drift})
    else:
        for line in health_lines(hello, health, units()):
            click.echo(line)
        if drift is not None:
            click.echo(f"{drift_words(drift, units())}.")
    return not health.findings


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
    """Check the rig: with a known weight, or without one its health."""
    if good_for is not None:
        _set_limit(good_for)
    if history:
        _show_history(as_json)
        return
    if port is None:
        if good_for is not None:
            return
        raise CoilbenchError(
            "a check needs the rig's port", hint="Give --port (see: coilbench rig find)"
        )
    if mass is None:
        sound = _check_health(port, seconds, hands_off, as_json)
    else:
        sound = _check_mass(port, _parse_mass_kg(mass), mass_u, tolerance, as_json)
    if not sound:
        raise click.exceptions.Exit(1)


def _parse_mass_kg(text: str) -> float:
    """Read a mass with its unit, kg, g, lb or oz; a force is refused."""
    if text.strip().lower().endswith("n"):
        raise CoilbenchError(f"{text!r} is a load, not a mass", hint="Write it like 20kg or 44lb")
    return parse_weight_n(text) / KGF_N


def _set_limit(days: float) -> None:
    if not math.isfinite(days):
        raise CoilbenchError("a number of days must be finite", hint="For example --good-for 60")
    with open_book(book_path(), create=True) as db:
        set_good_for_days(db, days)
    click.echo(f"A calibration and a check are now valid for {days:g} days.", err=True)


def _check_mass(
    port: str, mass_kg: float, mass_u: str | None, tolerance: str | None, as_json: bool
) -> bool:
    part = calibrated_part("load", "weigh")
    refuse_overload(mass_kg * gravity_of(part), "--mass", pressed=False)
    tolerance_n = None if tolerance is None else _tolerance_n(tolerance, mass_kg * gravity_of(part))
    u_relative = ASSUMED_MASS_U_RELATIVE if mass_u is None else _parse_mass_kg(mass_u) / mass_kg
    with hold_port(port), open_source(port) as source:
        hello, seen = identify(source)
        part = on_this_rig(part, hello, "weigh")
        guide = WeighGuide((0.0, mass_kg))
        stream = sample_stream(source, seen)
        follow(stream, guide, _say, watch=overload_watch(part, pressed=False))
    zero, loaded = guide.holds
    reading = MassReading(
        mass_kg, zero.load_counts, loaded.load_counts, loaded.load_sd_counts, loaded.n
    )
    with open_book(book_path()) as db:
        record, verdict = judge_check(
            db, part, hello.device_id, reading, u_relative / 2.0, tolerance_n
        )
        history = check_history(db, hello.device_id)
    if as_json:
        told = {"check": _check_document(record), **picked(verdict, "expected_n load_n")}
        print_document(told | picked(history, "trend warnings"))
    else:
        for finding in (verdict, history.trend):
            if finding is not None:
                click.echo(f"{describe(finding, units())}.")
    return verdict.passed


def _say(step: Finding) -> None:
    say_aside(alarm_words(step) if step.kind in ALARMS else describe(step, units()))


def _tolerance_n(text: str, expected_n: float) -> float:
    is_share = text.strip().endswith("%")
    tolerance_n = parse_fraction(text) * expected_n if is_share else parse_load_n(text)
    if tolerance_n <= 0.0:
        raise CoilbenchError(
            f"a tolerance of {text} lets nothing pass", where="--tolerance", hint="Give one above 0"
        )
    return tolerance_n
