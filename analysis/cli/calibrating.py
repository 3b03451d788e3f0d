"""What calibrations at the rig have in common: where points come from, what is stored and said."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from coilbench.analysis.cli.common import units
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.inputs.files import read_bytes
from coilbench.analysis.report.card_text import gravity_words
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import significant
from coilbench.capture.blocks import Finding
from coilbench.capture.book.calibrations import newest_part, store_part
from coilbench.capture.book.connection import Database
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.ratings import Ratings
from coilbench.capture.calibration.checks import STANDARD_GRAVITY_M_S2
from coilbench.capture.calibration.model import NewPart
from coilbench.capture.calibration.overload import too_much
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.tables.csv_table import Table, read_table


def can_ask() -> bool:
    """Tell whether there is somebody to answer."""
    return sys.stdin.isatty()


def table(file: Path) -> Table:
    """Read a file of points."""
    return read_table(read_bytes(file), file.name)


def given_port(port: str | None) -> str:
    """Return the rig's port; CoilbenchError where none was given."""
    if port is None:
        raise CoilbenchError(
            "guided calibration needs the rig's port",
            hint="Give --port (see: coilbench rig find), or --from FILE",
        )
    return port


def store(part: NewPart, largest_n: float | None = None, *, pressed: bool = True) -> None:
    """Store a calibration, and say what was stored and what is still missing.

    Args:
        largest_n: how far the cell was loaded for it, or the press pressed; None: no further.
    """
    with open_book(book_path(), create=True) as db:
        if largest_n is not None:
            part = _with_overload(part, Ratings.of_book(db), largest_n, pressed=pressed)
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


def _with_overload(part: NewPart, told: Ratings, largest_n: float, *, pressed: bool) -> NewPart:
    """Note it where a calibration went past what the cell or the press may bear."""
    over = too_much(told.cell_n, told.press_n if pressed else None, largest_n, largest_n)
    if over is None or over.kind != "overload":
        return part
    return part.noted(Finding("pressed_over", over.facts))
