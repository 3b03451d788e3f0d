"""`coilbench depths`: how far to press each set, for a person who reads by hand."""

from __future__ import annotations

from pathlib import Path

import click

from coilbench.analysis.cli.common import (
    book_path,
    json_option,
    plain_table,
    print_document,
    print_uncut,
    read_build,
    units,
)
from coilbench.analysis.engine.depths import DepthRow, depths
from coilbench.analysis.engine.depths import to_document as depths_document
from coilbench.analysis.measured import free_length_mm
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import find_set


@click.command(name="depths", epilog="Example: coilbench depths road.toml")
@click.argument("build", type=click.Path(path_type=Path))
@json_option
def depths_command(build: Path, as_json: bool) -> None:
    """Print how far to press each set for valve shut and full lift, with each shim.

    For a person who reads by hand: depth is free length less height.
    """
    parsed = read_build(build)
    names = (*parsed.springs.outer, *parsed.springs.inner)
    with open_book(book_path()) as db:
        lengths = {name: free_length_mm(db, find_set(db, name)) for name in names}
    rows = depths(parsed, lengths)
    if as_json:
        print_document(depths_document(rows))
        return
    _show_depths(rows)


def _show_depths(rows: tuple[DepthRow, ...]) -> None:
    shown = units()
    titles = ("shim", "cut", "shut\nheight", "shut\ndepth", "full lift\nheight", "full lift\ndepth")
    table = plain_table("set", *(f">{title}" for title in titles))
    for row in rows:
        table.add_row(
            row.set_name,
            shown.length_text(row.shim_mm) if row.shim_mm else "-",
            shown.length_text(row.seat_cut_mm) if row.seat_cut_mm else "-",
            shown.length_text(row.seat_height_mm),
            shown.length_text(row.seat_depth_mm),
            shown.length_text(row.open_height_mm),
            shown.length_text(row.open_depth_mm),
        )
    print_uncut(table)
    if any(row.seat_depth_mm is None for row in rows):
        click.echo("A depth needs the free length: measure the set, or give --free-length.")
    click.echo("Press slowly, the spring captive at both ends; stop before the coils bind.")
