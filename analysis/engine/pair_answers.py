"""What two sets would take to meet the card: the exact shim or cut, what is in the way. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, get_args

from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.change_for_load import LoadByChange, Standing, load_by_change
from coilbench.analysis.engine.combination import Combination
from coilbench.analysis.engine.pair_words import (
    change_words,
    choice_words,
    no_words,
    window_words,
)
from coilbench.analysis.engine.pairing_words import clearance_reasons
from coilbench.analysis.engine.placed_sets import SetCurves, SetLoads, exceeds
from coilbench.capture.units import Units

# It fits; a shim or cut that isn't to be had would do; a limit is in the way; nothing mends it;
# it can't be said before more is measured.
Verdict = Literal["fits", "nearly", "limits", "no", "unknown"]
VERDICTS: tuple[Verdict, ...] = get_args(Verdict)


@dataclass(frozen=True)
class PairAnswer:
    """One outer set with one inner set, whatever lies under them.

    Attributes:
        best: the best combination that stock and cuts allow.
        exact_mm: change of height at which the seat load is the card's: shims negative, a cut
            positive; None where that was not measured.
        exact_open_n: the open load there; None if unknown.
        nearest: the combination whose change is nearest to it; None with it.
        window_mm: least and greatest change at which both loads are inside the tolerances;
            None where there is none.
        words: the answer.
    """

    outer: str
    inner: str | None
    verdict: Verdict
    best: Combination
    exact_mm: float | None
    exact_open_n: float | None
    nearest: Combination | None
    window_mm: tuple[float, float] | None
    words: str

    @property
    def order(self) -> int:
        """Rank of the verdict, best first."""
        return VERDICTS.index(self.verdict)


def answer_pair(
    build: BuildFile,
    pair: tuple[SetCurves, SetCurves | None],
    combinations: Sequence[Combination],
    loads: SetLoads,
    units: Units,
) -> PairAnswer:
    """Say what an outer and an inner set would take.

    Args:
        build: card, head and limits.
        pair: the sets; no inner for single springs.
        combinations: all of these sets, best first.
        loads: readings made before, by set and height; new ones are added to it.
        units: for the words.
    """
    cam, best = build.cam, combinations[0]
    seat, full = _by_change(build, pair, loads)
    exact_mm = seat.change_mm(cam.seat_load_n)
    window_mm = _both(
        seat.window_mm(cam.seat_load_n, cam.seat_tolerance_n),
        full.window_mm(cam.open_load_n, cam.open_tolerance_n),
    )
    nearest = exact_open_n = None
    if exact_mm is not None:
        nearest = min(combinations, key=lambda c: abs(c.choice.height_change_mm - exact_mm))
        exact_open_n = full.load_n(exact_mm)
    verdict, words = _verdict(build, best, window_mm, (exact_mm, exact_open_n), units)
    if nearest is not None and exact_mm is not None and verdict != "unknown":
        words += (
            f"; the card's seat load needs {change_words(exact_mm, units)} exactly, nearest is "
            f"{choice_words(nearest.choice, units)}"
        )
    return PairAnswer(
        best.outer,
        best.inner,
        verdict,
        best,
        exact_mm,
        exact_open_n,
        nearest,
        window_mm,
        words,
    )


def answer_document(answer: PairAnswer) -> dict[str, object]:
    """Return one pair of the JSON document of `pair`; exact shim and cut are never both."""
    exact_mm, nearest, window_mm = answer.exact_mm, answer.nearest, answer.window_mm
    return {
        "outer": answer.outer,
        "inner": answer.inner,
        "verdict": answer.verdict,
        "words": answer.words,
        "exact_shim_mm": None if exact_mm is None else max(-exact_mm, 0.0),
        "exact_seat_cut_mm": None if exact_mm is None else max(exact_mm, 0.0),
        "exact_open_n": answer.exact_open_n,
        "nearest_shim_mm": None if nearest is None else nearest.choice.shim_mm,
        "nearest_seat_cut_mm": None if nearest is None else nearest.choice.seat_cut_mm,
        "window_mm": None if window_mm is None else list(window_mm),
    }


def _by_change(
    build: BuildFile, pair: tuple[SetCurves, SetCurves | None], loads: SetLoads
) -> tuple[LoadByChange, LoadByChange]:
    """Read the sets over changes of height, with the valve shut and at full lift."""
    outer, inner = pair
    seat_mm = build.head.installed_height_mm
    standing = [Standing(outer, seat_mm)]
    if inner is not None:
        standing.append(Standing(inner, seat_mm - build.head.inner_offset_mm))
    lift_mm = build.cam.valve_lift_mm
    opened = [Standing(each.springs, each.height_mm - lift_mm) for each in standing]
    return load_by_change(standing, loads), load_by_change(opened, loads)


def _both(
    seat: tuple[float, float] | None, full: tuple[float, float] | None
) -> tuple[float, float] | None:
    """Changes that are in both windows."""
    if seat is None or full is None:
        return None
    low_mm, high_mm = max(seat[0], full[0]), min(seat[1], full[1])
    return (low_mm, high_mm) if low_mm <= high_mm else None


def _verdict(
    build: BuildFile,
    best: Combination,
    window_mm: tuple[float, float] | None,
    exact: tuple[float | None, float | None],
    units: Units,
) -> tuple[Verdict, str]:
    if best.fits:
        words = f"fits with {choice_words(best.choice, units)}"
        return "fits", words if window_mm is None else f"{words} ({window_words(window_mm, units)})"
    if best.seat is None or best.full is None:
        return "unknown", best.reasons[0]
    if window_mm is None:
        if build.cam.fits(best.seat.load_n, best.full.load_n):
            return "limits", "; ".join(best.reasons)
        return "no", no_words(build.cam, best, exact, units)
    needed = window_words(window_mm, units)
    if clearance_reasons(build, units):
        return "limits", f"{needed}, but the retainer comes too near to the guide"
    margin_mm = best.coil_bind_margin_mm
    if margin_mm is not None:
        bare_mm = margin_mm - best.choice.height_change_mm
        if exceeds(build.limits.coil_bind_margin_mm - bare_mm, window_mm[1]):
            return "limits", f"{needed}, but that comes too near to coil bind"
    return "nearly", f"{needed}, which stock and cuts do not give"
