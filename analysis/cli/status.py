"""`coilbench` alone, or `coilbench status`: the state of the book, and the next command.

It loads nothing heavy, so that it answers at once.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple

import click

from coilbench.analysis.cli.settings import book_path
from coilbench.capture.book.state import BookState, CaptureState, CheckState, SetState
from coilbench.capture.plain import as_typed
from coilbench.capture.units import counted

RUNNING_S = 15.0  # a capture updates its row each second; a slow disk may delay that
_PORT = "PORT"


class NextStep(NamedTuple):
    """The next command, words in capitals to be filled in; what for; an alternative sentence."""

    command: str
    why: str
    else_: str = ""


def next_step(state: BookState | None, now_utc: str, builds: Sequence[str] = ()) -> NextStep:
    """Return the next command of the job; without a book state is None.

    Args:
        builds: the build files in the folder: by one of them the plan says what to press.
    """
    if state is not None and state.newer:
        why = "update coilbench: a newer one has written this book; this one is"
        return NextStep("--version", why)
    if state is None or not state.sets:
        return NextStep(
            "begin",
            "say what you know: springs on the shelf, cam card, head",
            "New here? The whole job on a simulated rig: coilbench demo" if state is None else "",
        )
    if capture_runs(state, now_utc):
        return NextStep("live", "watch the capture that is running")
    asked = next((one for one in state.sets if one.asked), None)
    if asked is not None:
        many = "a press counts" if asked.asked == 1 else f"{asked.asked} presses count"
        why = f"say whether {many} of {asked.name}, which nobody did yet"
        return NextStep(f"live --port {_port(state)} --set {as_typed(asked.name)}", why)
    if builds and _by_hand(state):
        others = f" (or of {', '.join(builds[1:])})" if len(builds) > 1 else ""
        why = f"see what to press next by hand, and what is decided{others}"
        named = as_typed(builds[0])
        pair = (
            f"Nothing left to press there? Then: coilbench pair {named} ; coilbench report {named}"
        )
        return NextStep(f"plan {named}", why, pair)
    unfinished = [one for one in state.sets if not one.done]
    if not unfinished:
        last = max(state.sets, key=lambda one: one.last_utc)
        return NextStep(
            f"set check {as_typed(last.name)} --at HEIGHT",
            "see which springs are weak",
            "All sets judged? To find which go together: coilbench pair BUILD.toml",
        )
    # the one that was last worked on, else the first
    current = max(unfinished, key=lambda one: one.last_utc)
    return _measure(state, current, now_utc)


def _measure(state: BookState, current: SetState, now_utc: str) -> NextStep:
    name = as_typed(current.name)
    by_hand = f"note --set {name} --at HEIGHT"
    if _without_rig(state, current):
        which = "other springs" if current.begun else "springs"
        return NextStep(by_hand, f"key in {current.name}'s {which}")
    port = _port(state)
    if "load" not in state.parts_utc:
        return NextStep(
            f"rig weigh --port {port}",
            "calibrate the rig's load with known masses (rig find names the port)",
            "" if state.parts_utc else f"No rig, but a scale and a quill: coilbench {by_hand}",
        )
    if "travel" not in state.parts_utc:
        return NextStep(f"rig gauge --port {port} --lengths LENGTHS", "calibrate the rig's travel")
    if state.check is not None and not state.check.passed:
        return NextStep(
            f"rig weigh --port {port}", "find out why the last check FAILED, then calibrate"
        )
    if overdue(state, now_utc):
        return NextStep(f"rig weigh --port {port}", "the load calibration is overdue")
    if "flex" not in state.parts_utc and not any(one.begun for one in state.sets):
        return NextStep(f"rig flex --port {port}", "measure the press flex")
    return NextStep(f"live --port {port} --set {name}", f"press {current.name}'s other springs")


def _port(state: BookState) -> str:
    return _PORT if state.capture is None else as_typed(state.capture.source_url)


def _without_rig(state: BookState, current: SetState) -> bool:
    """Return whether a set is read by hand: as it was begun, else as the other sets were."""
    return current.by_hand if current.begun else _by_hand(state)


def _by_hand(state: BookState) -> bool:
    """Return whether there is a scale, or readings of one, and never was a rig of this bench."""
    no_rig = not (state.parts_utc and state.rig_here) and state.capture is None
    return no_rig and (state.scale_weighed or any(one.by_hand for one in state.sets))


def build_files(folder: Path) -> list[str]:
    """Return the build files of a folder by name; other TOML files, and what can't be read, not."""
    found = []
    for path in sorted(folder.glob("*.toml")):
        try:
            if not path.is_file() or path.stat().st_size > _LONGEST_BUILD:
                continue
            text = path.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError):
            continue
        if re.search(r"^\[cam[].]", text, re.MULTILINE) and "[head" in text:
            found.append(path.name)
    return found


def capture_runs(state: BookState, now_utc: str) -> bool:
    """Return whether a capture is running, from when it last updated its row."""
    capture = state.capture
    return capture is not None and capture.running and -RUNNING_S <= seconds_since(
        capture.seen_utc, now_utc
    ) <= RUNNING_S  # fmt: skip


def overdue(state: BookState, now_utc: str) -> bool:
    """Return whether the load calibration is older than its limit."""
    made_utc = state.parts_utc.get("load")
    return made_utc is not None and seconds_since(made_utc, now_utc) > state.good_for_days * 86400.0


