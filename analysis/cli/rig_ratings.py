"""`coilbench rig ratings`: what the rig may bear, what rests on the spring, where the cups meet."""

from __future__ import annotations

from dataclasses import replace

import click

from coilbench.analysis.cli.common import LENGTH, LOAD, json_option, print_document, units
from coilbench.analysis.cli.settings import book_path
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.ratings import Ratings
from coilbench.capture.calibration.overload import NEAR_SHARE


@click.command(
    name="ratings",
    epilog="Examples: coilbench rig ratings --cell 200kg --press 150kg ; coilbench rig ratings "
    "--rests 0.142kg --cups-meet 18mm ; coilbench rig ratings",
)
@click.option("--cell", "cell_n", type=LOAD, help="What the load cell may bear.")
@click.option("--press", "press_n", type=LOAD, help="What the press and its table may bear.")
@click.option(
    "--rests", "rests_n", type=LOAD, help="What lies on the spring unseen: the upper cup's weight."
)
@click.option(
    "--cups-meet",
    "cups_meet_mm",
    type=LENGTH,
    help="Height at which the cups' rims meet: both depths together.",
)
@json_option
def ratings_command(
    cell_n: float | None,
    press_n: float | None,
    rests_n: float | None,
    cups_meet_mm: float | None,
    as_json: bool,
) -> None:
    """Say what the rig may bear and what its cups are, or show it.

    Take the cell's and the press's plates or makers' sheets. A capture warns at 80 % of the smaller
    of the two; from the whole of it on it says stop, and the stroke does not count. A stroke's zero
    is taken with the upper cup on the spring: its weight is added to every load, also of strokes
    captured before it was told. No gauge that is shorter than where the cups meet is accepted.
    """
    given = {
        "cell_n": cell_n,
        "press_n": press_n,
        "rests_n": rests_n,
        "cups_meet_mm": cups_meet_mm,
    }
    given = {name: told for name, told in given.items() if told is not None}
    with open_book(book_path(), create=bool(given)) as db:
        ratings = Ratings.of_book(db)
        if given:
            ratings = replace(ratings, **given)
            ratings.store(db)
    if as_json:
        print_document(ratings)
        return
    _show(ratings)


def _show(ratings: Ratings) -> None:
    shown = units()
    for part, rating_n in (("cell", ratings.cell_n), ("press", ratings.press_n)):
        words = "not told" if rating_n is None else f"may bear {shown.load_text(rating_n)}"
        click.echo(f"The {part}: {words}.")
    if ratings.rests_n is None:
        click.echo("What rests on the spring: not told, and taken as 0: loads read so much less.")
    else:
        click.echo(f"On the spring rests {shown.load_text(ratings.rests_n)}, added to every load.")
    if ratings.cups_meet_mm is not None:
        meet = shown.length_text(ratings.cups_meet_mm)
        click.echo(f"The cups meet at {meet}: no gauge is shorter.")
    if ratings.least is None:
        click.echo("Overload is not watched. Say it: coilbench rig ratings --cell 200kg")
        return
    least_n, part = ratings.least
    near = shown.load_text(NEAR_SHARE * least_n)
    click.echo(f"A capture warns at {near}, and says stop at {shown.load_text(least_n)} ({part}).")
