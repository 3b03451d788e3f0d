"""`coilbench demo`: the whole job on the simulated rig."""

from __future__ import annotations

import tempfile
from functools import partial
from pathlib import Path

import click
from rich.console import Console
from rich.progress import BarColumn, Progress, TaskID, TaskProgressColumn, TextColumn

from coilbench.analysis.cli.common import json_option, print_document, settings, units
from coilbench.analysis.cli.pairing import show_pairing
from coilbench.analysis.cli.set_check_show import show_check
from coilbench.analysis.demo import BUILD_FILE, SETS, SPRINGS, Demo, DemoResult
from coilbench.analysis.engine.pairing import combination_document
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.running.events import Event, EventKind


@click.command(name="demo", epilog="Example: coilbench demo --book /tmp/demo.db")
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True, help="Another bench.")
@click.option(
    "--book",
    "book",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Where the demo's new book goes.  [default: a fresh temporary folder]",
)
@json_option
def demo_command(seed: int, book: Path | None, as_json: bool) -> None:
    """Run the whole job on a simulated rig: calibrate, capture four sets, check, pair.

    No hardware and no questions. All springs and the engine are invented.
    """
    path = _new_book(book if book is not None else settings().book_given)
    demo = Demo(path, seed, units())
    result = _run(demo)
    build_path = path.with_suffix(".toml")
    build_path.write_text(BUILD_FILE, encoding="utf-8")
    if as_json:
        print_document(_document(path, result))
    else:
        _show(path, build_path, result)


def _new_book(given: Path | None) -> Path:
    if given is None:
        return Path(tempfile.mkdtemp(prefix="coilbench-demo-")) / "demo.db"
    if given.exists():
        raise CoilbenchError(
            "the demo writes a new book, and this file is there already",
            where=str(given),
            mend="Name another file",
        )
    return given


def _run(demo: Demo) -> DemoResult:
    """Run the steps; progress goes to stderr, so that stdout stays for the result."""
    progress = Progress(
        TextColumn("{task.description:<28}"),
        BarColumn(bar_width=30),
        TaskProgressColumn(),
        console=Console(stderr=True),
    )
    with progress:
        task = progress.add_task("calibrating the rig", total=1)
        demo.calibrate(lambda _words: None)
        progress.update(task, completed=1)
        for number, one in enumerate(SETS):
            words = f"capturing {one.name} ({one.role})"
            task = progress.add_task(words, total=SPRINGS * demo.strokes)
            demo.capture(number, partial(_advance, progress, task))
        task = progress.add_task("checking and pairing", total=1)
        result = demo.decide()
        progress.update(task, completed=1)
    return result


def _advance(progress: Progress, task: TaskID, event: Event) -> None:
    if event.kind is EventKind.KEPT:
        progress.advance(task)


def _document(path: Path, result: DemoResult) -> dict[str, object]:
    return {
        "book": str(path),
        "sets": {
            check.name: {"springs": len(check.springs), "flagged": list(check.flagged)}
            for check in result.checks
        },
        "best_pair": combination_document(result.pairing.combinations[0]),
        "lost_samples": result.samples_lost,
    }


def _show(path: Path, build_path: Path, result: DemoResult) -> None:
    for check in result.checks:
        click.echo(f"\nSet {check.name}")
        show_check(check, (), units())
    click.echo("")
    show_pairing(result.build, result.pairing, list(result.left_out), top=6)
    click.echo(
        f"\n{result.samples} samples came through the serial path, {result.samples_lost} lost.\n"
        f"The book is {path}, the build file {build_path}. Everything in them is invented.\n\n"
        "Try next:\n"
        f"  coilbench --book {path} set check larch --at 38.5mm --at 27.6mm\n"
        f"  coilbench --book {path} pair {build_path}\n"
        f"  coilbench --book {path} assign {build_path}\n"
        f"  coilbench --book {path} report {build_path} -o sheet.html\n"
        f"  coilbench --book {path} depths {build_path}\n"
        f"  coilbench --book {path} rig card\n"
        f"  sqlite-utils tables {path} --counts"
    )
