"""The ratings at every command that has the cell loaded: asked too much, loaded too much."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

from coilbench.analysis.cli.common import say_aside, units
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.report.document import describe
from coilbench.capture.blocks import Finding
from coilbench.capture.book.calibrations import PartRecord
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.ratings import Ratings
from coilbench.capture.calibration.overload import OverloadWatch
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes.watching import CARE_ONLY

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

ALARMS = ("overload", "overload_near", "amplifier_at_limit")


def told_ratings() -> Ratings:
    """Return what the book says of the rig; nothing where there is no book."""
    if not book_path().exists():  # only looked into: a refusal leaves no empty book behind
        return Ratings()
    with open_book(book_path()) as db:
        return Ratings.of_book(db)


def overload_watch(load: PartRecord | None, *, pressed: bool = True) -> OverloadWatch:
    """Return the judge of a stream by what is told of the rig.

    Args:
        load: by which loads are read; without it only the amplifier's limit shows.
        pressed: whether the press makes the load, not masses that hang on the cell.
    """
    told = told_ratings()
    press_n = told.press_n if pressed else None
    if load is None:
        return OverloadWatch(told.cell_n, press_n)
    return OverloadWatch.by_fit(told.cell_n, press_n, load.fit)


def is_stop(finding: Finding) -> bool:
    """Tell whether it is an alarm that asks for the load to be let up."""
    return finding.kind in ALARMS and finding.kind not in CARE_ONLY


def alarm_words(alarm: Finding) -> str:
    """Say an alarm, its weight first."""
    word = "STOP, take the load off" if is_stop(alarm) else "Careful"
    return f"{word}: {describe(alarm, units())}"


def say_alarms(watch: OverloadWatch, samples: NDArray[np.void]) -> None:
    """Say on stderr, with a bell on a terminal, where samples show that it is too much."""
    for alarm in watch.look(samples):
        bell = "\a" if sys.stderr.isatty() else ""
        say_aside(f"{bell}{alarm_words(alarm)}")


def refuse_overload(asked_n: float, where: str, *, pressed: bool = True) -> None:
    """Refuse to ask for more than the cell, and where it makes the load the press, may bear.

    Raises:
        CoilbenchError: it is not below that.
    """
    told = told_ratings()
    least = (told if pressed else Ratings(cell_n=told.cell_n)).least
    if least is not None and asked_n >= least[0]:
        raise CoilbenchError(
            f"{units().load_text(asked_n)} is not below what the {least[1]} may bear",
            where=where,
            hint=f"Stay below {units().load_text(least[0])} (coilbench rig ratings)",
        )
