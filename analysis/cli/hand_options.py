"""Options of `coilbench import` that say how a file's loads were read by hand."""

from __future__ import annotations

from typing import Any

import click
from sqlite_utils import Database

from coilbench.analysis.cli.common import FRACTION, LENGTH, LOAD, NUMBER, Decorated
from coilbench.capture.book.calibrations import find_scale
from coilbench.capture.calibration.keyed_setup import KeyedSetup

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
    if not (given or by_hand or scale_name is not None):
        return None
    return KeyedSetup(**given, scale=None if scale_name is None else find_scale(db, scale_name))
