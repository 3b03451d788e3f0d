"""`coilbench rig check` without a weight: the rig's health, and which way its wires go."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import click
import numpy as np

from coilbench.analysis.cli.common import book_path, print_document, say_aside, units
from coilbench.analysis.listening import Listener
from coilbench.analysis.rig.findings import DRIFT_S, Finding
from coilbench.analysis.rig.health import Health, Heard, judge_health
from coilbench.analysis.rig.press import at_rest, moved, press_findings
from coilbench.capture.book.calibrations import current_calibration
from coilbench.capture.book.opening import open_book
from coilbench.capture.calibration.model import Calibration
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.messages import Hello
from coilbench.capture.running.locks import hold_port
from coilbench.capture.sources import open_source
from coilbench.capture.sources.identify import identify

PRESS_S = 20.0
PIECE_S = 0.5
CAUTION = (
    "Caution: a compressed spring can blind. Capture it at both ends, work the quill by hand, wear "
    "eye protection; never exceed the press's or the cell's rating."
)


def calibration_if_any() -> Calibration | None:
    """Return the calibration in force; None where there is no book or none in it."""
    path = book_path()
    if not path.exists():
        return None
    with open_book(path) as db:
        try:
            return current_calibration(db).calibration
        except CoilbenchError:
            return None  # counts are still worth looking at


def check_health(port: str, seconds: float, hands_off: bool, as_json: bool) -> bool:
    """Listen to a rig, judge it and print that; returns whether nothing is wrong."""
    calibration = calibration_if_any()
    with hold_port(port), open_source(port) as source:
        hello, seen = identify(source)
        listener = Listener(source, hello, seen)
        say_aside(f"Leave the rig alone for {seconds:g} s.")
        heard = listener.listen(seconds)
        health = judge_health(heard, calibration)
        to_press = not (hands_off or health.disturbed)  # else where it rests is not known
        pressed = _press(listener, heard, calibration) if to_press else None
    findings = [*health.findings, *(pressed or ())]
    if as_json:
        print_document(health_document(hello, health, findings, pressed is not None))
    else:
        show_health(hello, health, findings, pressed is not None)
    return not findings


def _press(
    listener: Listener, heard: Heard, calibration: Calibration | None
) -> Sequence[Finding] | None:
    """Ask for a press and judge it; None where the rig gives nothing to judge it by."""
    rest = at_rest(heard.samples)
    if rest is None or listener.ended:
        return None
    say_aside(CAUTION)
    say_aside("Now press the quill down some millimetres on something springy, and let it up.")
    pieces = [heard.samples[:0]]
    went = moved(pieces[0], rest, heard.um_per_count)
    for _ in range(round(PRESS_S / PIECE_S)):
        pieces.append(listener.listen(PIECE_S).samples)
        went = moved(np.concatenate(pieces), rest, heard.um_per_count)
        travelled = went.travel_counts != 0.0 or not heard.has_travel
        if listener.ended or pieces[-1].size == 0 or (went.load_counts != 0.0 and travelled):
            break
    return press_findings(went, calibration, has_travel=heard.has_travel)


def health_document(
    hello: Hello, health: Health, findings: Sequence[Finding], pressed: bool
) -> dict[str, Any]:
    """Return it for JSON; `pressed` tells whether the wiring's direction was judged."""
    return {
        "rig": {"device_id": hello.device_id, "firmware": hello.firmware, "travel": hello.travel},
        **{key: value for key, value in vars(health).items() if key != "findings"},
        "pressed": pressed,
        "findings": [finding._asdict() for finding in findings],
    }


def show_health(hello: Hello, health: Health, findings: Sequence[Finding], pressed: bool) -> None:
    """Print it for a person."""
    click.echo(f"Rig {hello.device_id}, {hello.firmware}, travel by {hello.travel}")
    for name, words in _figures(health):
        click.echo(f"  {name:<14}{words}")
    for finding in findings:
        click.echo(f"WRONG: {finding.what}. {finding.mend}.")
    if not findings:
        wiring = (
            "load and travel go the right way"
            if pressed
            else "which way load and travel go was not looked at"
        )
        click.echo(f"The rig is well; {wiring}.")


def _figures(health: Health) -> Iterator[tuple[str, str]]:
    rate = "unknown" if health.rate_hz is None else f"{health.rate_hz:.1f}"
    yield "rate", f"{rate} samples a second, nominal {health.nominal_hz:g}"
    shown = units()
    if health.noise_counts is not None and health.drift_counts is not None:
        noise, drift = f"{health.noise_counts:.0f} counts", f"{health.drift_counts:+.0f} counts"
        if health.noise_n is not None and health.drift_n is not None:
            noise += f", {shown.load_value(health.noise_n):.4f} {shown.load}"
            drift += f", {shown.load_value(health.drift_n):+.4f} {shown.load}"
        yield "load noise", f"{noise} (standard deviation of one sample)"
        yield f"drift in {DRIFT_S:g} s", drift
    if health.travel_noise_counts is not None:
        travel = f"{health.travel_noise_counts:.2f} counts"
        if health.travel_noise_um is not None:
            travel += f", {health.travel_noise_um:.1f} um"
        yield "travel noise", travel
    yield "load codes", f"{health.load_codes} different ones in {health.samples} samples"
    yield (
        "flagged",
        f"{health.saturated} saturated, {health.suspect} torn, {health.travel_absent} without "
        "travel",
    )
    yield (
        "link",
        f"{health.samples_lost} samples lost, {health.lines_bad} lines damaged, "
        f"{health.restarts} restarts",
    )
