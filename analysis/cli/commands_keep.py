"""The commands that keep and share the book: what can be typed after them. Light to import."""

from __future__ import annotations

from pathlib import Path

import click

from coilbench.analysis.cli.common import (
    effort_option,
    json_option,
    runs,
    seconds_option,
    use_flagged_option,
)

_FILE = click.Path(dir_okay=False, path_type=Path)


@click.command(
    name="export",
    epilog="Examples: coilbench export --out bench-csv ; coilbench export --set larch --out csv ; "
    "coilbench export --sheet road.toml --out road-csv ; coilbench rig weigh --from "
    "csv/rig/load-2026-05-02.csv ; coilbench import csv/strokes/larch/larch-01.csv --set larch "
    "--label larch-01",
)
@click.option(
    "--set", "set_names", multiple=True, help="A set to write; repeat it.  [default: all]"
)
@click.option(
    "--out",
    "folder",
    required=True,
    type=click.Path(path_type=Path),
    help="The folder to write into; made if necessary.",
)
@click.option(
    "--sheet",
    "build",
    type=click.Path(path_type=Path),
    help="Write this build file's sheet instead, as coilbench report shows it.",
)
@effort_option
@use_flagged_option
@seconds_option
@click.option("--force", is_flag=True, help="Replace existing files.")
@json_option
@runs("export")
def export_command() -> None:
    """Write sets as CSV files: springs, strokes, keyed readings and calibrations.

    springs.csv, strokes.csv, curves.csv, keyed.csv and calibrations.csv list what the book has,
    including strokes that do not count. Each stroke and each calibration has its own file, in
    strokes/ and rig/. The comments at the top of a file say what each column is, and which command
    reads the file. Text that a spreadsheet would run as a formula has an apostrophe before it,
    which the import removes again. For a backup use coilbench book copy.

    With --sheet: what coilbench report shows of a build file, as tables in the display units;
    --effort, --use-flagged and --seconds go with it.
    """


@click.command(
    name="merge",
    epilog="Example: coilbench merge /media/stick/other-bench.db",
)
@click.argument("books", nargs=-1, required=True, type=click.Path(dir_okay=False, path_type=Path))
@json_option
@runs("book")
def merge_command() -> None:
    """Bring other benches' books into this one: sets, strokes, calibrations, checks, scales.

    It can be repeated, in any order, with the same result: what is in both books is there once. Two
    different sets of one name are kept apart: the one that comes in gets the first characters of
    its id after its name, which mean it at every bench; so it is with scales. Of two rulings,
    names, labels, nominals or lengths the one that was changed more often holds, so the one given
    knowing of the other. Of two as often changed: a stroke that one book leaves out no longer
    counts, a ruling holds over none, of lengths and marks the later entry, else the text that sorts
    last. What changes in this book is listed. In force is the newest calibration of this bench's
    rig, wherever it was made. The other books are not changed, and a copy of this book as it was is
    kept beside it.
    """


@click.command(
    name="share",
    epilog="Examples: coilbench share postgresql://ann@shop.local/springs ; coilbench share",
)
@click.argument("url", required=False)
@click.option("--push", "push", is_flag=True, help="Only give the store what it lacks.")
@click.option("--pull", "pull", is_flag=True, help="Only take what this book lacks.")
@click.option(
    "--all",
    "anew",
    is_flag=True,
    help="Compare all that this book has with the store, not only what is new.",
)
@click.option("--init", is_flag=True, help="Make the store and its roles, or bring it up to date.")
@click.option("--sql", is_flag=True, help="With --init: print the SQL instead of running it.")
@click.option(
    "--answers",
    is_flag=True,
    help="Also work out loads, rates and flags of what changed, for those who read by SQL.",
)
@json_option
@runs("share")
def share_command() -> None:
    """Share this book with the shop's store at URL: any address of a PostgreSQL database.

    What the store lacks is pushed, what this book lacks is pulled, and differences are settled as
    `coilbench merge` does. The address is kept in the book: later `coilbench share` will do. A
    password belongs in ~/.pgpass, never in the address. Without the network every bench goes on;
    share when it is there again. Ends with 1 where the store lost something or a damaged row stayed
    here.
    """


@click.command(name="copy", epilog="Example: coilbench book copy /media/stick/bench-2026-11.db")
@click.argument("file", type=_FILE)
@click.option("--force", is_flag=True, help="Replace an existing file.")
@runs("book")
def book_copy() -> None:
    """Copy the whole book into FILE, also while a capture is running.

    The copy holds everything stored up to that moment. It is checked before this ends.
    """


@click.command(
    name="check",
    epilog="Examples: coilbench book check ; coilbench book check /media/stick/bench-2026-11.db",
)
@click.argument("file", type=_FILE, required=False)
@json_option
@runs("book")
def book_check() -> None:
    """Look for damage in the book, or in the copy FILE.

    All of it is read: its pages, its keys, and every row, each of which has a digest. Nothing is
    changed. Exits with 1 if something is wrong.
    """


@click.command(
    name="put-back", epilog="Example: coilbench book put-back /media/stick/bench-2026-11.db"
)
@click.argument("file", type=_FILE)
@runs("book")
def book_put_back() -> None:
    """Put the copy FILE in the book's place. The old book is kept beside it.

    Refused for a copy that is damaged or written by a newer coilbench, and while a capture is
    running or another program has the book open.
    """
