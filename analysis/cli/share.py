"""`coilbench share`: this bench's book and the shop's store on PostgreSQL, both ways."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager
from importlib.metadata import PackageNotFoundError, version

import click
from msgspec.structs import asdict
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn

from coilbench.analysis.cli.common import print_document, units
from coilbench.analysis.cli.plain_console import PlainConsole
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.inputs.measured import NothingMeasured, judge_set
from coilbench.analysis.report.document import describe, document
from coilbench.analysis.report.merge_text import note_text
from coilbench.analysis.report.share_text import share_lines
from coilbench.analysis.report.units import SI
from coilbench.capture.book.connection import Database
from coilbench.capture.book.sets import SetRecord
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.shop import sharing
from coilbench.capture.shop.answers import Answer
from coilbench.capture.shop.shape import kinds, store_sql
from coilbench.capture.shop.store import Store
from coilbench.capture.shop.views import views_sql

_WORDS = {"push": "to the store", "pull": "from the store"}


def share_command(
    url: str | None,
    push: bool,
    pull: bool,
    anew: bool,
    init: bool,
    sql: bool,
    answers: bool,
    as_json: bool,
) -> None:
    """Share this book with the shop's store at URL: any address of a PostgreSQL database."""
    if sql and not init:
        raise CoilbenchError("--sql goes with --init", hint="Add --init")
    if init:
        _init(url, sql=sql)
        return
    with _progress(shown=not as_json) as progress:
        done = sharing.share_book(
            book_path(),
            url,
            push=push or not pull,
            pull=pull or not push,
            anew=anew,
            answering=(_answer, _program_version()) if answers else None,
            progress=progress,
        )
    if as_json:
        pulled = None if done.pulled is None else asdict(done.pulled)
        if pulled is not None:
            pulled["notes"] = [note_text(note, SI) for note in pulled["notes"]]
        pushed = None if done.pushed is None else asdict(done.pushed)
        worked_out = None if done.answers is None else asdict(done.answers)
        told = {"pulled": pulled, "pushed": pushed, "answers": worked_out}
        print_document(asdict(done) | told)
    else:
        for line in share_lines(done, units()):
            click.echo(line)
    stayed = done.pushed is not None and (done.pushed.damaged or done.pushed.unlike)
    if done.lost or done.left or stayed:
        raise click.exceptions.Exit(1)


def _answer(db: Database, record: SetRecord) -> Answer | str:
    """Judge a set at its nominal's heights, else at two inside its curves; else say why not."""
    try:
        judged = judge_set(db, record, must_reach=False)
    except NothingMeasured:
        return "nothing of it counts yet"
    if judged.check is None:
        if judged.unjudged is not None:
            return describe(judged.unjudged, SI)
        return "its springs have no two heights in common between which to compare them"
    strokes = judged.measured.strokes.values()
    kept = sum(one.kept for own in strokes for one in own)
    check = judged.check
    springs = document(check)["springs"]
    return Answer(_program_version(), "mean", check.tolerance, kept, springs)


def _init(url: str | None, *, sql: bool) -> None:
    if sql:
        click.echo("BEGIN;\nSET LOCAL client_min_messages = warning;")
        for statement in (*store_sql(kinds()), *views_sql()):
            click.echo(f"{statement};")
        click.echo("COMMIT;")
        return
    if url is None:
        raise CoilbenchError(
            "--init needs the address of a database",
            hint="Like: coilbench share postgresql://admin@shop.local/springs --init",
        )
    with closing(Store(url)) as store:
        made = store.init()
    done = "is made" if made else "was there, and is of this version now"
    click.echo(f"The store {done}. Give each bench a role of its own, as in capture/SHOP.md.")


@contextmanager
def _progress(*, shown: bool) -> Iterator[sharing.Progress]:
    """Yield what shows how far it is, on a terminal."""
    if not (shown and sys.stderr.isatty()):
        yield lambda *_: None
        return
    console = PlainConsole(stderr=True)
    text = TextColumn("{task.description:<16}")
    with Progress(text, BarColumn(bar_width=30), TaskProgressColumn(), console=console) as bars:
        tasks = {
            what: bars.add_task(words, total=None, visible=False) for what, words in _WORDS.items()
        }
        yield lambda what, done, total: bars.update(
            tasks[what], completed=done, total=total, visible=True
        )


def _program_version() -> str:
    """Return which program this is."""
    try:
        return version("coilbench")
    except PackageNotFoundError:  # run from a folder, not installed
        return "unknown"
