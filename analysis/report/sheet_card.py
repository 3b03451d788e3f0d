"""What a cam card asks for and what the head allows, as a sheet's rows of name and value. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from coilbench.analysis.engine.build_file import BuildFile, Cam, Shim
from coilbench.analysis.report.units import Units

Row = tuple[str, str]
UNKNOWN = "unknown"
UNDER = {"both": "", "outer": " under the outer alone", "inner": " under the inner alone"}


def card_rows(build: BuildFile, units: Units) -> list[Row]:
    """Return what the cards ask for, what is known of the lobes, and what the head allows."""
    cards = [row for card in build.cards for row in _cam_rows(card.cam, units)]
    return [("Cam", build.title), *cards, *_head_rows(build, units)]


def _cam_rows(cam: Cam, units: Units) -> Iterator[Row]:
    whose = "" if cam.side is None else f", {cam.side}"
    ends = (
        ("valve shut", cam.seat_load_n, cam.seat_tolerance_n),
        ("full lift", cam.open_load_n, cam.open_tolerance_n),
    )
    yield f"Valve lift{whose}", units.length_text(cam.valve_lift_mm)
    for end, load_n, tolerance_n in ends:
        asked = f"{units.load_text(load_n)} ± {units.load_text(tolerance_n)}"
        yield f"Load, {end}{whose}", asked
    if cam.loss_allowance > 0.0:
        yield (
            f"Loads raised for losses{whose}",
            f"{100.0 * cam.loss_allowance:.3g} % above the card's",
        )
    yield f"Rate that implies{whose}", units.rate_text(cam.implied_rate_n_per_mm)
    yield f"Highest speed{whose}", UNKNOWN if cam.max_rpm is None else f"{cam.max_rpm:g} rpm"
    lobe = cam.lobe
    lengths = (
        ("Base circle, diameter", lobe.base_circle_mm),
        ("Core of the cam, diameter", lobe.core_mm),
        ("Base circle before", lobe.old_base_circle_mm),
    )
    for name, length_mm in lengths:
        if length_mm is not None:
            yield f"{name}{whose}", units.length_text(length_mm)


def _head_rows(build: BuildFile, units: Units) -> Iterator[Row]:
    head, limits = build.head, build.limits
    heights = sorted(set(head.valve_heights_mm.values()))
    height = units.length_text(head.installed_height_mm)
    if len(heights) > 1:
        low, high = units.length_number(heights[0]), units.length_text(heights[-1])
        height = f"{low} to {high}, by valve"
    if head.height_u_mm is not None:
        height += f", ± {units.length_text(head.height_u_mm)}"
    yield "Installed height, outer" if build.springs.inner else "Installed height", height
    if build.springs.inner:
        yield "Inner is lower by", units.length_text(head.inner_offset_mm)
    yield "Shims in stock", ", ".join(_stock(shim, units) for shim in build.shims) or "none"
    yield "Most shims under a valve", str(limits.max_shims)
    deepest_mm = head.max_seat_cut_mm
    cut = f"up to {units.length_text(deepest_mm)}" if deepest_mm > 0.0 else "not allowed"
    yield "Seat cut", cut
    yield "Coil bind margin, least", units.length_text(limits.coil_bind_margin_mm)


def _stock(shim: Shim, units: Units) -> str:
    thick = units.length_text(shim.thickness_mm)
    if shim.thickness_u_mm is not None:
        thick += f" ± {units.length_text(shim.thickness_u_mm)}"
    count = "any number" if shim.count is None else str(shim.count)
    return f"{thick} ({count}{UNDER[shim.under]})"
