"""`coilbench rig ratings`: what the rig may bear, what rests on the spring, where the cups meet."""

from __future__ import annotations

import click
from msgspec.structs import replace

from coilbench.analysis.cli.common import print_document, say, units
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.report.rests_text import kept_lines
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.ratings import Ratings
from coilbench.capture.book.rests import rests_beside, untold_strokes
from coilbench.capture.calibration.keyed_setup import MOST_RESTS_N
from coilbench.capture.calibration.overload import NEAR_SHARE
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.units import counted


def ratings_command(
    cell_n: float | None,
    press_n: float | None,
    rests_n: float | None,
    cups_meet_mm: float | None,
    yes: bool,
    as_json: bool,
) -> None:
    """Say what the rig may bear and what its cups are, or show it."""
    given = {
        "cell_n": cell_n,
        "press_n": press_n,
        "rests_n": rests_n,
        "cups_meet_mm": cups_meet_mm,
    }
    given = {name: told for name, told in given.items() if told is not None}
    with open_book(book_path(), create=bool(given)) as db:
        before = ratings = Ratings.of_book(db)
        if given:
            ratings = replace(ratings, **given)
            refuse_heavy_rests(ratings.rests_n, yes=yes)
        moved = untold_strokes(db) if ratings.rests_n != before.rests_n else 0
        of_sets, kept = rests_beside(db, ratings.rests_n)
        if given:  # nothing is told where what it does to sets can't be said
            ratings.store(db)
    if as_json:
        print_document(ratings)
        return
    _show(ratings)
    for name, of_set_n in of_sets.items():
        click.echo(
            f"On the springs of {name}, in other cups, rests {units().small_load_text(of_set_n)}."
        )
    for line in kept_lines(kept, ratings.rests_n, of_sets, units()):
        say(f"{line}.")
    if moved:
        click.echo(
            f"{counted(moved, 'stroke')} captured before it was told what rests on the spring: "
            "their loads have it now."
        )
    if (ratings.rests_n, ratings.cups_meet_mm) != (before.rests_n, before.cups_meet_mm):
        click.echo(
            "If the cups are others than at the last gauge, set the datum again before a spring is "
            "pressed: coilbench rig gauge --port PORT --datum 35mm"
        )


def refuse_heavy_rests(rests_n: float | None, *, yes: bool = False) -> None:
    """Refuse a weight on the spring that no upper cup has: grams were meant.

    Args:
        yes: whether the user has said that it is so.

    Raises:
        CoilbenchError: it is above MOST_RESTS_N.
    """
    if not yes and rests_n is not None and rests_n > MOST_RESTS_N:
        raise CoilbenchError(
            f"{units().load_text(rests_n)} rests on the spring? An upper cup weighs some 150 g",
            where="--rests",
            hint="Write grams like 142g; if it is as heavy as that: --yes",
        )


def _show(ratings: Ratings) -> None:
    shown = units()
    for part, rating_n in (("cell", ratings.cell_n), ("press", ratings.press_n)):
        words = "not told" if rating_n is None else f"may bear {shown.load_text(rating_n)}"
        click.echo(f"The {part}: {words}.")
    if ratings.rests_n is None:
        click.echo("What rests on the spring: not told, and taken as 0: loads read so much less.")
    else:
        click.echo(
            f"On the spring rests {shown.small_load_text(ratings.rests_n)}, added to the loads of "
            "strokes that were told no other weight."
        )
    if ratings.cups_meet_mm is not None:
        meet = shown.length_text(ratings.cups_meet_mm)
        click.echo(f"The cups meet at {meet}: no gauge is shorter.")
    if ratings.least is None:
        click.echo("Overload is not watched. Say it: coilbench rig ratings --cell 200kg")
        return
    least_n, part = ratings.least
    near = shown.load_text(NEAR_SHARE * least_n)
    click.echo(f"A capture warns at {near}, and says stop at {shown.load_text(least_n)} ({part}).")
