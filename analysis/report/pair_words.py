"""What lies under a pair, or would have to, and how near it comes to the card, in words. Pure."""

from __future__ import annotations

from coilbench.analysis.engine.build_file import BuildFile, Cam
from coilbench.analysis.engine.combination import Combination, Margin
from coilbench.analysis.engine.pairing_words import rate_reason
from coilbench.analysis.engine.shims import SeatChoice
from coilbench.analysis.report.units import Units

NOTHING_MM = 0.005  # less than that under a spring is nothing


def choice_words(choice: SeatChoice, units: Units) -> str:
    """Name what lies under the springs: "0.50 mm of shims", "a seat cut of 0.20 mm"."""
    if len(choice.shims_mm) > 1:
        return f"{units.length_text(choice.shim_mm)} of shims ({len(choice.shims_mm)})"
    return change_words(choice.height_change_mm, units)


def change_words(change_mm: float, units: Units) -> str:
    """Name what changes the heights so: shims lower them, a cut raises them."""
    if abs(change_mm) < NOTHING_MM:
        return "no shims"
    length = units.length_text(abs(change_mm))
    return f"{length} of shims" if change_mm < 0.0 else f"a seat cut of {length}"


def window_words(window_mm: tuple[float, float], units: Units) -> str:
    """Say between what and what both loads are inside the tolerances."""
    low_mm, high_mm = window_mm
    if high_mm - low_mm < NOTHING_MM:
        return f"{change_words(low_mm, units)} would do"
    if high_mm <= 0.0 or low_mm >= 0.0:
        least, most = sorted((abs(low_mm), abs(high_mm)))
        what = "a seat cut" if low_mm >= 0.0 else "shims"
        return f"{what} of {units.length_text(least)} to {units.length_text(most)} would do"
    return f"anything from {change_words(low_mm, units)} to {change_words(high_mm, units)} would do"


def no_words(
    cam: Cam, best: Combination, exact: tuple[float | None, float | None], units: Units
) -> str:
    """Say why nothing under the springs brings both loads inside.

    Args:
        cam: the card.
        best: the combination that is nearest; its loads are known.
        exact: the change of height that meets the seat load, and the open load there.
        units: for the words.
    """
    exact_mm, exact_open_n = exact
    if best.seat is None or best.full is None or exact_mm is None:
        return (
            "the card's loads are out of reach of shims and cuts, as far as the springs were "
            "measured: " + "; ".join(best.reasons)
        )
    if exact_open_n is None:
        return rate_reason(cam, best.full.load_n - best.seat.load_n, units)
    return rate_reason(cam, exact_open_n - cam.seat_load_n, units)


def closeness_words(cam: Cam, combination: Combination) -> str:
    """Say how far both loads are from the card's, in per cent of it; the loads are known."""
    if combination.seat is None or combination.full is None:
        return "not measured"
    seat = _off_words(combination.seat.load_n, cam.seat_load_n, "shut")
    full = _off_words(combination.full.load_n, cam.open_load_n, "at full lift")
    inside = "inside" if combination.fits else "outside"
    return f"{seat}, {full}, {inside} the tolerances"


def margin_words(margin: Margin, units: Units) -> str:
    """Say how far a set stays from coil bind and how that is known; nothing where it isn't."""
    if margin.margin_mm is None:
        return ""
    how = "computed from wire and coils" if margin.computed else "measured or registered"
    words = (
        f"{margin.set_name}: coil bind margin {units.length_text(margin.margin_mm)}, solid height "
        f"{units.length_text(margin.solid_height_mm)} {how}"
    )
    if margin.smallest_gap_mm is not None:
        gap = units.length_text(margin.smallest_gap_mm)
        words += f"; EN 13906-1's smallest sum of gaps under dynamic load is {gap}"
    return words


def room_words(build: BuildFile, units: Units) -> str:
    """Say what is left from retainer to guide at full lift; nothing where it isn't given."""
    if build.clearance_mm is None:
        return ""
    return f"Retainer to guide at full lift: {units.length_text(build.clearance_mm)}"


def _off_words(load_n: float, card_n: float, where: str) -> str:
    percent = 100.0 * (load_n / card_n - 1.0)
    if abs(percent) < 0.05:
        return f"right {where}"
    return f"{abs(percent):.1f} % {'high' if percent > 0.0 else 'low'} {where}"
