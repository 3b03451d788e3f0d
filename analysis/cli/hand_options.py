"""The options that say how readings by hand were taken, of `note` and of `import`."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import click

from coilbench.analysis.cli.common import FRACTION, LENGTH, LOAD, NUMBER, WEIGHT, Decorated, Typed
from coilbench.capture.errors import CoilbenchError

if TYPE_CHECKING:
    from coilbench.capture.calibration.give import GivePoint

NO_SCALE = "none"  # in place of a scale's name: its readings are taken as they are
NOTE_FLAGS = {
    "tare_n": ("--tare", LOAD, "What the scale shows with the blocks on it and no spring pressed."),
    "rests_n": (
        "--rests",
        WEIGHT,
        "What lay on the spring when the tare was read: the upper cup, if not lifted off.",
    ),
    "lever_ratio": (
        "--lever",
        NUMBER,
        "The spring's load over the load on the scale, where a bar divides it.",
    ),
    "lever_ratio_u": ("--lever-u", FRACTION, "Standard uncertainty of the lever's ratio."),
    "scale_resolution_n": ("--resolution", LOAD, "The scale's smallest step."),
    "scale_repeatability_n": (
        "--repeatability",
        LOAD,
        "Standard deviation of the scale's readings of one load.",
    ),
    "quill_resolution_mm": ("--quill", LENGTH, "The depth scale's smallest step."),
}
_LAST = "[default: as the last time, else {}]"
IMPORT_FLAGS = (
    ("--tare", "tare_n", LOAD, "what the scale showed with no spring pressed."),
    ("--lever", "lever_ratio", NUMBER, "the spring's load over the load on the scale."),
    ("--lever-u", "lever_ratio_u", FRACTION, "standard uncertainty of the lever's ratio."),
    ("--resolution", "scale_resolution_n", LOAD, "the scale's smallest step."),
    ("--repeatability", "scale_repeatability_n", LOAD, "standard deviation of its readings."),
    ("--quill", "quill_resolution_mm", LENGTH, "the depth scale's smallest step."),
)
_NO_GIVE = "none"  # heights are then taken as the quill tells them


def _parse_give(text: str) -> GivePoint | None:
    if text == _NO_GIVE:
        return None
    from coilbench.capture.calibration.give import GivePoint

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


def setup_options(command: Decorated) -> Decorated:
    """Add the options that say how readings were taken."""
    words = (
        "Correct by this scale's own calibration (made with: rig weigh --scale NAME --from FILE); "
        "its scatter then takes the place of --repeatability.  "
    )
    last = _LAST.format(NO_SCALE)
    command = click.option("--scale", "scale_name", help=words + last)(command)
    first = {
        "tare_n": "0kg",
        "rests_n": "0kg",
        "lever_ratio": "1",
        "lever_ratio_u": "0%",
        "scale_resolution_n": "0.1kg",
        "scale_repeatability_n": "0.2kg",
        "quill_resolution_mm": "0.1mm",
    }
    for name, (flag, kind, words) in reversed(NOTE_FLAGS.items()):
        shown = f"{words}  {_LAST.format(first[name])}"
        command = click.option(flag, name, type=kind, help=shown)(command)
    return give_option(ending=f"  {last}")(command)


def hand_options(command: Decorated) -> Decorated:
    """Add how loads were read by hand; a column of the file comes before its option."""
    for flag, name, kind, words in reversed(IMPORT_FLAGS):
        command = click.option(flag, name, type=kind, help=f"Points by hand: {words}")(command)
    command = give_option("Points by hand: ")(command)
    words = "Points by hand: the scale, as calibrated with rig weigh --scale."
    command = click.option("--scale", "scale_name", help=words)(command)
    words = "Points: read off a scale and a quill, with the uncertainties that `note` assumes."
    return click.option("--by-hand", is_flag=True, help=words)(command)
