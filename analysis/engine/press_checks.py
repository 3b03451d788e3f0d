"""The presses after the decision: which springs are tired, and what an assignment needs. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import replace

from msgspec import structs

from coilbench.analysis.engine.assignment import Level
from coilbench.analysis.engine.assignment_levels import assign
from coilbench.analysis.engine.build_file import BuildFile, Cam
from coilbench.analysis.engine.press_contest import MARGIN_N, PairChoice
from coilbench.analysis.engine.press_model import OPEN_CHANCES, SetModel
from coilbench.analysis.engine.press_shop import Press, PressHeights, Shop, press_at
from coilbench.analysis.engine.reasons import Need
from coilbench.analysis.engine.shims import Effort, Role

MOST_A_SPRING = 4  # readings to tell whether it is tired


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
    chosen = structs.replace(shop.build.springs, outer=names[:1], inner=names[1:])
    effort: Effort = "cuts" if best.choice.seat_cut_mm > 0.0 else "shims"
    build = replace(shop.build, springs=chosen)
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
