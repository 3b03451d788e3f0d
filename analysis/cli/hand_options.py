"""Options of `coilbench import` that say how a file's loads were read by hand."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import click
from sqlite_utils import Database

from coilbench.analysis.cli.common import FRACTION, LENGTH, LOAD, NUMBER, Decorated, Typed
from coilbench.capture.book.calibrations import find_scale
from coilbench.capture.calibration.give import GivePoint, fit_give
from coilbench.capture.calibration.keyed_setup import Give, KeyedSetup
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


_OPTIONS = (
    ("--tare", "tare_n", LOAD, "what the scale showed with no spring pressed."),
    ("--lever", "lever_ratio", NUMBER, "the spring's load over the load on the scale."),
    ("--lever-u", "lever_ratio_u", FRACTION, "standard uncertainty of the lever's ratio."),
    ("--resolution", "scale_resolution_n", LOAD, "the scale's smallest step."),
    ("--repeatability", "scale_repeatability_n", LOAD, "standard deviation of its readings."),
    ("--quill", "quill_resolution_mm", LENGTH, "the depth scale's smallest step."),
)


def hand_options(command: Decorated) -> Decorated:
    """Add them; a column of the file comes before its option."""
    for flag, name, kind, words in reversed(_OPTIONS):
        command = click.option(flag, name, type=kind, help=f"Points by hand: {words}")(command)
    command = give_option("Points by hand: ")(command)
    words = "Points by hand: the scale, as calibrated with rig weigh --scale."
    command = click.option("--scale", "scale_name", help=words)(command)
    words = "Points: read off a scale and a quill, with the uncertainties that `note` assumes."
    return click.option("--by-hand", is_flag=True, help=words)(command)


def take_setup(db: Database, options: dict[str, Any]) -> KeyedSetup | None:
    """Take the options of hand_options out; None where none was given.

    Raises:
        CoilbenchError: an impossible value, or a scale that the book does not have.
    """
    given = {name: options.pop(name) for _, name, _, _ in _OPTIONS}
    given = {name: value for name, value in given.items() if value is not None}
    scale_name, by_hand = options.pop("scale_name"), options.pop("by_hand")
    step_mm = given.get("quill_resolution_mm", KeyedSetup().quill_resolution_mm)
    give = given_give(options.pop("give"), step_mm)
    if not (given or by_hand or scale_name is not None or give is not None):
        return None
    scale = None if scale_name is None else find_scale(db, scale_name)
    return KeyedSetup(**given, **(give or Give())._asdict(), scale=scale)
