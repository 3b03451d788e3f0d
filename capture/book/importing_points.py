"""Points out of files into the book, with what is known of how they were read."""

from __future__ import annotations

import msgspec

from coilbench.capture.blocks import Finding


class ImportedRow(msgspec.Struct, frozen=True):
    """A point as it was stored, and the file's line that it comes from; uncertainties k = 1."""

    file: str
    line: int
    label: str
    height_mm: float
    load_n: float
    loading: bool
    load_u_n: float
    height_u_mm: float


class Imported(msgspec.Struct, frozen=True):
    """What a file brought.

    Attributes:
        kind: raw sweep, converted sweep or points.
        rows: of points.
    """

    kind: str
    labels: tuple[str, ...]
    notes: tuple[Finding, ...]
    rows: tuple[ImportedRow, ...] = ()
