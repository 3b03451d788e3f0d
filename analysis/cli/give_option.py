"""The option --give: how far a quill moves under load."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import click

from coilbench.analysis.cli.common import LENGTH, LOAD, Decorated, Typed
from coilbench.capture.calibration.give import GivePoint, fit_give
from coilbench.capture.calibration.keyed_setup import Give
from coilbench.capture.errors import CoilbenchError

_NO_GIVE = "none"  # heights are then taken as the quill tells them


def _parse_give(text: str) -> GivePoint | None:
    if text == _NO_GIVE:
        return None
    give, at, load = text.partition("@")
    if not at:
        what = f"{text!r} names no load"
        raise CoilbenchError(what, hint=f"Write it like 1.6mm@80kg; {_NO_GIVE} for none")
    return GivePoint(LENGTH.convert(give, None, None), LOAD.convert(load, None, None))


_GIVE = Typed("give@load", _parse_give)


def give_option(words: str = "", ending: str = "") -> Callable[[Decorated], Decorated]:
    """Return the option --give, several points as `give`."""
    words += (
        "How far the quill moves from touching a solid block to that load on it (repeat it for "
        f"several loads): heights are corrected by it; {_NO_GIVE} takes it away.{ending}"
    )
    return click.option("--give", type=_GIVE, multiple=True, help=words)


def given_give(points: Sequence[GivePoint | None], step_mm: float) -> Give | None:
    """Return what --give says, on a quill of that step; None where it was not given.

    Raises:
        CoilbenchError: an impossible give, or one that is none too.
    """
    known = [point for point in points if point is not None]
    if known and len(known) < len(points):
        raise CoilbenchError(
            "a give cannot be none beside a point", where="--give", hint="Give the one or the other"
        )
    if known:
        return fit_give(known, step_mm)
    return Give() if points else None
