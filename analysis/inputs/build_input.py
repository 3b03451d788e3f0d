"""The build file and the lift table that it names, read from files."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from coilbench.analysis.engine.build_file import EVERY, BuildFile
from coilbench.analysis.engine.build_parsing import parse_build
from coilbench.analysis.engine.shims import ROLES
from coilbench.analysis.inputs.files import read_bytes
from coilbench.capture.book.connection import Database
from coilbench.capture.book.sets import name_in_book
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.tables.columns import Quantity, read_columns, refuse_rows
from coilbench.capture.tables.csv_table import Table, read_table
from coilbench.capture.unit_factors import INCH_MM

if TYPE_CHECKING:
    from coilbench.analysis.limits.valve_motion import LiftTable

# Columns say whose degrees: the crank's read as the cam's make accelerations four times too small.
CAM_PER_CRANK_DEG = 0.5  # four-stroke: the camshaft turns at half the crankshaft's speed
LEAST_OPEN_ROWS = 20  # ours: with fewer the acceleration is not usable
WHOLE_TURN_DEG = 360.0
STEPS = (0.1, 0.05, 0.02, 0.01, 0.005, 0.002, 0.001, 0.0005, 0.0002, 0.0001)  # as people write
STEP_SLACK = 1e-6  # of a step, what binary numbers leave

ANGLE = Quantity("cam_deg", {"cam_deg": 1.0, "crank_deg": CAM_PER_CRANK_DEG})
LIFTS = {
    "valve": Quantity("lift_mm", {"valve_lift_mm": 1.0, "valve_lift_in": INCH_MM}),
    "lobe": Quantity("lift_mm", {"lobe_lift_mm": 1.0, "lobe_lift_in": INCH_MM}),
}
AMBIGUOUS = {
    "deg": "degrees of the cam or of the crank: name the column cam_deg or crank_deg",
    "lift_mm": "of the valve or of the lobe: name the column valve_lift_mm or lobe_lift_mm",
    "lift_in": "of the valve or of the lobe: name the column valve_lift_in or lobe_lift_in",
}


def read_build(path: Path, *, from_book: bool = False) -> BuildFile:
    """Read a build file.

    Args:
        path: of the file.
        from_book: whether it may take every set of the book for candidates.

    Raises:
        CoilbenchError: it can't be read, or not be used.
    """
    build = parse_build(read_text(path), path.name)
    return build if from_book else with_named_sets(build)


def in_book(db: Database, build: BuildFile) -> BuildFile:
    """Return a build whose sets are called as the book calls them; all that reads sets begins here.

    At another bench the same names may mean other sets, or two of them one.

    Raises:
        CoilbenchError: the book has no set of a name, or one set has two names in the file.
    """
    names: dict[str, str] = {}
    for role in ROLES:
        for name in getattr(build.springs, role):
            called = name_in_book(db, name)
            before = next((given for given, known in names.items() if known == called), None)
            if before is not None:
                raise CoilbenchError(
                    f"{before!r} and {name!r} are one set in this book, {called!r}",
                    where=f"{build.name}, springs.{role}",
                    hint="Name each set once. A bare name may mean another set at each bench; see "
                    "those of this book: coilbench set list",
                )
            names[name] = called
    return build.renamed(names)


def with_named_sets(build: BuildFile) -> BuildFile:
    """Return a build whose sets are named.

    Raises:
        CoilbenchError: it takes every set of the book.
    """
    if build.springs.every:
        raise CoilbenchError(
            f'"{EVERY}" takes every set of the book, and this command needs sets by name',
            where=f"{build.name}, springs.{build.springs.every[0]}",
            hint="Name those that coilbench pair or assign chose",
        )
    return build


def read_text(path: Path) -> str:
    """Read a build file's text as it stands.

    Raises:
        CoilbenchError: it can't be read.
    """
    data = read_bytes(path, "the build file")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        what, hint = "the build file is not UTF-8 text", "Save it as UTF-8"
        raise CoilbenchError(what, where=str(path), hint=hint) from error


def lift_table_beside(build: BuildFile, build_path: Path) -> LiftTable | None:
    """Read the lift table that a build file names, relative to its folder; None where it doesn't.

    Raises:
        CoilbenchError: the file can't be read, or is no lift table.
    """
    name = build.train.lift_table
    if name is None:
        return None
    path, where = build_path.parent / name, f"{build.name}, valve_train.lift_table"
    hint = "Name a CSV file, relative to the build file's folder"
    data = read_bytes(path, f"the lift table {name!r}", where=where, hint=hint)
    return read_lift_table(read_table(data, path.name))


def read_lift_table(table: Table) -> LiftTable:
    """Read `cam_deg,valve_lift_mm`; crank_deg, lobe_lift_mm, valve_lift_in and so on as well.

    Its rows ascend in angle over one opening of the valve or more of a turn.

    Raises:
        CoilbenchError: a wrong column or cell, angles that don't ascend, or no whole opening.
    """
    from coilbench.analysis.limits.valve_motion import LiftTable  # imported late: slow to load

    for name, why in AMBIGUOUS.items():
        if name in table.columns:
            raise CoilbenchError(
                f"the column {name!r} does not say what it belongs to",
                where=f"{table.name}, line {table.header_line}",
                hint=why[0].upper() + why[1:],
            )
    lobe = any(name in table.columns for name in LIFTS["lobe"].factors)
    of: Literal["valve", "lobe"] = "lobe" if lobe else "valve"
    found = read_columns(table, "lift", (ANGLE, LIFTS[of])).numbers
    cam_deg, lift_mm = found["cam_deg"], found["lift_mm"]
    refuse_rows(
        table, np.diff(cam_deg, prepend=-np.inf) <= 0.0, "the angle must be above the row before's"
    )
    if cam_deg[-1] - cam_deg[0] > WHOLE_TURN_DEG:
        raise CoilbenchError(
            f"the angles span {cam_deg[-1] - cam_deg[0]:g} degrees of the cam, more than a turn",
            where=table.name,
            hint="Keep one opening of the valve, and check whose degrees they are",
        )
    first, last = _opening(lift_mm)
    if last - first < LEAST_OPEN_ROWS or np.argmax(lift_mm) not in range(first + 1, last - 1):
        raise CoilbenchError(
            "it holds no complete opening of the valve, up and down again, in "
            f"{LEAST_OPEN_ROWS} rows or more with lift above 0",
            where=table.name,
            hint="Give the lift for every degree or two, from valve shut to valve shut",
        )
    factor = next(each for name, each in LIFTS[of].factors.items() if name in table.columns)
    step_mm = factor * _written_step(lift_mm[first:last] / factor)
    return LiftTable(table.name, of, cam_deg[first:last], lift_mm[first:last], step_mm)


def _opening(lift_mm: NDArray[np.float64]) -> tuple[int, int]:
    """First row and one past the last of the stretch above 0 that holds the highest lift."""
    top = int(np.argmax(lift_mm))
    shut = np.flatnonzero(lift_mm <= 0.0)
    before, after = shut[shut < top], shut[shut > top]
    first = int(before[-1]) + 1 if before.size else 0
    return first, int(after[0]) if after.size else len(lift_mm)


def _written_step(values: NDArray[np.float64]) -> float:
    """The widest of STEPS that all values are whole multiples of; 0 where none is."""
    off = (np.max(np.abs(values / step - np.round(values / step))) for step in STEPS)
    return next((step for step, most in zip(STEPS, off, strict=True) if most < STEP_SLACK), 0.0)
