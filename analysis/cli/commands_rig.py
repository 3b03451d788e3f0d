"""The commands `coilbench rig …`: what can be typed after them. Light to import."""

from __future__ import annotations

from pathlib import Path

import click

from coilbench.analysis.cli.common import FRACTION, LENGTH, LOAD, NUMBER, WEIGHT, json_option, runs

DEFAULT_MASSES_KG = "0,5,10,20,10,5,0"

from_option = click.option(
    "--from",
    "file",
    type=click.Path(path_type=Path),
    help="Take the points from this CSV file instead of the rig.",
)
port_option = click.option("--port", help="Where the rig is, for guided calibration.")
bell_option = click.option(
    "--bell/--no-bell", default=True, help="Guided: ring the terminal's bell at each reading."
)
afresh_option = click.option(
    "--afresh", is_flag=True, help="Guided: start again, though points of an earlier run are kept."
)


@click.command(name="find", epilog="Example: coilbench rig find")
@json_option
@runs("rig")
def find_command() -> None:
    """List the ports and ask each USB port whether a rig is behind it; exit status 1: none is."""


@click.command(name="watch", epilog="Example: coilbench rig watch --port /dev/ttyUSB0")
@click.option("--port", required=True, help="Where the rig is; any port URL.")
@click.option("--seconds", type=click.FloatRange(min=0.1), help="Stop after this long.")
@runs("rig")
def watch_command() -> None:
    """Print live counts, and load and height once the rig is calibrated. Ctrl-C ends it.

    What is wrong is said in a line of its own as it shows: no cell, another rate than the rig's
    nominal one, load and travel going opposite ways.
    """


@click.command(
    name="weigh",
    epilog="Examples: coilbench rig weigh --port /dev/ttyUSB0 --masses 0,10,20,40,20,10,0 ; "
    "coilbench rig weigh --from weights.csv",
)
@from_option
@port_option
@click.option(
    "--masses",
    default=DEFAULT_MASSES_KG,
    help="Guided: the known masses in kg, in order, up and down again.",
)
@click.option(
    "--gravity",
    "gravity_m_s2",
    type=NUMBER,
    help="Local gravity in m/s2, e.g. 9.81; a mass presses with itself times this.  [default: as "
    "at the calibration before, else 9.80665]",
)
@click.option(
    "--scale",
    "scale_name",
    help="Calibrate a bathroom scale of this name for `coilbench note` instead; needs --from.",
)
@click.option(
    "--masses-err",
    type=click.Choice(["each", "together"]),
    help="How the masses err: each by itself (certified one by one, or each weighed on something "
    "much better), or together (from one box, weighed on one scale, stacked, or unknown). Guided: "
    "asked.  [default: together]",
)
@click.option(
    "--masses-u",
    type=FRACTION,
    help="Each mass's expanded uncertainty (k = 2) where the file has none, e.g. 0.02%.  [default: "
    "0.1% assumed]",
)
@afresh_option
@bell_option
@runs("weigh")
def weigh_command() -> None:
    """Calibrate the load with known masses, up and down, three different ones or more.

    The file's columns: mass_kg,counts[,direction][,u_kg]; direction up or down; u_kg the mass's
    expanded uncertainty (k = 2). A scale's file has mass_kg,shown_kg and the same two.
    """


@click.command(
    name="gauge",
    epilog="Examples: coilbench rig gauge --port /dev/ttyUSB0 --lengths 51mm,43mm,35mm,27mm ; "
    "coilbench rig gauge --port /dev/ttyUSB0 --datum 30mm",
)
@from_option
@port_option
@click.option("--lengths", help="Guided: the gauge lengths in order, e.g. 51mm,43mm,35mm,27mm.")
@click.option(
    "--datum",
    type=LENGTH,
    help="Set the datum again on this one gauge, keeping the scale factor (after a restart).",
)
@click.option(
    "--accept-step",
    is_flag=True,
    help="Believe the gauges where they make another step a count than the scale states.",
)
@click.option(
    "--accept-datum",
    is_flag=True,
    help="Believe the gauges where they make other heights than the calibration before.",
)
@afresh_option
@bell_option
@runs("gauge")
def gauge_command() -> None:
    """Calibrate the travel with known lengths between the spring's seats.

    Gauges that stand where the spring does, at the bottom of the cups, not on their rims (0 mm:
    the seats touch, which cups do not let them). Three lengths or more: two cannot show an error.
    With the load calibrated first, the touch on each gauge is checked. The file's columns:
    length_mm,counts[,u_mm].
    """


