"""`coilbench rig find` and `watch`; the calibrating commands join the same group."""

from __future__ import annotations

import time

import click

from coilbench.analysis.cli.common import print_document, units
from coilbench.analysis.cli.known_rig import KnownRig
from coilbench.analysis.cli.overload import overload_watch, say_alarms
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.inputs.rig_record import calibration_if_any
from coilbench.analysis.report.document import describe
from coilbench.analysis.rig.health import Hints
from coilbench.capture.blocks import Hello, RawBlock
from coilbench.capture.calibration.model import Calibration
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.plain import plain_line
from coilbench.capture.sources import open_source
from coilbench.capture.sources.base import identify
from coilbench.capture.sources.serial_port import find_ports
from coilbench.capture.strokes.sweep import apply

LINE_EVERY_S = 0.25


def find_command(as_json: bool) -> int:
    """List the ports and ask each USB port whether a rig is behind it; exit status 1: none is."""
    rows = []
    for port in find_ports():
        click.echo(f"asking {port.device} …", err=True)
        told: tuple[str | None, str] = None, "not on USB, not asked"
        if port.usb_id is not None:
            told = _identity(port.device)
        names = ("port", "description", "device_id", "words")
        rows.append(dict(zip(names, (port.device, port.description, *told), strict=True)))
    found = any(row["device_id"] for row in rows)
    if as_json:
        print_document({"ports": rows})
        return 0 if found else 1
    for row in rows:
        click.echo(f"{row['port']}  {plain_line(row['description'] or '-')}: {row['words']}")
    if not found:
        click.echo("No rig answered. Check the cable; to try without one: coilbench demo")
    return 0 if found else 1


def _identity(device: str) -> tuple[str | None, str]:
    """Return a rig's id and who it is; None and why not where none answers."""
    try:
        with open_source(device) as source:
            hello, _ = identify(source)
    except CoilbenchError as error:
        return None, error.what
    return hello.device_id, _rig_line(hello)


def _rig_line(hello: Hello) -> str:
    return (
        f"rig {hello.device_id}, {hello.firmware}, {hello.rate_hz:g} samples/s, "
        f"travel by {hello.travel}"
    )


def watch_command(port: str, seconds: float | None) -> None:
    """Print live counts, and load and height once the rig is calibrated. Ctrl-C ends it."""
    with open_source(port) as source:
        hello, seen = identify(source)
        calibration = calibration_if_any(book_path(), hello.device_id)
        click.echo(_rig_line(hello))
        hints = Hints(hello.rate_hz, calibration)
        hints.take(seen)
        watch = overload_watch(KnownRig.look(hello))
        begun_s = printed_s = time.monotonic()
        while seconds is None or time.monotonic() - begun_s < seconds:
            items = source.poll(0.1)
            hints.take(items)
            for item in items:
                if isinstance(item, RawBlock):
                    say_alarms(watch, item.samples)
            blocks = [item for item in items if isinstance(item, RawBlock) and len(item)]
            if time.monotonic() - printed_s >= LINE_EVERY_S:
                printed_s = time.monotonic()
                if blocks:
                    click.echo(_line(blocks[-1], calibration, source.counters.samples_lost))
                for finding in hints.news():
                    click.echo(f"WRONG: {describe(finding, units())}.")


def _line(block: RawBlock, calibration: Calibration | None, lost: int) -> str:
    newest = block.samples[-1]
    line = (
        f"load {newest['load_counts']:>9} counts   travel {newest['travel_counts']:>8} counts   "
        f"flags {newest['flags']:02X}   lost {lost}"
    )
    if calibration is None:
        return line
    sample = apply(calibration, RawBlock(block.samples[-1:])).samples[0]
    shown = units()
    load, height = float(sample["load_n"]), float(sample["height_mm"])
    return f"{line}   {shown.load_text(load)}   {shown.length_text(height)}"
