"""`coilbench set list`: light, as it is asked often."""

from __future__ import annotations

import click

from coilbench.analysis.cli.common import print_document
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.report.document import picked
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.state import SetState


def set_list(as_json: bool) -> None:
    """List the sets in the book and how far each has come."""
    with open_book(book_path()) as db:
        states = SetState.every(db.conn)
        rows = db.query("SELECT name, set_note AS note, set_mark AS mark FROM sets")
        words = {row.pop("name"): row for row in rows}
    if as_json:
        keys = "name role springs measured"
        print_document({"sets": [picked(one, keys) | words[one.name] for one in states]})
        return
    if not states:
        click.echo("No sets yet. Start one with: coilbench set new NAME --role outer --count 12")
    for one in states:
        own = words[one.name]
        marked = "" if own["mark"] is None else f"  marked {own['mark']}"
        note = "" if own["note"] is None else f"  ({own['note']})"
        click.echo(
            f"{one.name}  {one.role}  {one.measured} of {one.springs} measured{marked}{note}"
        )