@click.command(
    name="flex",
    epilog="Examples: coilbench rig flex --port /dev/ttyUSB0 --to 90kg ; "
    "coilbench rig flex --from block.csv",
)
@from_option
@port_option
@click.option(
    "--to",
    "least_n",
    type=LOAD,
    default="60kg",
    help="Guided: the load to press the block to; above your springs' highest load.",
)
@bell_option
@runs("gauge")
def flex_command() -> None:
    """Measure how far the press gives, by pressing on a solid block.

    Never exceed the press's or the cell's rating. The file's columns: load_counts,travel_counts.
    """


@click.command(
    name="ratings",
    epilog="Examples: coilbench rig ratings --cell 200kg --press 150kg ; coilbench rig ratings "
    "--rests 142g --cups-meet 18mm ; coilbench rig ratings",
)
@click.option("--cell", "cell_n", type=LOAD, help="What the load cell may bear.")
@click.option("--press", "press_n", type=LOAD, help="What the press and its table may bear.")
@click.option(
    "--rests",
    "rests_n",
    type=WEIGHT,
    help="What lies on the spring unseen: the upper cup's weight, like 142g.",
)
@click.option(
    "--cups-meet",
    "cups_meet_mm",
    type=LENGTH,
    help="Height at which the cups' rims meet: both depths together.",
)
@click.option("--yes", is_flag=True, help="What rests on the spring is as heavy as that.")
@json_option
@runs("rig_ratings")
def ratings_command() -> None:
    """Say what the rig may bear and what its cups are, or show it.

    Take the cell's and the press's plates or makers' sheets. A capture warns at 80 % of the smaller
    of the two; from the whole of it on it says stop, and the stroke does not count; a calibration
    and a check do the same. A stroke's zero is taken with the upper cup on the spring: its weight
    is added to every load. Strokes keep what was told when they were captured; those of before it
    was told at all have it as told now. No gauge shorter than where the cups meet is accepted.

    With other cups tell both anew, and set the datum again. Cups that only one set is pressed in:
    coilbench set edit SET --rests.
    """


@click.command(
    name="card", epilog="Examples: coilbench rig card ; coilbench rig card --html card.html"
)
@click.option(
    "--html",
    "page",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Write the card as one self-contained page to this file.",
)
@click.option("--force", is_flag=True, help="Replace an existing file.")
@json_option
@runs("rig_card")
def card_command() -> None:
    """Show the calibration in force: its points, curve, uncertainty, age, and what to trust.

    With the class of ISO 7500-1 whose limits its errors would meet; this is not a certificate.
    """


@click.command(
    name="check",
    epilog="Examples: coilbench rig check --port /dev/ttyUSB0 ; coilbench rig check --port "
    "/dev/ttyUSB0 --mass 20kg ; coilbench rig check --history",
)
@click.option("--port", help="Where the rig is; any port URL.")
@click.option("--mass", help="A check weight, e.g. 20kg: pass or fail, kept in the book.")
@click.option("--mass-u", help="The weight's expanded uncertainty (k = 2), e.g. 10g.")
@click.option("--tolerance", help="Largest error that passes, e.g. 1% or 0.2kg.  [default: 1%]")
@click.option("--history", is_flag=True, help="List the checks and the trend of their error.")
@click.option(
    "--good-for",
    "good_for",
    type=click.FloatRange(min=0.0, min_open=True),
    help="Days that a calibration or a check is valid, from now on.  [default: 90, common "
    "practice]",
)
@click.option(
    "--seconds",
    type=click.FloatRange(min=2.0),
    default=10.0,
    help="Health: how long to listen to the resting rig.",
)
@click.option("--hands-off", is_flag=True, help="Health: listen only, ask for no press.")
@json_option
@runs("rig_check")
def check_command() -> None:
    """Check the rig: with a known weight, or without one its health.

    With --mass: the weight's reading against what it is, stored in the book; a failed or overdue
    check shows on every later report. Without: rate, noise, drift, losses, and by a press which
    way cell and encoder are wired. Exits with 1 when the check failed or something is wrong.
    """
