"""What the book says of the rig, for the commands that calibrate, check or watch it: one look."""

from __future__ import annotations

import msgspec

from coilbench.analysis.cli.settings import book_path
from coilbench.capture.blocks import Hello
from coilbench.capture.book.calibrations import PartRecord, newest_part, parts
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.ratings import Ratings
from coilbench.capture.calibration.model import PartKind
from coilbench.capture.errors import CoilbenchError


class KnownRig(msgspec.Struct, frozen=True):
    """What the book says of a rig; nothing where there is no book.

    Attributes:
        ratings: what it may bear.
        load, travel: its newest parts; None for none.
        loads, travels: those of every rig, newest first.
    """

    ratings: Ratings = Ratings()
    load: PartRecord | None = None
    travel: PartRecord | None = None
    loads: list[PartRecord] = []
    travels: list[PartRecord] = []

    @classmethod
    def look(cls, hello: Hello | None = None) -> KnownRig:
        """Look what the book says of this rig, or may be of it; without one: of the one in force.

        The book is only looked into: a refusal leaves no empty one behind.
        """
        if not book_path().exists():
            return cls()
        device_id = None if hello is None else hello.device_id
        with open_book(book_path()) as db:
            load, travel = (newest_part(db, kind, device_id) for kind in ("load", "travel"))
            return cls(Ratings.of_book(db), load, travel, parts(db, "load"), parts(db, "travel"))

    def calibrated(self, kind: PartKind, command: str, *, here: bool = False) -> PartRecord:
        """Return the newest part of a kind; `command` makes it.

        Args:
            here: only of this rig, not of another where it has none.

        Raises:
            CoilbenchError: it is not calibrated yet.
        """
        own, all_rigs = (self.load, self.loads) if kind == "load" else (self.travel, self.travels)
        part = own if own is not None or here else next(iter(all_rigs), None)
        if part is None:
            raise CoilbenchError(
                f"the {kind} is not calibrated yet", hint=f"First: coilbench rig {command}"
            )
        return part

    def own(self, part: PartRecord, hello: Hello, command: str) -> PartRecord:
        """Return the newest part of this rig, of the kind of one that may be another's.

        Raises:
            CoilbenchError: this rig has none.
        """
        own = self.load if part.kind == "load" else self.travel
        if own is None:
            raise CoilbenchError(
                f"the {part.kind} was calibrated on the rig {part.device_id}, and this is "
                f"{hello.device_id}",
                hint=f"Connect that rig, or first, on this one: coilbench rig {command}",
            )
        return own
