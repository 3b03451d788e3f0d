"""Pairings in sentences and JSON: what fits the card, what it would take, why not."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from coilbench.analysis.engine.build_file import BuildFile, Cam
from coilbench.analysis.engine.pairing import Combination, PairAnswer, Pairing, Trade, Window
from coilbench.analysis.engine.placed import LoadRange, PlacedSet
from coilbench.analysis.engine.reasons import (
    BindRisk,
    ClearanceLow,
    End,
    HeightUnread,
    LoadMiss,
    LoadUnsure,
    RateMiss,
    TooStrong,
)
from coilbench.analysis.engine.shims import SeatChoice, Shortage
from coilbench.analysis.report.build_text import alone_text, lobes_of
from coilbench.analysis.report.document import describe, first_few, json_keys
from coilbench.analysis.report.units import Units

LOADS: dict[End, str] = {"seat": "seat load", "open": "open load"}
ENDS: dict[End, str] = {"seat": "with the valve shut", "open": "at full lift"}
NOTHING_MM = 0.005  # a change of height too small to show
NOTHING_PERCENT = 0.05
BAR_CELLS = 16

json_keys(Cam, "name seat_n=seat_load_n open_n=open_load_n lift_mm=valve_lift_mm "
          "implied_rate_n_per_mm loss_allowance")  # fmt: skip
json_keys(
    Combination,
    "outer inner shim_mm=choice.shim_mm seat_cut_mm=choice.seat_cut_mm seat_n=seat.load_n "
    "seat_u_n=seat.load_u_n open_n=full.load_n open_u_n=full.load_u_n rate_n_per_mm "
    "coil_bind_margin_mm fits reasons shims_mm=choice.shims_mm "
    "outer_shims_mm=choice.outer_shims_mm inner_shims_mm=choice.inner_shims_mm "
    "seat_lowest_n=seat.lowest_n seat_highest_n=seat.highest_n "
    "open_lowest_n=full.lowest_n open_highest_n=full.highest_n margins=placed",
)
json_keys(
    PlacedSet,
    "set=springs.name coil_bind_margin_mm=bind_margin_mm solid_height_mm=springs.highest_solid_mm "
    "solid_height_computed=springs.solid_computed smallest_gap_mm=springs.smallest_gap_mm text",
)
json_keys(
    PairAnswer,
    "outer inner verdict words=text exact_shim_mm exact_seat_cut_mm exact_open_n "
    "nearest_shim_mm=nearest.choice.shim_mm nearest_seat_cut_mm=nearest.choice.seat_cut_mm "
    "window_mm",
)
json_keys(
    Trade,
    "outer=combination.outer inner=combination.inner shim_mm=combination.choice.shim_mm "
    "seat_cut_mm=combination.choice.seat_cut_mm shims=combination.choice.count distance "
    "fits=combination.fits words=text",
)
json_keys(Pairing, "card=cam retainer_clearance_mm=clearance_mm combinations pairs=answers "
          "trade_off=trades")  # fmt: skip


def _names_text(outer: str, inner: str | None) -> str:
    return outer if inner is None else f"{outer} with {inner}"


def _choice_text(choice: SeatChoice, units: Units) -> str:
    """Name what is under the springs: "0.50 mm of shims", "a seat cut of 0.20 mm"."""
    alone = " and ".join(alone_text(choice, units))
    if alone and not choice.shims_mm:
        return f"shims of {alone}"
    both = _change_text(choice.height_change_mm, units)
    if len(choice.shims_mm) > 1:
        both = f"{units.length_text(choice.shim_mm)} of shims ({len(choice.shims_mm)})"
    return f"{both} and {alone}" if alone else both


def _change_text(change_mm: float, units: Units) -> str:
    if abs(change_mm) < NOTHING_MM:
        return "no shims"
    length = units.length_text(abs(change_mm))
    return f"{length} of shims" if change_mm < 0.0 else f"a seat cut of {length}"


def _window_text(window_mm: Window, units: Units) -> str:
    low_mm, high_mm = window_mm
    if high_mm - low_mm < NOTHING_MM:
        return f"{_change_text(low_mm, units)} would do"
    if high_mm <= 0.0 or low_mm >= 0.0:
        least, most = sorted((abs(low_mm), abs(high_mm)))
        what = "a seat cut" if low_mm >= 0.0 else "shims"
        return f"{what} of {units.length_text(least)} to {units.length_text(most)} would do"
    low, high = _change_text(low_mm, units), _change_text(high_mm, units)
    return f"anything from {low} to {high} would do"


def pair_text(outer: str, inner: str | None, choice: SeatChoice, units: Units) -> str:
    """Name a pair of sets, or one set, and what is under them."""
    return f"{_names_text(outer, inner)}, {_choice_text(choice, units)}"


@describe.register
def _(cam: Cam, units: Units) -> str:
    return (
        f"{units.load_text(cam.seat_load_n)} ± {units.load_text(cam.seat_tolerance_n)} shut and "
        f"{units.load_text(cam.open_load_n)} ± {units.load_text(cam.open_tolerance_n)} at "
        f"{units.length_text(cam.valve_lift_mm)} lift"
    )


def card_lines(build: BuildFile, units: Units) -> Iterator[str]:
    """Yield what the card asks for, and what was assumed."""
    for card in build.cards:
        cam = card.cam
        yield (
            f"{cam.name} ({build.name}): {describe(cam, units)}; that asks for "
            f"{units.rate_text(cam.implied_rate_n_per_mm)}."
        )
    for whose, finding in lobes_of(build):
        yield f"Lobe{whose and f' ({whose})'}: {describe(finding, units)}."
    yield from (f"Note: {describe(note, units)}." for note in build.notes)


def pairing_lines(pairing: Pairing, units: Units) -> Iterator[str]:
    """Yield the best combination with its reasons, what each pair would take, and the choices."""
    best = pairing.combinations[0]
    verdict = "Best fit" if best.fits else "Nothing fits. Nearest"
    yield f"{verdict}: {pair_text(best.outer, best.inner, best.choice, units)}."
    yield from (f"  {describe(reason, units)}" for reason in best.reasons)
    for each in best.placed:
        if each.bind_margin_mm is not None:
            yield f"  {describe(each, units)}."
    if pairing.clearance_mm is not None:
        yield f"  Retainer to guide at full lift: {units.length_text(pairing.clearance_mm)}."
    if best.seat is not None and best.full is not None:
        yield f"  Weakest to strongest springs: {range_text(best.seat, best.full, units)}."
    yield "What each pair would take:"
    for answer in pairing.answers:
        yield f"  {_names_text(answer.outer, answer.inner)}: {describe(answer, units)}."
    if pairing.trades:
        yield (
            "Closeness against effort, least effort first; the bar is what is missed, "
            "1 where one load is off by its tolerance:"
        )
    for trade, bar in zip(pairing.trades, _bars(pairing.trades), strict=True):
        names = _names_text(trade.combination.outer, trade.combination.inner)
        yield f"  {bar}  {names}, {describe(trade, units)}."


def range_text(seat: LoadRange, full: LoadRange, units: Units) -> str:
    """Say from the weakest to the strongest springs what they push."""
    return ", ".join(
        f"{units.load_text(load.lowest_n)} to {units.load_text(load.highest_n)} {where}"
        for load, where in ((seat, "shut"), (full, "at full lift"))
    )


def _bars(trades: Sequence[Trade]) -> list[str]:
    """Draw how far each is from the card, the farthest as a full bar, all equally wide.

    The number is the root of the distance: 1 where one load is off by its tolerance.
    """
    misses = [math.sqrt(trade.distance) for trade in trades]
    most = max(misses, default=0.0)
    cells = [math.ceil(BAR_CELLS * miss / most) if most > 0.0 else 0 for miss in misses]
    return [
        f"{'#' * count:<{BAR_CELLS}} {miss:5.2f}" for count, miss in zip(cells, misses, strict=True)
    ]


@describe.register
def _(trade: Trade, units: Units) -> str:
    each = trade.combination
    if each.seat is None or each.full is None:
        return f"{_choice_text(each.choice, units)}: not measured"
    seat = _off_text(each.seat.load_n, trade.card_seat_n, "shut")
    full = _off_text(each.full.load_n, trade.card_open_n, "at full lift")
    inside = "inside" if each.fits else "outside"
    return f"{_choice_text(each.choice, units)}: {seat}, {full}, {inside} the tolerances"


def _off_text(load_n: float, card_n: float, where: str) -> str:
    percent = 100.0 * (load_n / card_n - 1.0)
    if abs(percent) < NOTHING_PERCENT:
        return f"right {where}"
    return f"{abs(percent):.1f} % {'high' if percent > 0.0 else 'low'} {where}"


@describe.register
def _(placed: PlacedSet, units: Units) -> str:
    springs = placed.springs
    how = "computed from wire and coils" if springs.solid_computed else "measured or registered"
    text = (
        f"{springs.name}: coil bind margin {units.length_text(placed.bind_margin_mm)}, solid "
        f"height {units.length_text(springs.highest_solid_mm)} {how}"
    )
    if springs.smallest_gap_mm is None:
        return text
    gap = units.length_text(springs.smallest_gap_mm)
    return f"{text}; EN 13906-1's smallest sum of gaps under dynamic load is {gap}"


@describe.register
def _(answer: PairAnswer, units: Units) -> str:
    text = _answer_text(answer, units)
    if answer.nearest is None or answer.exact_mm is None or answer.verdict == "unknown":
        return text
    return (
        f"{text}; the card's seat load needs {_change_text(answer.exact_mm, units)} exactly, "
        f"nearest is {_choice_text(answer.nearest.choice, units)}"
    )


def _answer_text(answer: PairAnswer, units: Units) -> str:
    best = answer.best
    window = "" if answer.window_mm is None else _window_text(answer.window_mm, units)
    reasons = [describe(reason, units) for reason in best.reasons]
    match answer.verdict:
        case "fits":
            return f"fits with {_choice_text(best.choice, units)}" + (window and f" ({window})")
        case "unknown":
            return reasons[0]
        case "nearly":
            return f"{window}, which stock and cuts do not give"
        case "limits" if window:
            near = {
                "clearance": "the retainer comes too near to the guide",
                "coil_bind": "that comes too near to coil bind",
            }
            return f"{window}, but {near[answer.limit or 'coil_bind']}"
        case "no" if answer.rate is not None:
            return describe(answer.rate, units)
        case "no":
            reasons[0] = (
                "the card's loads are out of reach of shims and cuts, as far as the springs were "
                f"measured: {reasons[0]}"
            )
    return "; ".join(reasons)


@describe.register
def _(reason: LoadMiss, units: Units) -> str:
    side = "above" if reason.kind == "load_high" else "below"
    return (
        f"{LOADS[reason.at]} {units.load_text(reason.load_n)} is "
        f"{units.load_text(abs(reason.load_n - reason.card_n))} {side} the card's "
        f"{units.load_text(reason.card_n)} (tolerance {units.load_text(reason.tolerance_n)})"
    )


@describe.register
def _(reason: RateMiss, units: Units) -> str:
    verdict = "too strong" if reason.kind == "rate_high" else "too weak"
    card, ours = reason.card_rise_n, reason.rise_n
    return (
        f"both ends cannot be met, {verdict} at full lift for its seat load, and no shim can "
        f"correct it: the card asks for a rise of {units.load_text(card)} over "
        f"{units.length_text(reason.lift_mm)} = {units.rate_text(card / reason.lift_mm)}, "
        f"this pair rises {units.load_text(ours)} = {units.rate_text(ours / reason.lift_mm)}; "
        "a shim or a cut moves both ends together"
    )


@describe.register
def _(reason: TooStrong, _units: Units) -> str:
    ends = " and ".join(ENDS[at] for at in reason.at)
    return f"too strong {ends}: no shim can correct this, a shim adds load at both ends"


@describe.register
def _(reason: LoadUnsure, units: Units) -> str:
    this, other = ("inside", "outside")[:: 1 if reason.kind == "unsure_inside" else -1]
    return (
        f"{LOADS[reason.at]} {units.load_text(reason.load_n)} ± "
        f"{units.load_text(reason.load_u_n)} is {this} the tolerance, but its uncertainty reaches "
        f"over it: it may be {other}"
    )


@describe.register
def _(reason: HeightUnread, units: Units) -> str:
    height, limit = units.length_text(reason.height_mm), units.length_text(reason.limit_mm)
    at = f"{height} ({ENDS[reason.at]})"
    if reason.kind == "beyond_solid":
        return f"{reason.set_name} cannot be pressed to {at}: it is solid at {limit}"
    if reason.kind == "loose":
        return f"{reason.set_name} would be loose at {at}: one of its springs is {limit} long"
    depth = (
        "press to that height (the depth is unknown until the free length is measured)"
        if reason.depth_mm is None
        else f"press to a depth of {units.length_text(reason.depth_mm)}"
    )
    named = first_few(reason.springs)
    return f"{reason.set_name} was not read at {at} on {named}: {depth}, stop before coil bind"


@describe.register
def _(reason: BindRisk, units: Units) -> str:
    name, solid = reason.set_name, units.length_text(reason.solid_height_mm)
    margin, limit = units.length_text(reason.margin_mm), units.length_text(reason.limit_mm)
    match reason.kind:
        case "solid_unknown":
            return f"solid height of {name} unknown: measure it"
        case "binds":
            beyond = units.length_text(abs(reason.margin_mm or 0.0))
            return f"{name} binds: at full lift it is {beyond} beyond its solid height {solid}"
        case "margin_low":
            return (
                f"{name} comes too near to coil bind: {margin} left at full lift, the limit is "
                f"{limit}"
            )
        case "solid_computed":
            return (
                f"solid height of {name} computed from wire and coils, {solid}, ends squared and "
                "ground: measure it"
            )
        case "gaps_small":
            return (
                f"{name} keeps {margin} from coil bind, EN 13906-1 asks for {limit} of gaps under "
                "dynamic load"
            )


@describe.register
def _(reason: ClearanceLow, units: Units) -> str:
    return (
        f"the retainer comes too near to the guide: {units.length_text(reason.clearance_mm)} left "
        f"at full lift, the limit is {units.length_text(reason.limit_mm)}; no spring, shim or "
        "seat cut changes it"
    )


@describe.register
def _(reason: Shortage, units: Units) -> str:
    return (
        f"too few shims of {units.length_text(reason.thickness_mm)} for every valve: "
        f"{reason.needed} needed, {reason.count} in stock"
    )
