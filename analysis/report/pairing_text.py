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
from coilbench.analysis.report.document import (
    describe,
    filled,
    first_few,
    json_keys,
    sentences,
)
from coilbench.analysis.report.units import Units

ENDS: dict[End, str] = {"seat": "with the valve shut", "open": "at full lift"}
NOTHING_MM = 0.005  # a change of height too small to show
NOTHING_PERCENT = 0.05
BAR_CELLS = 16

json_keys(Cam, "name seat_n=seat_load_n open_n=open_load_n lift_mm=valve_lift_mm "
          "implied_rate_n_per_mm")  # fmt: skip
json_keys(
    Combination,
    "outer inner shim_mm=choice.shim_mm seat_cut_mm=choice.seat_cut_mm seat_n=seat.load_n "
    "seat_u_n=seat.load_u_n open_n=full.load_n open_u_n=full.load_u_n rate_n_per_mm "
    "coil_bind_margin_mm fits reasons shims_mm=choice.shims_mm seat_lowest_n=seat.lowest_n "
    "seat_highest_n=seat.highest_n open_lowest_n=full.lowest_n open_highest_n=full.highest_n "
    "margins=placed",
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
    if choice.count > 1:
        return f"{units.length_text(choice.shim_mm)} of shims ({choice.count})"
    return _change_text(choice.height_change_mm, units)


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


def card_lines(build: BuildFile, units: Units) -> Iterator[str]:
    """Yield what the card asks for, and what was assumed."""
    asked = describe(build.cam, units)
    yield filled(
        "{cam.name} ({name}): {asked}; that asks for {cam.implied_rate_n_per_mm}.",
        build,
        units,
        asked=asked,
    )
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
    low_to_high = "{lowest_n} to {highest_n}"
    shut, lifted = (filled(low_to_high, load, units) for load in (seat, full))
    return f"{shut} shut, {lifted} at full lift"


def _bars(trades: Sequence[Trade]) -> list[str]:
    """Draw how far each is from the card: 1 where one load is off by its tolerance."""
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
        return f"exact {where}"
    return f"{abs(percent):.1f} % {'high' if percent > 0.0 else 'low'} {where}"


@describe.register
def _(placed: PlacedSet, units: Units) -> str:
    computed = placed.springs.solid_computed
    how = "computed from wire and coils" if computed else "measured or registered"
    text = (
        "{springs.name}: coil bind margin {bind_margin_mm}, solid height "
        f"{{springs.highest_solid_mm}} {how}"
    )
    if placed.springs.smallest_gap_mm is not None:
        text += (
            "; EN 13906-1's smallest sum of gaps under dynamic load is {springs.smallest_gap_mm}"
        )
    return filled(text, placed, units)


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
    return filled(
        "{at} load {load_n} is {off_n:abs} {side} the card's {card_n} (tolerance {tolerance_n})",
        reason,
        units,
        off_n=reason.load_n - reason.card_n,
        side="above" if reason.kind == "load_high" else "below",
    )


@describe.register
def _(reason: RateMiss, units: Units) -> str:
    return filled(
        "both ends cannot be met, {verdict} at full lift for its seat load, and no shim can "
        "correct it: the card asks for a rise of {card_rise_n} over {lift_mm} = {card_n_per_mm}, "
        "this pair rises {rise_n} = {own_n_per_mm}; a shim or a cut moves both ends together",
        reason,
        units,
        verdict="too strong" if reason.kind == "rate_high" else "too weak",
        card_n_per_mm=reason.card_rise_n / reason.lift_mm,
        own_n_per_mm=reason.rise_n / reason.lift_mm,
    )


@describe.register
def _(reason: TooStrong, _units: Units) -> str:
    ends = " and ".join(ENDS[at] for at in reason.at)
    return f"too strong {ends}: no shim can correct this, a shim adds load at both ends"


@describe.register
def _(reason: HeightUnread, units: Units) -> str:
    press = "press to a depth of {depth_mm}"
    if reason.depth_mm is None:
        press = "press to that height (the depth is unknown until the free length is measured)"
    template = {
        "beyond_solid": "{set_name} cannot be pressed to {height_mm} ({end}): it is solid at "
        "{limit_mm}",
        "loose": "{set_name} would be loose at {height_mm} ({end}): one of its springs is "
        "{limit_mm} long",
        "not_read": "{set_name} was not read at {height_mm} ({end}) on {named}: "
        f"{press}, stop before coil bind",
    }[reason.kind]
    return filled(template, reason, units, end=ENDS[reason.at], named=first_few(reason.springs))


_UNSURE = "{at} load {load_n} ± {load_u_n} is %s the tolerance, but its uncertainty reaches over it"
sentences(
    Cam,
    "{seat_load_n} ± {seat_tolerance_n} shut and {open_load_n} ± {open_tolerance_n} at "
    "{valve_lift_mm} lift",
)
sentences(
    LoadUnsure,
    {
        "unsure_inside": f"{_UNSURE % 'inside'}: it may be outside",
        "unsure_outside": f"{_UNSURE % 'outside'}: it may be inside",
    },
)
sentences(
    BindRisk,
    {
        "solid_unknown": "solid height of {set_name} unknown: measure it",
        "binds": "{set_name} binds: at full lift it is {margin_mm:abs} beyond its solid height "
        "{solid_height_mm}",
        "margin_low": "{set_name} comes too near to coil bind: {margin_mm} left at full lift, the "
        "limit is {limit_mm}",
        "solid_computed": "solid height of {set_name} computed from wire and coils, "
        "{solid_height_mm}, ends squared and ground: measure it",
        "gaps_small": "{set_name} keeps {margin_mm} from coil bind, EN 13906-1 asks for {limit_mm} "
        "of gaps under dynamic load",
    },
)
sentences(
    ClearanceLow,
    "the retainer comes too near to the guide: {clearance_mm} left at full lift, the limit is "
    "{limit_mm}; no spring, shim or seat cut changes it",
)
sentences(
    Shortage,
    "too few shims of {thickness_mm} for every valve: {needed} needed, {count} in stock",
)
