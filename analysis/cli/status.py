"""`coilbench` alone, or `coilbench status`: what state things are in, and the next command.

It loads nothing heavy, so that it answers at once.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from coilbench.analysis.cli.place import book_path
from coilbench.analysis.next_step import (
    NextStep,
    capture_runs,
    next_step,
    overdue,
    seconds_since,
)
from coilbench.capture.book.state import BookState, SetState, book_state

MOST_SETS = 8
_KINDS = ("load", "travel", "flex")


@click.command(name="status", epilog="Examples: coilbench ; coilbench status --json")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
def status_command(as_json: bool) -> None:
    """Say what state things are in, and the one next command. So does `coilbench` alone."""
    show_status(as_json=as_json)


def show_status(*, as_json: bool = False) -> None:
    """Print the state of the book and the next command.

    Raises:
        CoilbenchError: the book is none of ours, or cannot be read.
    """
    path = book_path()
    now_utc = datetime.now(UTC).isoformat(timespec="milliseconds")
    state = book_state(path) if path.exists() else None
    step = _newer() if state is not None and state.newer else next_step(state, now_utc)
    if as_json:
        click.echo(json.dumps(_document(path, state, step), ensure_ascii=False, indent=2))
        return
    for name, words in _lines(path, state, now_utc):
        click.echo(f"{name:<8}{words}")
    click.echo(f"Next    {step.why}:")
    click.echo(f"            coilbench {step.command}")
    if step.else_:
        click.echo(f"        {step.else_}")


def _newer() -> NextStep:
    return NextStep("--version", "update coilbench, a newer one has written this book; this one is")


def _lines(path: Path, state: BookState | None, now_utc: str) -> Iterator[tuple[str, str]]:
    if state is None:
        yield "Book", f"none yet (it will be {path})"
        return
    older = "; an older version, brought up to date on its next use" if state.older else ""
    yield "Book", f"{path}, {path.stat().st_size / 1e6:.1f} MB{older}"
    if state.newer:
        return
    yield "Rig", _rig_words(state, now_utc)
    if state.check is not None:
        verdict = "passed" if state.check.passed else "FAILED"
        yield "Check", f"{verdict}, {_age(state.check.made_utc, now_utc)}"
    unfinished = sorted(path.parent.glob(f"{path.name}.unfinished-*.json"))
    for file in unfinished:
        kind = file.name.removesuffix(".json").rpartition("-")[2]
        yield "", f"a guided rig {kind} was broken off; calling it again goes on"
    yield from _set_lines(state.sets)
    if state.capture is not None and state.capture.running:
        words = "running" if capture_runs(state, now_utc) else "ended without closing the book"
        seen = _age(state.capture.seen_utc, now_utc)
        yield "Capture", f"of {state.capture.set_name}, {words}, last seen {seen}"


def _rig_words(state: BookState, now_utc: str) -> str:
    if not state.parts_utc:
        return "not calibrated"
    made = [
        f"{kind} {_age(state.parts_utc[kind], now_utc)}"
        for kind in _KINDS
        if kind in state.parts_utc
    ]
    missing = [kind for kind in _KINDS if kind not in state.parts_utc]
    words = f"calibrated: {', '.join(made)}"
    if missing:
        words += f"; not yet: {', '.join(missing)}"
    return words + ("; OVER ITS AGE" if overdue(state, now_utc) else "")


def _set_lines(sets: tuple[SetState, ...]) -> Iterator[tuple[str, str]]:
    if not sets:
        yield "Sets", "none yet"
    ordered = sorted(sets, key=lambda one: one.done)  # what is still to do comes first
    wide = max((len(one.name) for one in ordered[:MOST_SETS]), default=0)
    for place, one in enumerate(ordered[:MOST_SETS]):
        done = f"{one.measured} of {one.springs} measured"
        yield "" if place else "Sets", f"{one.name:<{wide}}  {one.role:<6}  {done}"
    if len(ordered) > MOST_SETS:
        yield "", f"and {len(ordered) - MOST_SETS} more: coilbench set list"


def _age(made_utc: str, now_utc: str) -> str:
    seconds = seconds_since(made_utc, now_utc)
    for size, word in ((86400.0, "day"), (3600.0, "hour"), (60.0, "minute")):
        if seconds >= size:
            many = int(seconds / size)
            return f"{many} {word}{'' if many == 1 else 's'} ago"
    return "just now"


def _document(path: Path, state: BookState | None, step: NextStep) -> dict[str, Any]:
    rig = None
    if state is not None and state.parts_utc:
        check = None if state.check is None else vars(state.check)
        rig = {"parts_utc": state.parts_utc, "check": check}
    capture = None if state is None or state.capture is None else vars(state.capture)
    return {
        "book": str(path),
        "exists": state is not None,
        "older": state is not None and state.older,
        "newer": state is not None and state.newer,
        "rig": rig,
        "sets": [] if state is None else [vars(one) for one in state.sets],
        "capture": capture,
        "next": {"command": f"coilbench {step.command}", "why": step.why},
    }
