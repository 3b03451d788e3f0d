"""What a capture says in lines: each event as it happens, and how far it came."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from coilbench.analysis.cli.common import units
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.report.bench_text import LET_UP, event_mark
from coilbench.analysis.report.document import describe
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


def capture_ended(last: Snapshot, heights_mm: Sequence[float] = ()) -> Iterator[str]:
    """Say how far a capture came, from its last snapshot, and what is next.

    Args:
        heights_mm: the heights that were asked for; they are asked for again in what is next.
    """
    refused = f", {counted(last.lines_bad, 'line')} corrupted" if last.lines_bad else ""
    yield (
        f"{last.springs_done} of {last.springs} springs done, {last.samples} samples, "
        f"{last.samples_lost} lost{refused}. Book: {book_path()}"
    )
    if last.turn is not None:
        yield f"Next is {describe(last.turn, units())}; go on with the same command."
    elif last.springs:
        at = "".join(f" --at {height_mm:g}mm" for height_mm in heights_mm) or " --at HEIGHT"
        yield f"Next: coilbench set check {as_typed(last.set_name)}{at}"