def seconds_since(earlier_utc: str, now_utc: str) -> float:
    """Return the seconds from one moment to another, ISO 8601 each."""
    step = datetime.fromisoformat(now_utc) - datetime.fromisoformat(earlier_utc)
    return step.total_seconds()


MOST_SETS = 8
_LONGEST_BUILD = 100_000  # bytes; what is longer is no build file
_KINDS = ("load", "travel", "flex")


@click.command(name="status", epilog="Examples: coilbench ; coilbench status --json")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
def status_command(as_json: bool) -> None:
    """Show the state of the book and the next command. So does `coilbench` alone."""
    show_status(as_json=as_json)


def show_status(*, as_json: bool = False) -> None:
    """Print the state of the book and the next command.

    Raises:
        CoilbenchError: the book is not ours, or cannot be read.
    """
    path = book_path()
    now_utc = datetime.now(UTC).isoformat(timespec="milliseconds")
    state = BookState.read(path) if path.exists() else None
    step = next_step(state, now_utc, build_files(Path()))
    if as_json:
        from coilbench.analysis.report.document import document_text

        click.echo(document_text(_document(path, state, step)))
        return
    for name, text in _lines(path, state, now_utc):
        click.echo(f"{name:<8}{text}")
    click.echo(f"Next    {step.why}:")
    click.echo(f"            coilbench {step.command}")
    if step.else_:
        click.echo(f"        {step.else_}")


def _lines(path: Path, state: BookState | None, now_utc: str) -> Iterator[tuple[str, str]]:
    if state is None:
        yield "Book", f"none yet (it will be {path})"
        return
    older = "; an older version, updated on its next use" if state.older else ""
    yield "Book", f"{path}, {path.stat().st_size / 1e6:.1f} MB{older}"
    if state.newer:
        return
    if _by_hand(state):
        scale = "weighed against known masses" if state.scale_weighed else "never weighed"
        yield "Scale", f"{scale}; no rig"
    else:
        yield "Rig", _rig_line(state, now_utc)
        if state.parts_utc and not state.rig_here:
            yield "", "another bench's: no rig was calibrated at this one"
        if state.other_rigs:
            others = counted(len(state.other_rigs), "other rig")
            yield "", f"this is {state.rig or 'a rig without a name'}; the book has {others}, too"
    if state.check is not None:
        verdict = "passed" if state.check.passed else "FAILED"
        yield "Check", f"{verdict}, {_age(state.check.made_utc, now_utc)}"
    unfinished = sorted(path.parent.glob(f"{path.name}.unfinished-*.json"))
    for file in unfinished:
        kind = file.name.removesuffix(".json").rpartition("-")[2]
        yield "", f"a guided rig {kind} was interrupted; the same command continues it"
    yield from _set_lines(state.sets)
    if state.capture is not None and state.capture.running:
        ended = "running" if capture_runs(state, now_utc) else "ended without closing the book"
        seen = _age(state.capture.seen_utc, now_utc)
        yield "Capture", f"of {state.capture.set_name}, {ended}, last seen {seen}"
        if state.capture.waiting:
            waiting = f"waiting, in no answer: coilbench set strokes {state.capture.set_name}"
            yield "", f"{state.capture.waiting} of its presses {waiting}"


def _rig_line(state: BookState, now_utc: str) -> str:
    if not state.parts_utc:
        return "not calibrated"
    made = [
        f"{kind} {_age(state.parts_utc[kind], now_utc)}"
        for kind in _KINDS
        if kind in state.parts_utc
    ]
    missing = [kind for kind in _KINDS if kind not in state.parts_utc]
    line = f"calibrated: {', '.join(made)}"
    if missing:
        line += f"; not yet: {', '.join(missing)}"
    return line + ("; OVERDUE" if overdue(state, now_utc) else "")


def _set_lines(sets: tuple[SetState, ...]) -> Iterator[tuple[str, str]]:
    if not sets:
        yield "Sets", "none yet"
    ordered = sorted(sets, key=lambda one: one.done)  # what is still to do comes first
    wide = max((len(one.name) for one in ordered[:MOST_SETS]), default=0)
    for place, one in enumerate(ordered[:MOST_SETS]):
        done = f"{one.measured} of {one.springs} measured"
        if one.asked:
            done += f"; waiting for an answer: {one.asked} of its presses"
        yield "" if place else "Sets", f"{one.name:<{wide}}  {one.role:<6}  {done}"
    if len(ordered) > MOST_SETS:
        yield "", f"and {len(ordered) - MOST_SETS} more: coilbench set list"


def _age(made_utc: str, now_utc: str) -> str:
    seconds = seconds_since(made_utc, now_utc)
    for size, word in ((86400.0, "day"), (3600.0, "hour"), (60.0, "minute")):
        if seconds >= size:
            return f"{counted(int(seconds / size), word)} ago"
    return "just now"


def _plain(found: CheckState | SetState | CaptureState | None) -> dict[str, Any] | None:
    return None if found is None else found._asdict()


def _document(path: Path, state: BookState | None, step: NextStep) -> dict[str, Any]:
    rig = None
    if state is not None and state.parts_utc:
        names = {"device_id": state.rig, "others": state.other_rigs}
        rig = {**names, "parts_utc": state.parts_utc, "check": _plain(state.check)}
    return {
        "book": path,
        "exists": state is not None,
        "older": state is not None and state.older,
        "newer": state is not None and state.newer,
        "rig": rig,
        "sets": () if state is None else [*map(_plain, state.sets)],
        "capture": None if state is None else _plain(state.capture),
        "next": {"command": f"coilbench {step.command}", "why": step.why},
    }
