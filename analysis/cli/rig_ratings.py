"""`coilbench rig ratings`: what the load cell and the press may bear."""

from __future__ import annotations

from dataclasses import replace

import click

from coilbench.analysis.cli.common import LOAD, json_option, print_document, units
from coilbench.analysis.cli.settings import book_path
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.ratings import Ratings
from coilbench.capture.strokes.watching import NEAR_SHARE


@click.command(
    name="ratings",
    epilog="Examples: coilbench rig ratings --cell 200kg --press 150kg ; coilbench rig ratings",
)
@click.option("--cell", "cell_n", type=LOAD, help="What the load cell may bear.")
@click.option("--press", "press_n", type=LOAD, help="What the press and its table may bear.")
@json_option
def ratings_command(cell_n: float | None, press_n: float | None, as_json: bool) -> None:
    """Say what the rig may bear, or show it; a capture warns and stops you by it.

    Take the cell's and the press's plates or makers' sheets. A capture warns at 80 % of the smaller
    of the two; from the whole of it on it says stop, and the stroke does not count.
    """
    given = {"cell_n": cell_n, "press_n": press_n}
    given = {name: rating_n for name, rating_n in given.items() if rating_n is not None}
    with open_book(book_path(), create=bool(given)) as db:
        ratings = Ratings.of_book(db)
        if given:
            ratings = replace(ratings, **given)
            ratings.store(db)
    if as_json:
        print_document(ratings)
        return
    shown = units()
    for part, rating_n in (("cell", ratings.cell_n), ("press", ratings.press_n)):
        words = "not told" if rating_n is None else f"may bear {shown.load_text(rating_n)}"
        click.echo(f"The {part}: {words}.")
    if ratings.least is None:
        click.echo("Overload is not watched. Say it: coilbench rig ratings --cell 200kg")
        return
    least_n, part = ratings.least
    near = shown.load_text(NEAR_SHARE * least_n)
    click.echo(f"A capture warns at {near}, and says stop at {shown.load_text(least_n)} ({part}).")
