"""What a person measures or notes of one spring, as typed: `larch-03 free 52.8mm`. Pure."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from typing import NamedTuple

import msgspec

from coilbench.capture.choices import FACTS, SpringFact
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.tables.columns import Quantity, read_columns
from coilbench.capture.tables.csv_table import Table
from coilbench.capture.units import parse_length_mm

NONE = "none"  # in place of a value: takes back what was known
EXAMPLE = "larch-03 free 52.8mm, larch-03 solid 24.1mm or larch-04 mark two blue dots"
# Standard uncertainty (k = 1) of a caliper's length over ground ends beside its resolution: the
# caliper's own error, ends that are not parallel. Common practice, no source.
CALIPER_U_MM = 0.05

_PLUS_MINUS = re.compile(r"\s*(?:±|\+/?-)\s*")
_COLUMNS = tuple(Quantity.plain(name, text=True) for name in ("label", "what", "value"))
_LINE = re.compile(rf"\s*(.+?)\s+({'|'.join(FACTS)})\s+(.+?)\s*", re.IGNORECASE)


class SpringEntry(msgspec.Struct, frozen=True):
    """One thing known of one spring: a length or words; neither takes back what was known.

    Attributes:
        u_mm: standard uncertainty (k = 1) of the length.
    """

    label: str
    what: SpringFact
    length_mm: float | None = None
    u_mm: float | None = None
    words: str | None = None

    @property
    def value(self) -> float | str | None:
        """The length or the words."""
        return self.words if self.length_mm is None else self.length_mm

    @classmethod
    def parse(cls, line: str, step_mm: float) -> SpringEntry:
        """Read a line: label, `free`, `solid`, `mark` or `note`, and a length or words.

        Raises:
            CoilbenchError: a part is missing, or the length cannot be read.
        """
        match = _LINE.fullmatch(line)
        if match is None:
            raise CoilbenchError(f"{line[:80]!r} cannot be read", hint=f"Write it like {EXAMPLE}")
        label, word, text = match.groups()
        return cls.of(label, FACTS[word.lower()], text, step_mm)

    @classmethod
    def of(cls, label: str, what: SpringFact, text: str, step_mm: float) -> SpringEntry:
        """Make one of what was typed for a spring; `none` takes back.

        A length may carry its own expanded uncertainty (k = 2): `52.8mm ± 0.1mm`, or with +-.

        Raises:
            CoilbenchError: it should be a length, and is none.
        """
        if text.lower() == NONE:
            return cls(label, what)
        if what in ("mark", "note"):
            return cls(label, what, words=text.strip("\"'"))
        length_mm, u_mm = parse_stated_length(text)
        return cls(label, what, length_mm, caliper_u_mm(step_mm) if u_mm is None else u_mm)


class StatedLength(NamedTuple):
    """A length in mm as typed, and its standard uncertainty (k = 1); None where none is stated."""

    length_mm: float
    u_mm: float | None


def parse_stated_length(text: str) -> StatedLength:
    """Read a length that may carry its expanded uncertainty (k = 2): `52.8mm ± 0.1mm`, or +-.

    Raises:
        CoilbenchError: either cannot be read, or the ± is negative.
    """
    length, *stated = _PLUS_MINUS.split(text, maxsplit=1)
    u_mm = 0.5 * parse_length_mm(stated[0]) if stated else None
    if u_mm is not None and u_mm < 0.0:
        raise CoilbenchError(f"{text!r}: a ± is not negative", hint="Write it like ± 0.1mm")
    return StatedLength(parse_length_mm(length), u_mm)


def read_entries(table: Table, step_mm: float) -> list[SpringEntry]:
    """Read a file of such entries: a row is label, what and value.

    Raises:
        CoilbenchError: a column is missing or unknown, or a cell cannot be read.
    """
    texts = read_columns(table, "spring by spring", _COLUMNS).texts
    rows = zip(*(texts[column.key] for column in _COLUMNS), strict=True)
    return [_of_row(table, at, row, step_mm) for at, row in enumerate(rows)]


def _of_row(table: Table, at: int, row: Sequence[str], step_mm: float) -> SpringEntry:
    where = f"{table.name}, line {table.lines[at]}"
    label, what, value = row
    fact = FACTS.get(what.lower())
    if fact is None:
        words = ", ".join(FACTS)
        raise CoilbenchError(f"{what[:40]!r} is none of {words}", where=where, hint="Write one")
    try:
        return SpringEntry.of(label, fact, value, step_mm)
    except CoilbenchError as error:
        error.where = where
        raise


def caliper_u_mm(step_mm: float) -> float:
    """Standard uncertainty (k = 1) of a length read to a step: rectangular (GUM F.2.2.1).

    Raises:
        CoilbenchError: a step that is not above 0.
    """
    if not 0.0 < step_mm < math.inf:
        raise CoilbenchError(
            "the smallest step is not above 0", where="--step", hint="Give it like 0.05mm"
        )
    return math.hypot(step_mm / math.sqrt(12.0), CALIPER_U_MM)
