"""The commands that bring readings in: what can be typed after them. Light to import."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from coilbench.analysis.cli.common import (
    LENGTH,
    LOAD,
    NUMBER,
    Decorated,
    Typed,
    at_option,
    json_option,
    runs,
)
from coilbench.analysis.cli.hand_options import IMPORT_FLAGS, NO_SCALE, NOTE_FLAGS
from coilbench.analysis.dashboard.bell import RHYTHMS
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.running.kinds import Action

if TYPE_CHECKING:
    from coilbench.capture.calibration.give import GivePoint


_LAST = "[default: as the last time, else {}]"
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


_WORDS = [str(action).replace("_", "-") for action in Action]


def undo_options(command: Decorated) -> Decorated:
    """Give a command --history and --take-back."""
    history = click.option(
        "--history", is_flag=True, help="List the runs of this command, newest first."
    )
    back = click.option(
        "--take-back",
        metavar="last|ID",
        help="Undo a run: what it brought no longer counts; its numbers are kept.",
    )
    return history(back(command))


@click.command(
    name="daemon",
    epilog="Examples: coilbench daemon --port /dev/ttyUSB0 --set larch ; "
    "coilbench daemon --port 'virtual:?pace=fast' --set larch",
)
@click.option("--port", required=True, help="Where the rig is: a device or any source URL.")
@click.option("--set", "set_name", required=True, help="The set that is pressed.")
@click.option(
    "--down-to",
    "reach_height_mm",
    type=LENGTH,
    help="Every stroke must be pressed down to this height; a shorter one is asked for again.",
)
@click.option(
    "--share",
    "shares",
    is_flag=True,
    help="Give the shop's store what the finished set has, once the capture has ended.",
)
@runs("daemon")
def daemon_command() -> None:
    """Capture a set without a screen, for a service unit or a second terminal.

    Press the springs in the order of their labels; each finished stroke goes to the spring whose
    turn it is, hands free. One line is printed for each thing that happens, after the book has
    it. Once the set is done it waits three minutes for its first spring once more, which closes it,
    and half a minute after that, so that the last stroke can still be redone. Ends on SIGTERM, too,
    or when its terminal is closed: both drain and close.
    """


@click.command(
    name="live",
    epilog="Examples: coilbench live --port /dev/ttyUSB0 --set larch --at 38.5mm --at 27.6mm ; "
    "coilbench live (attaches to the capture that runs on this book)",
)
@click.option("--port", help="Run a capture from this source; without it, attach to one.")
@click.option("--set", "set_name", help="The set that is pressed (with --port).")
@at_option(
    "Heights the table reads at and the bar marks, the highest as the seat's and the lowest "
    "as the open one's. [default: those of the set's nominal, else two inside what was measured, "
    "not marked]"
)
@click.option(
    "--down-to", "reach_height_mm", type=LENGTH, help="Press every stroke to this height."
)
@click.option(
    "--bell/--no-bell",
    default=True,
    help=f"Ring the terminal's bell. {RHYTHMS}.",
)
@click.option("--once", is_flag=True, help="Print one frame and end.")
@runs("live")
def live_command() -> None:
    """Press a set with the terminal in view: whose turn, load, height, the table, the curve.

    With --port it runs the capture itself and ends it when the screen is closed (q or Ctrl-C).
    Without, it looks on and passes keys to the capture that runs: closing it ends nothing. Keys:
    r redo the last stroke, s skip this spring, b back, n a new label, d set the datum, f finish,
    q leave; y and x answer a question. No key is needed: springs come in the order of their
    labels, and a bad stroke is asked for again. At the end the first spring is asked for once more:
    it shows whether scale and seat are as at its first press; f ends without. A set that ended
    without is asked for it when it is opened again.

    A terminal that cannot move its cursor (TERM=dumb), a file or a pipe gets plain lines. If this
    program is killed outright (kill -9), the terminal stays as it was: type reset and Enter.
    """


@click.command(
    name="tell",
    epilog="Examples: coilbench tell redo ; coilbench tell rename larch-02 larch-2b ; "
    "coilbench tell datum 30mm ; coilbench tell accept ; coilbench tell finish",
)
@click.argument("action", type=click.Choice(_WORDS))
@click.argument("label", required=False)
@click.argument("new_label", required=False)
@runs("daemon")
def tell_command() -> None:
    """Tell a running capture to redo the last stroke, skip, go back, rename a spring or finish.

    accept and take-out answer its question: yes, and no (of a press: it does not count, and the
    spring is taken out). gauge: one is about to be brought between the faces, for a datum;
    no-gauge: none is after all. datum LENGTH: the quill stands lightly on a gauge of that length,
    and heights are known from there.

    For a capture without a screen: coilbench daemon in another window or as a service. With
    LABEL the capture refuses if it is another spring's turn by then; a rename needs both labels,
    the old one first. Only the user who runs the capture can command it. Prints the outcome.
    """


@click.command(
    name="note",
    epilog="Examples: coilbench note --set larch --at 38.5mm --at 27.6mm --tare 1.2kg ; "
    "coilbench note --set larch 'larch-07 38.5mm 22.4kg' '7 27.6 40.7 # rusty' ; "
    "coilbench note --plan engine.toml ; "
    "coilbench note --set larch --replace 'larch-07 27.6mm 41.9kg' ; "
    "coilbench note --set larch --take-back last",
)
@click.argument("lines", nargs=-1)
@click.option("--set", "set_name", help="The set the springs belong to.")
@at_option("The heights to read each spring at.")
@click.option(
    "--plan",
    "build",
    type=click.Path(path_type=Path),
    help="Ask for the presses that `coilbench plan` names next for this build file.",
)
@click.option("--yes", is_flag=True, help="Lines: store what looks like a slip as it is.")
@click.option(
    "--replace",
    "replaced",
    metavar="LINE",
    multiple=True,
    help="Type the reading of a spring at a height again; the one before no longer counts.",
)
@click.option(
    "--remove",
    "removed",
    metavar="READING",
    multiple=True,
    help="Stop counting a reading: larch-08:3, as `coilbench set readings` lists it.",
)
@setup_options
@undo_options
@runs("note")
def note_command() -> None:
    """Key in readings: into a grid, springs down and heights across, or as LINES.

    A line is LABEL LENGTH LOAD: `larch-07 38.5mm 22.4kg`, or short `7 38.5 22.4`. LENGTH is a
    height, or a depth with `down` after it (the set's free length is needed then); `up` after the
    load marks a reading on the way up, and a remark comes after `#`. A number without a unit is in
    the display units. What looks like a slip is asked about, and refused where nobody can answer.
    Tare, scale, lever and steps are as the last time where they are not given, which is said.

    Without lines the grid opens; where the terminal cannot show it (TERM=dumb, a pipe), each
    reading is asked for in turn. Every reading is in the book as soon as it is taken.
    """


@click.command(
    name="import",
    epilog="Examples: coilbench import readings.csv --set larch ; "
    "coilbench import stroke1.csv stroke2.csv --set larch --label larch-07 ; "
    "coilbench import --take-back last",
)
@click.argument("files", nargs=-1, type=click.Path(path_type=Path))
@click.option("--set", "set_name", help="The set they belong to.")
@click.option("--label", help="The spring of a sweep file; of a points file, only this spring.")
@click.option(
    "--closed-down/--no-closed-down",
    default=None,
    help="Points: each spring's largest load is (or is not) at its solid height. "
    "[default: judged from the file, and said]",
)
@click.option(
    "--zero-counts",
    type=NUMBER,
    help="Raw sweep: its load counts with nothing pressed.  [default: as it begins]",
)
@click.option("--yes", is_flag=True, help="Points: store what looks like a slip as it is.")
@hand_options
@undo_options
@json_option
@runs("import_files")
def import_command() -> None:
    """Bring in CSV files: raw sweeps, converted sweeps, or points.

    \b
    Columns, with a header row; lines that begin with # are comments:
      t_s,load_counts,travel_counts            one raw stroke (needs a calibration)
      t_s,load_kg,height_mm                    one converted stroke
      label,height_mm,load_kg[,direction]      points; direction loading or unloading
      label,depth_mm,load_kg[,direction]       the same by depth (the set's free length is needed)
      spring,38.5 mm kg,27.6 mm kg             the same, a row a spring and a column a height
    Points may have u_kg (k = 2), or tare_kg, lever, scale where loads are what a scale showed.
    Units in a column's name are honoured: load_n, load_lbs, height_in, "Height (mm)". Columns of
    remarks are passed over. All files or none.
    """
