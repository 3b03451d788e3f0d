"""The ratings at every command that has the cell loaded: asked too much, loaded too much."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

from coilbench.analysis.cli.common import say_aside, units
from coilbench.analysis.cli.known_rig import KnownRig
from coilbench.analysis.report.document import describe
from coilbench.capture.blocks import Finding
from coilbench.capture.book.ratings import Ratings
from coilbench.capture.calibration.overload import OverloadWatch
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes.watching import CARE_ONLY

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

ALARMS = ("overload", "overload_near", "amplifier_at_limit")


def overload_watch(known: KnownRig, *, pressed: bool = True) -> OverloadWatch:
    """Return the judge of a rig's stream; without its load only the amplifier's limit shows.

    Args:
        pressed: whether the press makes the load, not masses that hang on the cell.
    """
    cell_n, press_n = known.ratings.cell_n, known.ratings.press_n if pressed else None
    if known.load is None:
        return OverloadWatch(cell_n, press_n)
    return OverloadWatch.by_fit(cell_n, press_n, known.load.fit)


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


def refuse_overload(told: Ratings, asked_n: float, where: str, *, pressed: bool = True) -> None:
    """Refuse to ask for more than the cell, and where it makes the load the press, may bear.

    Raises:
        CoilbenchError: it is not below that.
    """
    least = (told if pressed else Ratings(cell_n=told.cell_n)).least
    if least is not None and asked_n >= least[0]:
        raise CoilbenchError(
            f"{units().load_text(asked_n)} is not below what the {least[1]} may bear",
            where=where,
            hint=f"Stay below {units().load_text(least[0])} (coilbench rig ratings)",
        )
