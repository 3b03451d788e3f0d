"""`set check --calibration` and `--against`: the same strokes by old and new calibrations."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import click
from sqlite_utils import Database

from coilbench.analysis.cli.common import console, load_cell, plain_table
from coilbench.analysis.curves.curve import (
    BranchChoice,
    HeightNotMeasured,
    Reading,
    SpringCurve,
)
from coilbench.analysis.measured import measured_curves
from coilbench.capture.book.rereading import OWN, Used, chosen, used_calibrations
from coilbench.capture.book.sets import SetRecord
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.units import Units, counted


@dataclass(frozen=True)
class Pair:
    """One spring's load at one height by two calibrations; None where it was not measured."""

    label: str
    height_mm: float
    by_this: Reading | None
    by_other: Reading | None


@dataclass(frozen=True)
class Readings:
    """What a set was captured with, and how its loads are by one calibration against another.

    Attributes:
        used: calibrations the raw strokes were captured with; none of a set without raw strokes.
        names: the calibrations compared, as `own` or an id; one alone where nothing is compared.
        pairs: one a spring and height.
    """

    used: tuple[Used, ...]
    names: tuple[str, ...]
    pairs: tuple[Pair, ...]

    def to_document(self) -> dict[str, Any]:
        """Return it for JSON: `calibration`, `captured_with`, and `against` where compared."""
        document: dict[str, Any] = {
            "calibration": self.names[0],
            "captured_with": [asdict(one) for one in self.used],
        }
        if len(self.names) > 1:
            document["against"] = {
                "calibration": self.names[1],
                "readings": [
                    {
                        "label": pair.label,
                        "height_mm": pair.height_mm,
                        **_numbers("load", pair.by_this),
                        **_numbers("against", pair.by_other),
                    }
                    for pair in self.pairs
                ],
            }
        return document


def calibration_readings(
    db: Database,
    record: SetRecord,
    branch: BranchChoice,
    choices: tuple[str, str | None],
    heights_mm: Sequence[float],
) -> Readings:
    """Read a set by the chosen calibration, and by another where one is named.

    Raises:
        CoilbenchError: no such calibration, or the set has no raw strokes to read anew.
    """
    used = used_calibrations(db, record)
    this, other = choices
    if not used and (this != OWN or other is not None):
        raise CoilbenchError(
            f"set {record.name!r} has no raw strokes: converted and keyed readings know no other "
            "calibration",
            mend="Leave --calibration and --against away",
        )
    if other is None:
        return Readings(used, (_name(db, this),), ())
    curves = {
        choice: {curve.label: curve for curve in measured_curves(db, record, branch, choice)[0]}
        for choice in (this, other)
    }
    pairs = [
        Pair(label, height_mm, _read(curve, height_mm), _read(curves[other].get(label), height_mm))
        for label, curve in curves[this].items()
        for height_mm in heights_mm
    ]
    return Readings(used, (_name(db, this), _name(db, other)), tuple(pairs))


def show_readings(readings: Readings, shown: Units) -> None:
    """Print what the strokes were read with, and old against new where they are compared."""
    if readings.names[0] != OWN:
        captured = ", ".join(
            f"{one.calibration_id[:8]} of {one.made_utc[:10]} ({counted(one.sweeps, 'stroke')})"
            for one in readings.used
        )
        click.echo(f"Read with calibration {readings.names[0]}; captured with {captured}.")
    if not readings.pairs:
        return
    this, other = (name[:8] for name in readings.names)
    table = plain_table(
        "spring", ">height", f">by {this}\n{shown.load}", f">by {other}\n{shown.load}", ">change"
    )
    for pair in readings.pairs:
        table.add_row(
            pair.label,
            shown.length_text(pair.height_mm),
            _cell(pair.by_this, shown),
            _cell(pair.by_other, shown),
            _change(pair, shown),
        )
    console().print(table)


def _name(db: Database, choice: str) -> str:
    record = chosen(db, choice)
    return OWN if record is None else record.calibration_id


def _read(curve: SpringCurve | None, height_mm: float) -> Reading | None:
    if curve is None:
        return None
    try:
        return curve.load_at(height_mm)
    except HeightNotMeasured:
        return None


def _numbers(name: str, reading: Reading | None) -> dict[str, float | None]:
    return {
        f"{name}_n": None if reading is None else reading.load_n,
        f"{name}_u_n": None if reading is None else reading.load_u_n,
    }


def _cell(reading: Reading | None, shown: Units) -> str:
    return "-" if reading is None else load_cell(reading.load_n, reading.load_u_n, shown)


def _change(pair: Pair, shown: Units) -> str:
    if pair.by_this is None or pair.by_other is None:
        return "-"
    return f"{shown.load_value(pair.by_this.load_n - pair.by_other.load_n):+.3f}"
