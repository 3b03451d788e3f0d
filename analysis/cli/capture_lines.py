"""What a capture says in lines: each event as it happens, and how far it came."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from coilbench.analysis.cli.common import units
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.report.bench_text import LET_UP, event_mark
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.heights_text import verdict_text
from coilbench.analysis.report.units import Units
from coilbench.capture.plain import as_typed
from coilbench.capture.running.commands import Event, Snapshot
from coilbench.capture.running.kinds import EventKind
from coilbench.capture.strokes.watching import STOPS
from coilbench.capture.units import counted


def event_line(event: Event, shown: Units) -> str:
    """Write what happened as a line, with its mark."""
    stops = event.kind is EventKind.FAULT and event.what.kind in STOPS
    words = f"{LET_UP}: " if stops else ""
    return f"{event_mark(event)}{words}{describe(event.what, shown)}"


def capture_ended(
    last: Snapshot, heights_mm: Sequence[float] = (), seen: int | None = None
) -> Iterator[str]:
    """Say how far a capture came, from its last snapshot: what happened last, what is next.

    Args:
        heights_mm: the heights that were asked for; they are asked for again in what is next.
        seen: the number of the last event that was shown; None for all of them.
    """
    for number, event in last.events:
        if seen is not None and number > seen and event.what != last.closed:
            yield event_line(event, units())
    refused = f", {counted(last.lines_bad, 'line')} corrupted" if last.lines_bad else ""
    yield (
        f"{last.springs_done} of {last.springs} springs done, "
        f"{counted(last.strokes, 'stroke')} kept, {last.samples} samples, "
        f"{last.samples_lost} lost{refused}. Book: {book_path()}"
    )
    if last.closed is not None:
        yield f"{last.set_name}: {verdict_text(last.closed, units())}."
    if last.turn is not None:
        yield f"Next is {describe(last.turn, units())}; go on with the same command."
    elif last.springs:
        at = "".join(f" --at {height_mm:g}mm" for height_mm in heights_mm) or " --at HEIGHT"
        first = None if last.closed is None else last.closed.facts.get("label")
        closes = last.closed is not None and last.closed.kind != "set_closed" and first is not None
        datum = "the same command again, to say whether the datum is right or set it (d); then "
        again = f"the same command again, to press {first} once more; then " if closes else ""
        again = datum if closes and last.datum is not None else again
        yield f"Next: {again}coilbench set check {as_typed(last.set_name)}{at}"
