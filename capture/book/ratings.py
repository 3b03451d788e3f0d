"""What the rig may bear, as its user says: kept in the book, this bench's own.

A merge leaves them alone: another bench has another cell and another press.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from typing import Literal

from sqlite_utils import Database

from coilbench.capture.book.rows import first_row, writing
from coilbench.capture.errors import CoilbenchError

Part = Literal["cell", "press"]


@dataclass(frozen=True)
class Ratings:
    """The largest loads that the load cell and the press may bear, N; None where not told.

    Raises:
        CoilbenchError: a rating that is not above 0.
    """

    cell_n: float | None = None
    press_n: float | None = None

    def __post_init__(self) -> None:
        for field in fields(self):
            rating_n = getattr(self, field.name)
            if rating_n is not None and not 0.0 < rating_n < math.inf:
                part = field.name.removesuffix("_n")
                raise CoilbenchError(
                    f"the {part}'s rating of {{rating_n}} is not above 0",
                    hint="Give what its plate or its maker states, like 200kg",
                    rating_n=rating_n,
                )

    @property
    def least(self) -> tuple[float, Part] | None:
        """The smaller rating, and of which part it is; None where none is told."""
        named: tuple[tuple[float | None, Part], ...]
        named = ((self.cell_n, "cell"), (self.press_n, "press"))
        return min(((n, part) for n, part in named if n is not None), default=None)

    @classmethod
    def of_book(cls, db: Database) -> Ratings:
        """Return what the book says."""
        row = first_row(db, "SELECT cell_n, press_n FROM rig_ratings")
        return cls() if row is None else cls(**row)

    def store(self, db: Database) -> None:
        """Keep these in place of what the book said."""
        with writing(db):
            db.execute(
                "INSERT INTO rig_ratings (only_row, cell_n, press_n) VALUES (1, ?, ?)"
                " ON CONFLICT (only_row) DO UPDATE"
                " SET cell_n = excluded.cell_n, press_n = excluded.press_n",
                [self.cell_n, self.press_n],
            )
