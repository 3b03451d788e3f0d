"""The next presses: the fewest that decide which sets and shims, and which springs are weak. Pure.

First two springs of each set at the ends of its windows. Then, four at a time, the presses that
most reduce the doubt between the best choice and its rivals, until the chance that another is
nearer to the card by more than MARGIN_N is below STOP_RISK. Then, in the chosen sets, the springs
whose chance of being tired is open; last what an assignment to valves still needs.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Literal

from msgspec.structs import replace

from coilbench.analysis.choices import Effort
from coilbench.analysis.engine.assignment import Level
from coilbench.analysis.engine.assignment_levels import assign
from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.cam import Cam
from coilbench.analysis.engine.press_contest import MARGIN_N, Contest, Ruling, Standing, contest_of
from coilbench.analysis.engine.press_lookahead import MOST_AHEAD, Candidates, in_turn
from coilbench.analysis.engine.press_model import OPEN_CHANCES, Expected, Loads, SetModel, fit_set
from coilbench.analysis.engine.press_shop import PressHeights, Shop, ShopSet, press_heights
from coilbench.analysis.engine.presses import (
    STOP_RISK,
    Lacking,
    NotPressed,
    PairChoice,
    Press,
    PressPlan,
    TiredSpring,
    Why,
)
from coilbench.analysis.engine.reasons import Need
from coilbench.analysis.engine.shims import Role
from coilbench.analysis.engine.valve_loads import valves_of

MOST_A_SPRING = 4  # readings to tell whether it is tired
FIRST_SPRINGS = 2  # of each set, pressed first
NEAR_MM = 0.3  # a reading so near to where one is wanted stands for it
# The same of the opening presses, which the curve is drawn by: they are set before anything
# foretells a load, so their faces stand higher by the give. Ours, as much as scale and press give.
OPENING_MM = 2.0
BATCH = 4  # presses between two rulings
MOST_A_SET = 30  # presses for each candidate set; what they don't tell apart is called equal


def plan_presses(shop: Shop, *, every_set: bool = False) -> PressPlan:
    """Plan the next batch.

    Args:
        every_set: look for tired springs in the sets that are not chosen, too.
    """
    heights = _heights(shop)
    return _with_shop(_plan(shop, heights, every_set=every_set), shop, heights)


def _heights(shop: Shop) -> dict[str, PressHeights]:
    return press_heights(shop.build, {name: one.size for name, one in shop.sets.items()})


def _with_shop(plan: PressPlan, shop: Shop, heights: Mapping[str, PressHeights]) -> PressPlan:
    """Add what is to be said of the heights, and of springs left out."""
    not_pressed = tuple(
        NotPressed(name, at.too_low_mm, at.size.solid_mm)
        for name, at in heights.items()
        if at.too_low_mm is not None
    )
    unknown = tuple(name for name, at in heights.items() if at.size.solid_mm is None)
    left_out = tuple(label for one in shop.sets.values() for label in one.left_out)
    return replace(
        plan,
        not_pressed=not_pressed,
        solid_unknown=unknown,
        left_out=left_out,
        lacking=tuple(_lacking(shop, plan.best)),
    )


def _lacking(shop: Shop, best: PairChoice | None) -> Iterator[Lacking]:
    """Yield the chosen sets that have a spring set apart for want of which a valve stays empty."""
    names = () if best is None else (best.outer, best.inner)
    for name in names:
        if name is None:
            continue
        one = shop.sets[name]
        valves = len(valves_of(shop.build, len(one.labels)))
        if len(one.labels) < valves:
            yield Lacking(name, one.springs.role, len(one.labels), valves)


def _plan(shop: Shop, heights: Mapping[str, PressHeights], *, every_set: bool) -> PressPlan:
    models = {
        name: _model(shop, shop.sets[name], at)
        for name, at in heights.items()
        if at.all_mm and shop.sets[name].labels
    }
    standing = {name: Standing.over(name, heights[name].windows_mm) for name in models}
    sets = {name: one.springs for name, one in shop.sets.items()}
    contest = contest_of(shop.build, sets, standing)
    if contest is None:
        return PressPlan("no_choice", made=shop.presses)
    models = {each.name: models[each.name] for each in contest.sets}
    first = tuple(press for name in models for press in _begin(shop.sets[name], heights[name]))
    if first:
        later = _to_check(shop, models)
        return PressPlan("begin", first, made=shop.presses, remaining=len(first) + later)
    return _decide(shop, heights, models, contest, every_set=every_set)


def once(shop: Shop) -> PressPlan:
    """Plan all presses at once, for a press without a computer beside it.

    Two springs of each set at the ends of its windows, the others in the middle of both; without
    those that were made.
    """
    heights = _heights(shop)
    presses: list[Press] = []
    for name, at in heights.items():
        one = shop.sets[name]
        first = _first_springs(one, at)
        for label in one.labels:
            wanted = at.ends_mm if label in first else at.middles_mm
            unread = (mm for mm in wanted if not _read_near(one, label, mm))
            presses += [press_at(at, label, mm, "once") for mm in unread]
    plan = PressPlan("once", _in_order(presses), made=shop.presses, remaining=len(presses))
    return _with_shop(plan, shop, heights)


def _model(shop: Shop, one: ShopSet, heights: PressHeights) -> SetModel:
    cam = shop.build.cam
    expected = Expected(cam.open_load_n, cam.implied_rate_n_per_mm)
    return fit_set(one.labels, one.readings, heights.shut_mm, heights.centre_mm, expected)


def _begin(one: ShopSet, heights: PressHeights) -> Iterator[Press]:
    """Yield the first presses of a set that were not made; none where it was read enough."""
    ends, labels = heights.ends_mm, _first_springs(one, heights)
    held = [
        sum(low - NEAR_MM <= each.height_mm <= high + NEAR_MM for each in one.readings)
        for low, high in heights.windows_mm
    ]
    if min(held) > 0 and sum(held) >= FIRST_SPRINGS * len(ends):
        return
    made = {label: _opened(one, label, ends) for label in labels}
    for height_mm in reversed(ends):
        for label in labels:
            if height_mm not in made[label]:
                yield press_at(heights, label, height_mm, "begin")


def _opened(one: ShopSet, label: str, ends_mm: Sequence[float]) -> set[float]:
    """Return at which ends a spring was pressed.

    A reading above that is near no end stands for one below it, by the give of scale and press.
    """
    read = [each.height_mm for each in one.readings if each.label == label]
    made = {end for end in ends_mm if any(abs(mm - end) <= NEAR_MM for mm in read)}
    loose = [mm for mm in read if all(abs(mm - end) > NEAR_MM for end in ends_mm)]
    for end in sorted(set(ends_mm) - made):
        above = [mm for mm in loose if 0.0 <= mm - end <= OPENING_MM]
        if above:
            made.add(end)
            loose.remove(min(above))
    return made


def _first_springs(one: ShopSet, heights: PressHeights) -> list[str]:
    """Choose the springs that are read most already, else some apart in the order of the names."""
    read = {label: len(_opened(one, label, heights.ends_mm)) for label in one.labels}
    half = max(len(one.labels) // FIRST_SPRINGS, 1)
    order = sorted(enumerate(one.labels), key=lambda each: (-read[each[1]], each[0] % half))
    return sorted(label for _, label in order[:FIRST_SPRINGS])


def _read_near(one: ShopSet, label: str, height_mm: float) -> bool:
    return any(
        each.label == label and abs(each.height_mm - height_mm) <= NEAR_MM for each in one.readings
    )


def _in_order(presses: Sequence[Press]) -> tuple[Press, ...]:
    """Sort by set and height, so that the stop is seldom set anew: shallow first."""
    return tuple(sorted(presses, key=lambda one: (one.set_name, -one.height_mm, one.label)))


def _to_check(shop: Shop, models: Mapping[str, SetModel]) -> int:
    """Estimate what follows the decision: the largest set of each role, each spring twice."""
    spare = FIRST_SPRINGS
    both = (shop.build.springs.outer, shop.build.springs.inner)
    sizes = [
        max((len(models[n].labels) for n in names if n in models), default=0) for names in both
    ]
    return sum(2 * max(size - spare, 0) for size in sizes)


def _decide(
    shop: Shop,
    heights: Mapping[str, PressHeights],
    models: Mapping[str, SetModel],
    contest: Contest,
    *,
    every_set: bool,
) -> PressPlan:
    loads = {each.name: models[each.name].mean_loads(each.knots_mm) for each in contest.sets}
    ruling = contest.rule(loads)
    best, rivals = contest.choices[ruling.best], contest.rivals(ruling)
    left = MOST_A_SET * len(shop.sets) - shop.presses
    chosen = [name for name in (best.outer, best.inner) if name is not None]
    looked = list(models) if every_set else chosen
    tired = [
        press
        for name in looked
        for press in weak_presses(models[name], heights[name], shop.build, best)
    ]
    known: dict[str, Any] = {
        "best": best,
        "risk": ruling.risk,
        "common_risk": contest.rule(loads, shop.common_u, ruling.best).risk,
        "rivals": rivals,
        "tired": tuple(one for name in looked for one in _tired(shop.sets[name], models[name])),
        "made": shop.presses,
    }
    second = [
        press
        for name in chosen
        for press in second_presses(models[name], heights[name], shop.build, best)
    ]
    later = len(tired) + len(second)
    if ruling.risk >= STOP_RISK and left > 0:
        batch, ahead = _telling_apart(shop, heights, models, contest, ruling, loads)
        if batch:
            return PressPlan(
                "decide", _in_order(batch), remaining=min(ahead, left) + later, **known
            )
    known["ties"] = contest.ties(ruling)
    if tired:
        return PressPlan("tired", _in_order(tired), remaining=later, **known)
    needed = second or list(valve_presses(shop, heights, best))
    stage: Literal["valve", "done"] = "valve" if needed else "done"
    return PressPlan(stage, _in_order(needed), remaining=len(needed), **known)


def _telling_apart(
    shop: Shop,
    heights: Mapping[str, PressHeights],
    models: Mapping[str, SetModel],
    contest: Contest,
    ruling: Ruling,
    loads: Mapping[str, Loads],
) -> tuple[list[Press], int]:
    """Return the next batch that tells best from rivals, and how many presses that takes."""
    candidates = {
        name: Candidates(
            model,
            heights[name].all_mm,
            _reading_noise_n2(shop.load_u_n, shop.height_u_mm, model.line[1]),
        )
        for name, model in models.items()
    }
    batch: list[Press] = []
    needed = MOST_AHEAD
    for count, (each, risk) in enumerate(in_turn(contest, ruling, loads, candidates), start=1):
        if len(batch) < BATCH:
            rival = contest.choices[each.rival]
            at = heights[each.set_name]
            batch.append(press_at(at, each.label, each.height_mm, "decide", rival))
        if risk < STOP_RISK and count >= BATCH:
            needed = count
            break
    return batch, needed


def _tired(one: ShopSet, model: SetModel) -> Iterator[TiredSpring]:
    for at, label in enumerate(model.labels):
        if model.tired[at] > OPEN_CHANCES[0] and model.readings_of(label):
            chance, below = float(model.tired[at]), model.below_set(label)
            yield TiredSpring(one.springs.name, label, chance, below, one.tolerance)


def weak_presses(
    model: SetModel, heights: PressHeights, build: BuildFile, best: PairChoice
) -> Iterator[Press]:
    """Yield a press of each spring that may be tired or not: where it would stand, shut first.

    What a spring has lost shows most with the valve shut.
    """
    shut_mm, open_mm = _stands_mm(heights, build, best)
    for at, label in enumerate(model.labels):
        read = model.readings_of(label)
        if not OPEN_CHANCES[0] < model.tired[at] < OPEN_CHANCES[1] or len(read) >= MOST_A_SPRING:
            continue
        shut = sum(each.height_mm > heights.centre_mm for each in read)
        order = (shut_mm, open_mm) if shut <= len(read) - shut else (open_mm, shut_mm)
        there = next((mm for mm in order if mm is not None), None)
        if there is not None:
            yield press_at(heights, label, there, "tired")


def _stands_mm(
    heights: PressHeights, build: BuildFile, best: PairChoice
) -> tuple[float | None, float | None]:
    """Where a set stands shut and at full lift with the best choice; else mid-window."""
    if heights.name not in (best.outer, best.inner):
        return heights.middles_mm[-1], heights.middles_mm[0]
    offset_mm = build.head.inner_offset_mm if heights.name == best.inner else 0.0
    role: Role = "inner" if heights.name == best.inner else "outer"
    change_mm = best.choice.change_mm(role) - offset_mm
    head = build.head
    valves_mm = list(head.valve_heights_mm.values()) or [head.installed_height_mm]
    shut_mm = heights.settable(max(valves_mm) + change_mm, up=True)
    low_mm = min(valves_mm) + change_mm - build.cam.valve_lift_mm
    return shut_mm, heights.settable(low_mm, up=False)


def second_presses(
    model: SetModel, heights: PressHeights, build: BuildFile, best: PairChoice
) -> Iterator[Press]:
    """Yield a press of each spring in a window where it was not read: where it would stand."""
    for label in model.labels:
        read = {each.height_mm > heights.centre_mm for each in model.readings_of(label)}
        for shut, there in zip((True, False), _stands_mm(heights, build, best), strict=True):
            if there is not None and shut not in read:
                yield press_at(heights, label, there, "valve")


def valve_presses(
    shop: Shop, heights: Mapping[str, PressHeights], best: PairChoice
) -> Iterator[Press]:
    """Yield what an assignment of the chosen sets still needs, as far as it can be pressed.

    Each spring at the outermost height that it may stand at, so that it is asked for once at
    either end of the lift, and not between heights that were read. Nothing where all that was not
    read could bring the valves nearer to the card by no more than MARGIN_N.
    """
    names = (best.outer,) if best.inner is None else (best.outer, best.inner)
    sets = {name: shop.sets[name].springs for name in names}
    if any(not springs.curves for springs in sets.values()):
        return
    effort: Effort = "cuts" if best.choice.seat_cut_mm > 0.0 else "shims"
    build = shop.build.with_sets(names[:1], names[1:])
    level = assign(build, sets, shop.set_sizes, effort).chosen
    if not _may_gain(level, build.cam):
        return
    found: dict[Press, None] = {}
    read = {(name, c.label): c for name, springs in sets.items() for c in springs.curves}
    for need in level.needs:
        curve = read.get((need.set_name, need.label or ""))
        inside = (
            curve is not None and curve.lowest_mm <= (need.height_mm or 0.0) <= curve.highest_mm
        )
        if need.label is not None and need.height_mm is not None and not inside:
            there = _outermost_mm(heights[need.set_name], build, need, effort)
            if there is not None:
                found[press_at(heights[need.set_name], need.label, there, "valve")] = None
    yield from found


def _may_gain(level: Level, cam: Cam) -> bool:
    """Tell whether what was not read could bring the valves nearer, on average, by the margin."""
    if level.objective is None or level.bound is None or not level.valves:
        return True
    now, hoped = (
        math.sqrt(max(sum_, 0.0) / len(level.valves)) for sum_ in (level.objective, level.bound)
    )
    return min(cam.seat_tolerance_n, cam.open_tolerance_n) * (now - hoped) > MARGIN_N


def _outermost_mm(
    heights: PressHeights, build: BuildFile, need: Need, effort: Effort
) -> float | None:
    """Return the outermost height of the end of the lift that a reading is needed at."""
    wanted_mm = need.height_mm or 0.0
    if wanted_mm < heights.centre_mm:
        return heights.settable(min(wanted_mm, heights.windows_mm[0][0]), up=False)
    head = build.head
    offset_mm = head.inner_offset_mm if heights.name in build.springs.inner else 0.0
    bare_mm = max(head.valve_heights_mm.values(), default=head.installed_height_mm) - offset_mm
    top_mm = heights.windows_mm[-1][1]
    return heights.settable(
        max(wanted_mm, top_mm if effort == "cuts" else min(bare_mm, top_mm)), up=True
    )


def press_at(
    heights: PressHeights, label: str, height_mm: float, kind: Why, rival: PairChoice | None = None
) -> Press:
    """Return a press of a spring at one of its set's heights."""
    return Press(heights.name, label, height_mm, heights.depth_mm(label, height_mm), kind, rival)


def _reading_noise_n2(load_u_n: float, height_u_mm: float, rate_n_per_mm: float) -> float:
    """Return the variance of one reading: of the load, and of the height at a rate."""
    return math.hypot(load_u_n, height_u_mm * rate_n_per_mm) ** 2
