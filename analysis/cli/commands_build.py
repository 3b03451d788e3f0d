"""The commands from a shelf of springs to the sheet: what can be typed after them.

Light to import."""

from __future__ import annotations

from pathlib import Path

import click

from coilbench.analysis.cli.common import (
    build_argument,
    effort_option,
    json_option,
    runs,
    seconds_option,
    use_flagged_option,
)


@click.command(
    name="begin",
    epilog="Examples: coilbench begin ; coilbench begin road.toml ; "
    "coilbench --load-unit lbf --length-unit in begin road.toml",
)
@click.argument("build", default="engine.toml", type=click.Path(dir_okay=False, path_type=Path))
@runs("begin")
def begin_command() -> None:
    """Answer what you know: springs, cam card, head, shims, scale. It writes the build file.

    Sets go into the book, the rest into BUILD, a text file with comments. What you don't know yet
    stays open; run it again to go on, or to change an answer. Your own comments in the file stay.
    It ends with the first presses of `coilbench plan`.
    """


@click.command(name="demo", epilog="Example: coilbench demo --book /tmp/demo.db")
@click.option("--seed", type=click.IntRange(0), default=1, help="Another bench.")
@click.option(
    "--book",
    "book",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Where the demo's new book goes.  [default: a fresh temporary folder]",
)
@json_option
@runs("demo")
def demo_command() -> None:
    """Run the whole job on a simulated rig: calibrate, capture four sets, check, pair.

    No hardware and no questions. All springs and the engine are invented.
    """


@click.command(
    name="plan",
    epilog="Examples: coilbench plan road.toml ; coilbench plan road.toml --sheet presses.html ; "
    "coilbench plan road.toml --once --sheet all.html",
)
@click.argument("build", type=click.Path(path_type=Path))
@click.option(
    "--sheet",
    "page",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Write the presses as a page with boxes to fill in.",
)
@click.option(
    "--once",
    "at_once",
    is_flag=True,
    help="All presses of a fixed plan, for a press without a computer beside it.",
)
@click.option(
    "--every-set",
    is_flag=True,
    help="Look for springs that lost load in the sets that are not chosen, too.",
)
@click.option("--force", is_flag=True, help="Write over a page that is there already.")
@json_option
@runs("plan")
def plan_command() -> None:
    """Say which springs to press next, at which heights: the fewest presses that decide.

    It goes on from what the book holds. First two springs of each set; then, a few at a time, what
    tells the best pair and shims from their rivals, until another is hardly nearer to the card;
    then which springs of the chosen sets lost load; last what `assign` needs. Key the readings in
    with `coilbench note`, and ask again until nothing is left. Depth is free length less height.
    Exits with 1 where no choice can be pressed or kept within the known limits.
    """


@click.command(name="depths", epilog="Example: coilbench depths road.toml")
@build_argument
@json_option
@runs("assign")
def depths_command() -> None:
    """Print at which heights each set will be read, and how deep to press for them.

    For a person who reads by hand: depth is free length less height. Every valve's height over
    every stack of shims and every cut, valve shut and at full lift; where they are many the two
    ends of the span, between which loads are interpolated. Nothing within a millimetre of a known
    solid height.
    """


@click.command(name="pair", epilog="Example: coilbench pair road.toml track.toml")
@click.argument("builds", nargs=-1, required=True, type=click.Path(path_type=Path))
@use_flagged_option
@click.option("--top", type=click.IntRange(1), default=10, help="Rows shown.")
@click.option("--limits", "with_limits", is_flag=True, help="Add wire stress, surge, valve float.")
@click.option("--outer", help="Limits of the best combination with this outer set.")
@click.option("--inner", help="Limits of the best combination with this inner set.")
@json_option
@runs("pairing")
def pair_command() -> None:
    """Rank outer, inner and shim combinations against the cam card.

    Every valve's height and every sound spring count; springs that the set check flags as weak,
    stiff, short or odd are left out, and named. Several build files, or one with cards of its own
    for intake and exhaust, compare cam cards on the same springs. Exits with 1 when no combination
    fits, or its limits fail.

    With --limits also: the wire's stress and fatigue, surge, coil bind, the retainer's clearance,
    and the speed at which the valve leaves its cam, of the best combination or of the sets named,
    as far as the build file and the book hold what they are computed from. Moving masses are those
    at the valve: a rocker's is its moment of inertia about its pivot over the square of its arm to
    the valve.
    """


@click.command(name="assign", epilog="Example: coilbench assign road.toml --effort cuts")
@build_argument
@effort_option
@use_flagged_option
@seconds_option
@click.option("--limits", "with_limits", is_flag=True, help="Add wire stress, surge, valve float.")
@json_option
@runs("assign")
def assign_command() -> None:
    """Give every valve an outer, an inner and its shims, as near the card as can be.

    Springs come from all candidate sets of the build file together. The sum over the valves of
    both loads' misses, each in its tolerance and squared, is the least of all that was read, and
    proven to be where what was not read could not come nearer even at its best. Valves and heights
    are those of [head.valves], else `valves` in [head] says how many.
    What can't be proven in time, or after Ctrl-C, is the best so far, with the sum that no other
    choice is below; what it exits with is the same.
    Exits with 1 when a valve misses the card or can't be filled, or, with --limits, when what the
    wire bears, the retainer's clearance or the speed at which the valve leaves its cam fails.
    """


@click.command(
    name="report",
    epilog="Examples: coilbench report road.toml ; coilbench report road.toml -o sheet.html",
)
@build_argument
@click.option(
    "-o",
    "--output",
    "page",
    type=click.Path(dir_okay=False, path_type=Path),
    help="The page's file.  [default: the build file's name with .html, beside it; with --json "
    "none]",
)
@effort_option
@use_flagged_option
@seconds_option
@click.option("--force", is_flag=True, help="Write over a page that is there already.")
@json_option
@runs("report")
def report_command() -> None:
    """Write the sheet to build from: one page that prints on A4 and Letter, in black and white.

    Which springs and shims go under each valve with boxes to tick, the card, curves, margins, the
    sets with their flags, calibration, uncertainty, cautions, and how it was computed. Where the
    springs can't fill every valve, the best pair of sets and why. Exits with 1 where it is so,
    where a valve misses the card, or where a limit (coil stress, coil bind, retainer clearance, the
    cam's speed) fails.
    """
