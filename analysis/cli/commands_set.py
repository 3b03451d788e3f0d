"""The commands `coilbench set …`: what can be typed after them. Light to import."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import click

from coilbench.analysis.choices import DEFAULT_ALPHA, DEFAULT_TOLERANCE
from coilbench.analysis.cli.common import (
    FRACTION,
    LENGTH,
    NOMINAL,
    NOMINAL_AT,
    NUMBER,
    RATE,
    STATED_LENGTH,
    STROKE,
    WEIGHT,
    Decorated,
    Typed,
    at_option,
    branch_option,
    json_option,
    runs,
)
from coilbench.capture.choices import CONDITIONING_STROKES, FACTS, FORGET, MEASURED_STROKES, OWN
from coilbench.capture.errors import CoilbenchError

SOLID_HELP = "Height with all coils touching, with or without its ± (k = 2): '24.5mm +- 0.2mm'."
RESTS_HELP = (
    "What lies on its springs unseen, of cups other than the rig's, like 157g; in all its strokes."
)
_WINDOW = re.compile(r"^\s*([0-9]{1,2}|100)\s*%?\s*-\s*([0-9]{1,2}|100)\s*%\s*$")


def _build_heights_option(verb: str) -> Callable[[Decorated], Decorated]:
    """Return the option --build: the build file whose heights are taken, as `build_path`."""
    words = f"{verb} at this build file's heights, valve shut and full lift."
    return click.option("--build", "build_path", type=click.Path(path_type=Path), help=words)


def _parse_window(text: str) -> tuple[float, float]:
    match = _WINDOW.match(text)
    low, high = (0, 0) if match is None else map(int, match.groups())
    if low >= high:
        raise CoilbenchError(
            f"{text!r} is no window of the deflection", hint="Write it like 30-70%"
        )
    return low / 100.0, high / 100.0


@click.command(
    name="new",
    epilog="Examples: coilbench set new larch --role outer --count 12 ; "
    "coilbench set new larch-after --again larch",
)
@click.argument("name")
@click.option(
    "--role",
    type=click.Choice(["outer", "inner", "single"]),
    help="Where the springs sit.",
)
@click.option("--again", help="The same springs as this set's, to be measured again.")
@click.option("--count", type=click.INT, help="How many; labels become NAME-01, NAME-02, …")
@click.option("--labels", help="Labels of your own, separated by commas, in turn order.")
@click.option("--free-length", "free_length_mm", type=LENGTH, help="Height at no load, e.g. 53mm.")
@click.option("--solid-height", type=STATED_LENGTH, help=SOLID_HELP)
@click.option("--wire", "wire_mm", type=LENGTH, help="Wire diameter, e.g. 4.2mm.")
@click.option(
    "--coil-diameter", "coil_diameter_mm", type=LENGTH, help="Mean coil diameter, e.g. 31mm."
)
@click.option("--active-coils", type=NUMBER, help="Number of active coils, e.g. 4.5.")
@click.option(
    "--nominal",
    "nominals",
    type=NOMINAL_AT,
    multiple=True,
    help="A load the maker prints, e.g. 24kg@38.5mm; repeat it. Later: set nominal.",
)
@click.option("--nominal-rate", type=RATE, help="The rate the maker prints, e.g. 1.6kg/mm.")
@click.option("--nominal-tolerance", type=FRACTION, help="How far from these a spring may be.")
@click.option(
    "--conditioning",
    type=click.IntRange(0, 20),
    default=CONDITIONING_STROKES,
    help="Presses that work a spring before it is read; kept but not counted.",
)
@click.option(
    "--strokes",
    type=click.IntRange(1, 50),
    default=MEASURED_STROKES,
    help="Strokes that count, for each spring.",
)
@click.option("--rests", "rests_n", type=WEIGHT, help=RESTS_HELP)
@click.option("--yes", is_flag=True, help="Store dimensions that look like a slip as they are.")
@runs("sets")
def set_new() -> None:
    """Register a set: springs bought or removed together, meant to be alike.

    With --again the springs of a set in the book, to be measured once more (after running in, say)
    and compared: labels, role and dimensions are that set's, dimensions given here override them.
    """


@click.command(name="list")
@json_option
@runs("set_list")
def set_list() -> None:
    """List the sets in the book and how far each has come."""


@click.command(
    name="show",
    epilog="Examples: coilbench set show larch ; coilbench set show larch --curves",
)
@click.argument("name")
@click.option("--curves", is_flag=True, help="Draw all springs' curves, flagged ones by letters.")
@at_option("With --curves: where the flags are judged.  [default: two heights inside the curves]")
@json_option
@runs("set_show")
def set_show() -> None:
    """Show a set: its dimensions, and how far each spring has come; or its curves."""


@click.command(
    name="edit",
    epilog="Examples: coilbench set edit larch --free-length 53mm --wire 4.2mm ; "
    "coilbench set edit larch --solid-height '24.5mm +- 0.2mm' ; "
    "coilbench set edit larch --forget solid-height ; coilbench set edit larch --count 14 ; "
    "coilbench set edit larsh --rename larch ; coilbench set edit .177 --remove",
)
@click.argument("name")
@click.option("--free-length", "free_length_mm", type=LENGTH, help="Height at no load.")
@click.option("--solid-height", type=STATED_LENGTH, help=SOLID_HELP)
@click.option("--wire", "wire_mm", type=LENGTH, help="Wire diameter.")
@click.option("--coil-diameter", "coil_diameter_mm", type=LENGTH, help="Mean coil diameter.")
@click.option("--active-coils", type=NUMBER, help="Number of active coils.")
@click.option("--role", type=click.Choice(["outer", "inner", "single"]), help="Where they sit.")
@click.option("--rests", "rests_n", type=WEIGHT, help=RESTS_HELP)
@click.option("--note", help="What is worth knowing of the set.")
@click.option("--mark", help="How the springs of the set are marked, e.g. 'white paint'.")
@click.option(
    "--count", type=click.INT, help="How many springs it has now; the new ones are added."
)
@click.option("--labels", help="Labels of springs to add, separated by commas.")
@click.option(
    "--forget",
    type=click.Choice(list(FORGET)),
    multiple=True,
    help="What turned out wrong, and is not known; repeat it.",
)
@click.option("--rename", help="Its new name.")
@click.option("--remove", is_flag=True, help="Remove the set; only while nothing was pressed.")
@click.option("--yes", is_flag=True, help="Store what looks like a slip as it is.")
@json_option
@runs("set_edit")
def set_edit() -> None:
    """Correct what a set was registered with, or add to it: dimensions, springs, a note.

    What was given before stays in the book, out of force. Readings that were typed as depths get
    the heights that a changed free length makes of them.
    """


@click.command(
    name="measure",
    epilog="Examples: coilbench set measure larch 'larch-03 free 52.8mm' 'larch-03 solid 24.1mm' "
    "'larch-04 mark two green dots' ; coilbench set measure larch --ask free --step 0.02mm ; "
    "coilbench set measure larch 'larch-03 solid none' ; coilbench set measure larch --from "
    "lengths.csv",
)
@click.argument("name")
@click.argument("lines", nargs=-1)
@click.option(
    "--step",
    "step_mm",
    type=LENGTH,
    default="0.05mm",
    help="The smallest step of the caliper or quill, for the uncertainty of its lengths.",
)
@click.option(
    "--ask",
    "asked",
    type=click.Choice(list(FACTS)),
    multiple=True,
    help="Guided: what to ask of each spring; repeat it.  [default: free, solid, mark]",
)
@click.option(
    "--from",
    "file",
    type=click.Path(path_type=Path),
    help="CSV with the columns label,what,value: the three parts of such a line.",
)
@click.option("--yes", is_flag=True, help="Store what looks like a slip as it is.")
@json_option
@runs("set_show")
def set_measure() -> None:
    """Keep single springs' free lengths, solid heights, paint marks and notes.

    Each line is LABEL free LENGTH, LABEL solid LENGTH, LABEL mark WORDS or LABEL note WORDS. A
    length may carry its own ± (k = 2), like `52.8mm +- 0.1mm`, else the step makes it. `none` in
    place of a value takes it back. Without lines, what is not known yet is asked for,
    spring by spring; Enter skips, u takes the last answer back, and after Ctrl-C the same command
    goes on.

    \b
    A solid height by hand, safely (in full: hardware/SCALE.md):
      - A compressed spring can blind. Captive cups, rod and nut, shield, eye
        protection; the press unplugged, the quill worked by hand.
      - Scale and load cell out: once the coils touch, your hand sets the load.
      - Depth stop above the height that wire x all turns makes; lower it by
        little until the last gap closes or the handle goes hard. No further.
      - Read the quill, not a caliper between the cups; fingers stay out.
      - Twice; keep the larger. One spring of a set is enough.
    """


@click.command(
    name="nominal",
    epilog="Example: coilbench set nominal larch 24kg@38.5mm 42kg@27.6mm --tolerance 8%",
)
@click.argument("name")
@click.argument("loads", metavar="[LOAD@HEIGHT]...", nargs=-1, type=NOMINAL_AT)
@click.option("--rate", type=RATE, help="The rate asked for, e.g. 1.6kg/mm.")
@click.option(
    "--tolerance",
    type=FRACTION,
    help="How far from these a spring may be.  [default: set check's --tolerance]",
)
@click.option("--clear", is_flag=True, help="Remove the set's nominal.")
@json_option
@runs("sets")
def set_nominal() -> None:
    """Keep the loads that a set should push, as its maker prints them; or show them.

    A set check compares the springs with them, and so shows a set that is tired as a whole. What
    is given replaces all that was kept before.
    """


@click.command(name="check", epilog="Example: coilbench set check larch --at 38.5mm --at 27.6mm")
@click.argument("name")
@at_option("A height to judge at; repeat it.")
@_build_heights_option("Judge")
@click.option(
    "--nominal",
    "nominals",
    type=NOMINAL,
    multiple=True,
    help="The load asked for, e.g. 24kg@38.5mm; or 24kg, one for each --at in the same order.",
)
@click.option(
    "--tolerance",
    type=FRACTION,
    default=f"{DEFAULT_TOLERANCE:.0%}",
    help="Allowed deviation from the set's middle, and from a nominal without its own.",
)
@click.option(
    "--false-alarms",
    "alpha",
    type=FRACTION,
    default=f"{DEFAULT_ALPHA:.0%}",
    help="How often a sound set may raise a false alarm of a spring standing apart.",
)
@click.option(
    "--why", "label", metavar="LABEL", help="Show what every rule says about this spring."
)
@branch_option
@click.option(
    "--budget",
    is_flag=True,
    help="Show what each reading's uncertainty is made of; with --why, of that spring.",
)
@click.option(
    "--calibration",
    default=OWN,
    help="Read raw strokes with: own (what each was captured with), newest, or a calibration's id. "
    "Every derived number follows; the raw counts stay as they are.",
)
@click.option(
    "--against",
    help="Show the loads beside those by this other calibration: own, newest or an id.",
)
@json_option
@runs("set_check")
def set_check() -> None:
    """Judge a set: which springs are weak, stiff, short or odd, and which can't be told.

    The springs are also compared with a nominal kept with the set (set nominal), at its own heights
    beside those asked for, and single springs, with --build, with the cam card's loads. Exits with
    1 when a spring was found weak, stiff, short or odd.
    """


@click.command(
    name="spring",
    epilog="Examples: coilbench set spring larch larch-04 ; "
    "coilbench set spring larch larch-04 --at 38.5mm --at 27.6mm --window 20-80%",
)
@click.argument("name")
@click.argument("label")
@at_option(
    "A running height, valve shut or at full lift; give both.  [default: the set's nominal "
    "heights, else two inside the curve]"
)
@click.option(
    "--window",
    "shares",
    type=Typed("from-to%", _parse_window),
    default="30-70%",
    help="Where the rate is taken, as a share of the deflection; 20-80% is in use too.",
)
@click.option(
    "--free-length",
    "free_length_mm",
    type=LENGTH,
    help="This spring's free length by caliper, to compare; kept with: set measure.",
)
@branch_option
@json_option
@runs("set_spring")
def set_spring() -> None:
    """Show all that one spring's curve tells.

    Both branches and the loop between them, its rate by every definition, whether it has one rate
    or two, where it begins and binds, and whether its dimensions make that rate.
    """


@click.command(
    name="readings",
    epilog="Examples: coilbench set readings larch ; coilbench set readings larch larch-08 ; "
    "coilbench note --set larch --remove larch-08:3",
)
@click.argument("name")
@click.argument("label", required=False)
@json_option
@runs("set_readings")
def set_readings() -> None:
    """List what was keyed in of a set, or of one spring: each reading, and whether it counts.

    The number is the one that `coilbench note --remove`, `note --replace` and `coilbench set
    strokes --leave` take, like larch-08:3.
    """


@click.command(
    name="strokes",
    epilog="Examples: coilbench set strokes larch ; coilbench set strokes larch --leave larch-03:2",
)
@click.argument("name")
@click.option("--spring", "only", metavar="LABEL", help="Show this spring's strokes alone.")
@click.option(
    "--use", "used", type=STROKE, multiple=True, help="Include this stroke, whatever was found."
)
@click.option("--leave", "left", type=STROKE, multiple=True, help="Leave this stroke out.")
@click.option(
    "--by-rule", "ruled", type=STROKE, multiple=True, help="Withdraw your ruling on this stroke."
)
@click.option(
    "--swap",
    "swapped",
    nargs=2,
    metavar="LABEL LABEL",
    help="These two were pressed in each other's place: exchange their strokes and readings. What "
    "was measured or noted of a spring by hand stays with its label. Again takes it back.",
)
@json_option
@runs("set_strokes")
def set_strokes() -> None:
    """Show every stroke of a set: what was seen in it, whether it is kept, and why.

    A stroke that slipped or was too fast is left out where another is left, one that cocked or lies
    apart where most of the spring's strokes agree. Your ruling overrides that: it is kept in the
    book, and every later report follows it.

    Nothing shows that two springs of a set were exchanged in the press: put that right with --swap.
    """


@click.command(
    name="compare",
    epilog="Example: coilbench set new larch-after --again larch ; measure it ; "
    "coilbench set compare larch larch-after --at 38.5mm --at 27.6mm",
)
@click.argument("before")
@click.argument("after")
@at_option("A height to compare at; repeat it.")
@_build_heights_option("Compare")
@branch_option
@json_option
@runs("set_compare")
def set_compare() -> None:
    """Compare a set with the same springs measured again, say before and after running in.

    Springs are matched by their labels. Tells which loads really changed, and where the
    uncertainty is too wide to tell.
    """
