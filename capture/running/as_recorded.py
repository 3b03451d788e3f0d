"""What a snapshot says of a recorder: only what is known now. Pure."""

from __future__ import annotations

from msgspec.structs import replace

from coilbench.capture.blocks import Finding
from coilbench.capture.running.commands import Snapshot
from coilbench.capture.running.recorder import Recorder


def as_recorded(before: Snapshot, recorder: Recorder, load_unknown: Finding | None) -> Snapshot:
    """Return a snapshot brought up to date with what its recorder knows.

    Args:
        load_unknown: why the load is not known now; None where it is.
    """
    newest, datum = recorder.newest, recorder.datum
    known = newest is not None and load_unknown is None
    closing, order = recorder.closing.label, recorder.order
    return replace(
        before,
        load_n=newest.load_n if newest is not None and known else None,
        height_mm=newest.height_mm if newest and known and recorder.heights_known else None,
        load_unknown=load_unknown,
        datum=datum,
        gauge_awaited=recorder.heights.gauge_awaited,
        gauge_under=recorder.heights.on_gauge.under,
        alarm=recorder.alarm,
        question=recorder.question,
        quill_low=recorder.quill_low,
        rating_n=recorder.rating_n,
        free_length_mm=recorder.free_length_mm,
        phase="unknown" if load_unknown is not None else recorder.phase,
        turn=None if datum or closing else recorder.turn,
        closing=closing,
        closed=recorder.closing.verdict,
        springs_done=len(order.finished()),
        springs=len(order.labels),
        strokes=sum(map(order.measured_of, order.labels)),
    )
