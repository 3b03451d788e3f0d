"""Pairings in sentences and JSON: what fits the card, what it would take, why not."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from msgspec.structs import replace

from coilbench.analysis.engine.cam import Cam
from coilbench.analysis.engine.outcomes import Combination, PairAnswer, Pairing, Trade, ValveCounts
from coilbench.analysis.engine.placed import LoadRange
from coilbench.analysis.engine.reasons import (
    ClearanceLow,
    End,
    HeightUnread,
    LoadMiss,
    LoadUnsure,
    Loose,
    Need,
    RateMiss,
    Shortage,
    TooFewSprings,
    TooStrong,
    ValvesOutside,
    Verdict,
)
from coilbench.analysis.engine.shims import ROLES, SeatChoice, Window
from coilbench.analysis.report.build_text import verdict_text
from coilbench.analysis.report.document import describe, filled, first_few, json_keys, sentences
from coilbench.analysis.report.units import Units
from coilbench.capture.units import counted

ENDS: dict[End, str] = {"seat": "with the valve shut", "open": "at full lift"}
NOTHING_MM = 0.005  # a change of height too small to show
NOTHING_PERCENT = 0.05
BAR_CELLS = 16
PRESS_SAFELY = "slowly, the spring captive at both ends; stop before the coils bind"
BEST: dict[Verdict, str] = {
    "fits": "Best fit",
    "fits_bind_unknown": "Best fit, but coil bind was not checked",
    "near": "May fit, within the uncertainty",
    "misses": "Nothing fits with the same under every valve (assign mixes). Nearest",
    "not_judged": "Nothing can be judged before more is read. First",
}
json_keys(Cam, "name seat_n=seat_load_n open_n=open_load_n lift_mm=valve_lift_mm "
          "implied_rate_n_per_mm loss_allowance")  # fmt: skip
json_keys(
    Combination,
    "outer inner shim_mm=choice.shim_mm seat_cut_mm=choice.seat_cut_mm seat_n=seat.load_n "
    "seat_u_n=seat.load_u_n open_n=full.load_n open_u_n=full.load_u_n rate_n_per_mm "
    "coil_bind_margin_mm verdict fits needs reasons valves=counts.valves "
    "inside_as_they_come=counts.as_they_come inside_chosen=counts.chosen "
    "inside_surely=counts.sure shims_mm=choice.shims_mm outer_shims_mm=choice.outer_shims_mm "
    "inner_shims_mm=choice.inner_shims_mm seat_lowest_n=seat.lowest_n "
    "seat_highest_n=seat.highest_n open_lowest_n=full.lowest_n open_highest_n=full.highest_n "
    "margins=placed limit_failures",
)
json_keys(
    PairAnswer,
    "outer=best.outer inner=best.inner verdict obstacle words=text exact_shim_mm "
    "exact_seat_cut_mm exact_open_n nearest_shim_mm=nearest.choice.shim_mm "
    "nearest_seat_cut_mm=nearest.choice.seat_cut_mm window",
)
json_keys(
    Trade,
    "outer=combination.outer inner=combination.inner shim_mm=combination.choice.shim_mm "
    "seat_cut_mm=combination.choice.seat_cut_mm shims=combination.choice.count distance "
    "verdict=combination.verdict fits=combination.fits words=text",
)
json_keys(Pairing, "card=cam retainer_clearance_mm=clearance_mm combinations pairs=answers "
          "trade_off=trades")  # fmt: skip


def _names_text(outer: str, inner: str | None) -> str:
    return outer if inner is None else f"{outer} with {inner}"


def _choice_text(choice: SeatChoice, units: Units) -> str:
    """Name what is under the springs: "0.50 mm of shims", "a seat cut of 0.20 mm"."""
    if choice.seat_cut_mm > 0.0:
        cut = _change_text(choice.seat_cut_mm, units)
        shims = _choice_text(replace(choice, seat_cut_mm=0.0), units) if choice.count else ""
        return f"{cut} under {shims}" if shims else cut
    alone = " and ".join(alone_text(choice, units))
    if alone and not choice.shims_mm:
        return f"shims of {alone}"
    both = _change_text(-choice.shim_mm, units)
    if len(choice.shims_mm) > 1:
        both = f"{units.length_text(choice.shim_mm)} of shims ({len(choice.shims_mm)})"
    return f"{both} and {alone}" if alone else both


def _change_text(change_mm: float, units: Units) -> str:
    if abs(change_mm) < NOTHING_MM:
        return "no shims"
    length = units.length_text(abs(change_mm))
    return f"{length} of shims" if change_mm < 0.0 else f"a seat cut of {length}"


def _window_text(window: Window, units: Units) -> str:
    """Say which changes would do, and which end is only that of what was read."""
    low_mm, high_mm = window.low_mm, window.high_mm
    if high_mm - low_mm < NOTHING_MM:
        return f"{_change_text(low_mm, units)} would do"
    if high_mm <= 0.0 or low_mm >= 0.0:
        least, most = sorted((abs(low_mm), abs(high_mm)))
        what = "a seat cut" if low_mm >= 0.0 else "shims"
        text = f"{what} of {units.length_text(least)} to {units.length_text(most)} would do"
    else:
        low, high = _change_text(low_mm, units), _change_text(high_mm, units)
        text = f"anything from {low} to {high} would do"
    unread = [
        _change_text(mm, units)
        for mm, end in ((low_mm, window.low_unread), (high_mm, window.high_unread))
        if end
    ]
    return f"{text}, nothing was read beyond {' and '.join(unread)}" if unread else text


def pair_text(outer: str, inner: str | None, choice: SeatChoice, units: Units) -> str:
    """Name a pair of sets, or one set, and what is under them."""
    return f"{_names_text(outer, inner)}, {_choice_text(choice, units)}"


def pairing_lines(pairing: Pairing, units: Units) -> Iterator[str]:
    """Yield the best combination with its reasons, what each pair would take, and the choices."""
    best = pairing.combinations[0]
    yield f"{_title(pairing)}: {pair_text(best.outer, best.inner, best.choice, units)}."
    every = (*best.reasons, *best.limit_failures)
    yield from (f"  {describe(reason, units)}" for reason in every)
    if best.counts.as_they_come is not None:
        yield f"  {counts_text(best.counts)}."
    for each in best.placed:
        if each.bind_margin_mm is not None:
            yield f"  {describe(each, units)}."
    if pairing.clearance_mm is not None:
        yield f"  Retainer to guide at full lift: {units.length_text(pairing.clearance_mm)}."
    if best.seat is not None and best.full is not None:
        yield f"  Weakest to strongest springs: {range_text(best.seat, best.full, units)}."
    yield "What each pair would take, by the means of its springs:"
    for answer in pairing.answers:
        names = _names_text(answer.best.outer, answer.best.inner)
        yield f"  {names}: {describe(answer, units)}."
    if pairing.trades:
        yield (
            "Closeness against effort, least effort first; the bar is what is missed, "
            "1 where one load is off by its tolerance:"
        )
    for trade, bar in zip(pairing.trades, _bars(pairing.trades), strict=True):
        names = _names_text(trade.combination.outer, trade.combination.inner)
        yield f"  {bar}  {names}, {describe(trade, units)}."
    if needs := best.needs or next((one.needs for one in pairing.combinations if one.needs), ()):
        yield f"To settle what could not be judged, measure ({PRESS_SAFELY}):"
        yield from (f"  {line}." for line in needs_lines(needs, units))


def _title(pairing: Pairing) -> str:
    best = pairing.combinations[0].verdict
    waiting = sum(each.verdict == "not_judged" for each in pairing.combinations)
    if waiting and best == "misses":
        return (
            f"Nothing that was read fits with the same under every valve (assign mixes), "
            f"{counted(waiting, 'combination')} can't be judged yet. Nearest"
        )
    return BEST[best]


def needs_lines(needs: Sequence[Need], units: Units) -> Iterator[str]:
    """Yield what to measure, springs of one set and height together, in the order given."""
    grouped: dict[tuple[str, str, float | None], list[Need]] = {}
    for need in needs:
        grouped.setdefault((need.kind, need.set_name, need.height_mm), []).append(need)
    for (kind, set_name, height_mm), alike in grouped.items():
        if kind == "solid_height":
            yield f"{set_name}: its solid height"
            continue
        named = ", ".join(need.label or "" for need in alike)
        depths_mm = [need.depth_mm for need in alike if need.depth_mm is not None]
        depth = _depth_text(max(depths_mm, default=None), units)
        yield f"{set_name}: {named} at {units.length_text(height_mm)} ({depth})"


def _depth_text(depth_mm: float | None, units: Units) -> str:
    if depth_mm is None:
        return "the depth is unknown until the free length is"
    return f"pressed by {units.length_text(depth_mm)}"


def counts_text(counts: ValveCounts) -> str:
    """Say how many valves would be inside the card."""
    least = "" if counts.chosen == counts.valves else "at least "
    sure = "" if counts.sure == counts.chosen else f", {counts.sure} of them surely"
    return (
        f"Inside the card: {counts.as_they_come or 0.0:.1f} of {counts.valves} valves with "
        f"springs taken as they come, {least}{counts.chosen} with springs chosen{sure}"
    )


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
    return f"{_choice_text(each.choice, units)}: {seat}, {full}: {verdict_text(each.verdict)}"


def _off_text(load_n: float, card_n: float, where: str) -> str:
    percent = 100.0 * (load_n / card_n - 1.0)
    if abs(percent) < NOTHING_PERCENT:
        return f"exact {where}"
    return f"{abs(percent):.1f} % {'high' if percent > 0.0 else 'low'} {where}"


@describe.register
def _(answer: PairAnswer, units: Units) -> str:
    text = _answer_text(answer, units)
    if answer.nearest is None or answer.exact_mm is None:
        return text
    return (
        f"{text}; the card's seat load needs {_change_text(answer.exact_mm, units)} exactly, "
        f"nearest is {_choice_text(answer.nearest.choice, units)}"
    )


def _room_text(window: Window, best: Combination, units: Units) -> str:
    """Say which changes under both springs would do, and what they leave out of account."""
    both = "" if best.choice.alike else " under both"
    bind = ", by the loads alone" if best.coil_bind_margin_mm is None else ""
    return f"{_window_text(window, units)}{both}{bind}"


def _answer_text(answer: PairAnswer, units: Units) -> str:
    best, choice = answer.best, _choice_text(answer.best.choice, units)
    window = "" if answer.window is None else _room_text(answer.window, best, units)
    every = (*best.limit_failures, *best.reasons)
    said = [reason for reason in every if not isinstance(reason, HeightUnread)]
    reasons = "; ".join(describe(reason, units) for reason in said)
    if best.fits:
        return f"{verdict_text(best.verdict)} with {choice}" + (window and f" ({window})")
    if best.verdict == "not_judged":
        springs = {(need.set_name, need.label) for need in best.needs}
        waiting = f"{counted(len(springs), 'spring')} must be read where they would stand"
        if not springs:
            waiting = "what was not read lies too near to solid to be pressed"
        return f"not judged with {choice}: {waiting}"
    match answer.obstacle:
        case "stock":
            return f"{best.verdict}: {window}, which stock and cuts do not give"
        case "clearance":
            return f"misses: {window or reasons}, but the retainer comes too near to the guide"
        case "coil_bind":
            return f"{best.verdict}: {window}, but that comes too near to coil bind"
        case "rate" if answer.rate is not None:
            return f"{best.verdict}: {describe(answer.rate, units)}"
        case "reach" if not any(isinstance(reason, TooFewSprings) for reason in every):
            return (
                f"{best.verdict}: the card's loads are out of reach of shims and cuts, as far as "
                f"the springs were measured: {reasons}"
            )
    return f"{best.verdict} with {choice}: {reasons}"


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
def _(reason: ValvesOutside, units: Units) -> str:
    template = (
        "taken as they come, {outside:.1f} of {valves} valves would be outside {end}: {lowest_n} "
        "to {highest_n}"
    )
    if reason.heights_differ_mm >= NOTHING_MM:
        template += "; heights differ by {heights_differ_mm}"
    return filled(template, reason, units, end=ENDS[reason.at])


@describe.register
def _(reason: HeightUnread, units: Units) -> str:
    template = "{set_name} was not read at {height_mm} on {named} ({depth})"
    depth, named = _depth_text(reason.depth_mm, units), first_few(reason.springs)
    return filled(template, reason, units, named=named, depth=depth)


@describe.register
def _(reason: Loose, units: Units) -> str:
    template = (
        "{set_name} would stand loose at {height_mm}, valve shut: {named}, from {free_length_mm} "
        "long"
    )
    return filled(template, reason, units, named=first_few(reason.springs))


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
    ClearanceLow,
    "the retainer comes too near to the guide: {clearance_mm} left at full lift, the limit is "
    "{limit_mm}; no spring, shim or seat cut changes it",
)
sentences(
    Shortage,
    "too few shims of {thickness_mm} for every valve: {needed} needed, {count} in stock",
)
sentences(
    TooFewSprings,
    "{valves} valves need as many {role} springs, {springs} are available: measure more, name "
    "another set, or include flagged ones with --use-flagged",
)


def alone_text(choice: SeatChoice, units: Units) -> Iterator[str]:
    """Yield how thick the shims are that lie under one spring alone."""
    for role, alone_mm in zip(ROLES, (choice.outer_shim_mm, choice.inner_shim_mm), strict=True):
        if alone_mm > 0.0:
            yield f"{units.length_text(alone_mm)} under the {role} alone"
