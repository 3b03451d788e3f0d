"""Files that a person names, read no further than such a file can be long."""

from __future__ import annotations

from pathlib import Path

from coilbench.capture.errors import CoilbenchError
from coilbench.capture.tables.csv_table import MAX_BYTES


def read_bytes(
    path: Path, what: str = "the file", *, where: str | None = None, hint: str = "Check its name"
) -> bytes:
    """Read a file, of which `what` and `where` tell an error.

    Of a file of more than MAX_BYTES, which every reader refuses, a byte more than that is returned.

    Raises:
        CoilbenchError: it is not there, is a folder, or cannot be read.
    """
    where = str(path) if where is None else where
    try:
        with path.open("rb") as file:
            return file.read(MAX_BYTES + 1)
    except (OSError, ValueError) as error:  # a name with a NUL in it is a ValueError
        why = error.strerror if isinstance(error, OSError) else error
        raise CoilbenchError(f"{what} cannot be read ({why})", where=where, hint=hint) from error
