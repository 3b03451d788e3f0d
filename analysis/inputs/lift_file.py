"""The lift table that a build file names, read from beside it."""

from __future__ import annotations

from pathlib import Path

from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.limits.lift_table import LiftTable, read_lift_table
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.tables.csv_table import read_table


def lift_table_beside(build: BuildFile, build_path: Path) -> LiftTable | None:
    """Read a build's lift table.

    Args:
        build: the build file; a relative name in it counts from the build file's folder.
        build_path: where the build file is.

    Returns:
        None where the build file names none.

    Raises:
        CoilbenchError: the file can't be read, or is no lift table.
    """
    name = build.given.train.lift_table
    if name is None:
        return None
    path = build_path.parent / name
    try:
        data = path.read_bytes()
    except (OSError, ValueError) as error:  # a name with a NUL in it is a ValueError
        why = error.strerror if isinstance(error, OSError) else error
        raise CoilbenchError(
            f"the lift table {name!r} cannot be read ({why})",
            where=f"{build.name}, valve_train.lift_table",
            hint="Name a CSV file; its place counts from the build file's folder",
        ) from error
    return read_lift_table(read_table(data, path.name))
