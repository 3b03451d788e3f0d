"""Decide what becomes of a stroke: kept and counted, kept only, or asked for again. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from coilbench.capture.strokes import Stroke
from coilbench.capture.sweep import SweepStatus

# All common practice at a bench, no source.
SHORT_SHARE = 0.8  # of the set's usual depth: less was not pressed through
MOST_LOST_SHARE = 0.05  # a curve with more holes than this is asked for again
LONGEST_GAP_S = 0.25  # so is one with a hole this long: at hand speed some millimetres
REACH_SLACK_MM = 0.05


@dataclass(frozen=True)
class Verdict:
    """What a stroke is worth.

    Attributes:
        counted: it counts for its turn.
        note: why not, or what is worth knowing, in words; None where there is nothing to say.
    """

    status: SweepStatus
    counted: bool
    samples_lost: int
    note: str | None


def judge(
    stroke: Stroke,
    *,
    reach_height_mm: float | None = None,
    earlier_depths_mm: Sequence[float] = (),
) -> Verdict:
    """Judge a stroke.

    Args:
        stroke: what the finder found.
        reach_height_mm: the height it must be pressed down to, where the user said so.
        earlier_depths_mm: depths of the strokes of this set that counted, to know a short one.
    """
    lost, longest_gap_s = _losses(stroke)
    if not stroke.released:
        status = SweepStatus.ABORTED if stroke.too_long else SweepStatus.INTERRUPTED
        why = "not released in time" if stroke.too_long else "cut short before it was released"
        return Verdict(status, counted=False, samples_lost=lost, note=why)
    short = _why_short(stroke, reach_height_mm, earlier_depths_mm)
    if short is not None:
        return Verdict(SweepStatus.ABORTED, counted=False, samples_lost=lost, note=short)
    if lost:
        return _judge_gapped(stroke, lost, longest_gap_s)
    note = None if stroke.presses == 1 else f"pressed {stroke.presses} times before the release"
    return Verdict(SweepStatus.COMPLETE, counted=True, samples_lost=0, note=note)


def _why_short(
    stroke: Stroke, reach_height_mm: float | None, earlier_depths_mm: Sequence[float]
) -> str | None:
    if reach_height_mm is not None and stroke.lowest_mm > reach_height_mm + REACH_SLACK_MM:
        return f"stopped at {stroke.lowest_mm:.1f} mm, wanted {reach_height_mm:.1f} mm"
    if earlier_depths_mm:
        usual_mm = float(np.median(earlier_depths_mm))
        if stroke.depth_mm < SHORT_SHARE * usual_mm:
            return f"pressed {stroke.depth_mm:.1f} mm deep, the others {usual_mm:.1f} mm"
    return None


def _losses(stroke: Stroke) -> tuple[int, float]:
    samples = stroke.raw.samples
    missing = np.diff(samples["seq"]) - 1
    if missing.size == 0 or not missing.any():
        return 0, 0.0
    gaps_s = np.diff(samples["t_us"])[missing > 0] * 1e-6
    return int(missing.sum()), float(gaps_s.max())


def _judge_gapped(stroke: Stroke, lost: int, longest_gap_s: float) -> Verdict:
    share = lost / (lost + len(stroke.raw))
    counted = share <= MOST_LOST_SHARE and longest_gap_s <= LONGEST_GAP_S
    note = f"{lost} samples lost in it, the longest gap {longest_gap_s:.2f} s"
    return Verdict(SweepStatus.GAPPED, counted=counted, samples_lost=lost, note=note)
