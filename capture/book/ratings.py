"""What the rig is and may bear, as its user says: kept in the book, this bench's own.

A merge leaves them alone: another bench has another cell, another press and other cups.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

import msgspec
from msgspec.structs import asdict

from coilbench.capture.book.connection import Database
from coilbench.capture.book.edits import next_edit
from coilbench.capture.book.rows import first_row, insert, new_id, utc_now, writing
from coilbench.capture.errors import CoilbenchError

Part = Literal["cell", "press"]
_HINTS = {
    "cell_n": ("the cell's rating", "Give what its plate or its maker states, like 200kg"),
    "press_n": ("the press's rating", "Give what its plate or its maker states, like 110kg"),
    "rests_n": ("what rests on the spring", "Weigh the upper cup, and give it like 142g"),
    "cups_meet_mm": ("where the cups meet", "Give the depths of both cups together, like 18mm"),
}


class Ratings(msgspec.Struct, frozen=True):
    """What the user says of the rig; None where it is not told.

    Attributes:
        cell_n, press_n: the largest loads that the load cell and the press may bear.
        rests_n: weight that lies on the spring while its stroke's zero is taken: the upper cup's.
        cups_meet_mm: the height at which the cups' rims meet, so that no lower one can be reached;
            0 for a rig without cups, whose faces do meet.

    Raises:
        CoilbenchError: a rating that is not above 0, or something below 0.
    """

    cell_n: float | None = None
    press_n: float | None = None
    rests_n: float | None = None
    cups_meet_mm: float | None = None

    def __post_init__(self) -> None:
        for name, told in asdict(self).items():
            least = math.ulp(0.0) if name in ("cell_n", "press_n") else 0.0
            if told is not None and not least <= told < math.inf:
                what, hint = _HINTS[name]
                bound = "below 0" if least == 0.0 else "not above 0"
                raise CoilbenchError(f"{what} is {bound}", hint=hint)

    @property
    def least(self) -> tuple[float, Part] | None:
        """The smaller rating, and of which part it is; None where none is told."""
        named: tuple[tuple[float | None, Part], ...]
        named = ((self.cell_n, "cell"), (self.press_n, "press"))
        return min(((n, part) for n, part in named if n is not None), default=None)

    def resting_n(self, of_set_n: float | None) -> float | None:
        """Return what rests on a set's springs, by what is told of the set, else of the rig."""
        return self.rests_n if of_set_n is None else of_set_n

    def refuse_gauges(self, lengths_mm: Sequence[float]) -> None:
        """Refuse gauges that are shorter than what the cups leave between the seats.

        Raises:
            CoilbenchError: there is one.
        """
        if not self.cups_meet_mm or not lengths_mm or min(lengths_mm) > self.cups_meet_mm:
            return
        raise CoilbenchError(
            "no gauge of {length_mm} reaches the spring's seats: the cups meet at {meet_mm}",
            hint="Gauge with tubes that stand on the seats (hardware/MECHANICS.md), or tell where "
            "the cups meet: coilbench rig ratings --cups-meet",
            length_mm=min(lengths_mm),
            meet_mm=self.cups_meet_mm,
        )

    @classmethod
    def of_book(cls, db: Database) -> Ratings:
        """Return what the book says."""
        names = ", ".join(cls.__struct_fields__)
        row = first_row(db, f"SELECT {names} FROM rig_ratings")  # noqa: S608  our own words
        return cls() if row is None else cls(**row)

    def store(self, db: Database) -> None:
        """Keep these in place of what the book said."""
        with writing(db):
            db.execute("DELETE FROM rig_ratings")
            insert(db, "rig_ratings", {"only_row": 1, **asdict(self)})


def rests_of_set(db: Database, set_id: str) -> float | None:
    """Return what rests on the springs of a set, in N; None where it has no cups of its own."""
    row = first_row(db, "SELECT rests_n FROM rests_of_sets WHERE set_id = ?", [set_id])
    return None if row is None else float(row["rests_n"])


def tell_set_rests(db: Database, set_id: str, rests_n: float | None) -> int:
    """Keep what rests on the springs of a set in all its strokes; None: as with the rig's cups.

    Returns how many of its strokes were told another weight when they were pressed. They stay as
    they are stored; their loads are read with this one.

    Raises:
        CoilbenchError: a weight below 0.
    """
    Ratings(rests_n=rests_n)
    row = {"id": new_id(), "set_id": set_id, "told_utc": utc_now(), "rests_n": rests_n}
    with writing(db):
        row["edits"] = next_edit(db.conn, "set_rests", "set_id = ?", [set_id])
        insert(db, "set_rests", row)
    (other,) = db.execute(
        "SELECT count(*) FROM sweeps JOIN springs ON springs.id = spring_id WHERE set_id = ?"
        " AND purpose = 'measured' AND calibration_id IS NOT NULL AND rests_n <> ?",
        [set_id, rests_n],
    ).fetchone()
    return int(other)
