"""A plan of presses in words."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from coilbench.analysis.engine.press_contest import MARGIN_N
from coilbench.analysis.engine.press_model import OPEN_CHANCES
from coilbench.analysis.engine.presses import (
    STOP_RISK,
    Lacking,
    NotPressed,
    PairChoice,
    Press,
    PressPlan,
    Rival,
    TiredSpring,
)
from coilbench.analysis.report.document import describe, first_few, json_keys
from coilbench.analysis.report.pairing_text import PRESS_SAFELY, pair_text
from coilbench.analysis.report.units import Units
from coilbench.capture.plain import as_typed
from coilbench.capture.units import counted

MOST_RIVALS = 3  # named; more are as far behind
LEAST_SHOWN = 0.001  # a chance below it is shown as below it
WEIGH = "coilbench rig weigh --scale NAME --from FILE"
SAFELY = (
    "A compressed spring can blind: capture it at both ends, unplug the press and work the quill "
    f"by hand, wear eye protection, keep fingers out. Press {PRESS_SAFELY}."
)

json_keys(PairChoice, "outer inner shim_mm=choice.shim_mm seat_cut_mm=choice.seat_cut_mm")
json_keys(
    Rival,
    "outer=other.outer inner=other.inner shim_mm=other.choice.shim_mm "
    "seat_cut_mm=other.choice.seat_cut_mm chance behind_n",
)
json_keys(Press, "set=set_name label height_mm depth_mm kind why=text")
json_keys(
    PressPlan,
    "done stage presses best risk common_risk common_error_decides equal ties rivals tired made "
    "remaining not_pressed solid_unknown left_out lacking",
)


@describe.register
def _(press: Press, units: Units) -> str:
    match press.kind:
        case "begin":
            return "the set's curve"
        case "decide" if press.rival is not None:
            return f"the best against {choice_text(press.rival, units)}"
        case "tired":
            return "has it lost load?"
        case "valve":
            return "its load where it may stand"
    return "the fixed plan"


@describe.register
def _(spring: TiredSpring, _units: Units) -> str:
    named = f"{spring.label} of {spring.set_name}"
    if spring.below < 0.0:
        return (
            f"{named} is higher than its set by about {_share_text(-spring.below)} (chance that it "
            f"is none of them alike: {percent_text(spring.chance)}): no spring that lost load is; "
            f"it may be of another set: coilbench set check {as_typed(spring.set_name)}"
        )
    lower = f"lower than its set by about {_share_text(spring.below)}"
    chance = f"chance {percent_text(spring.chance)}"
    if spring.below < spring.tolerance:  # `set check` doesn't call it weak
        return (
            f"{named} is {lower}, more than its fellows scatter ({chance}): not weak by "
            f"{100.0 * spring.tolerance:g} %, the limit of its set's check"
        )
    verb = "has" if spring.chance >= OPEN_CHANCES[1] else "may have"
    return f"{named} {verb} lost load: {lower} ({chance})"


def _share_text(share: float) -> str:
    return percent_text(share) if share < 0.9 else f"{100.0 * share:.0f} %"  # it may be above 100 %


@describe.register
def _(finding: Lacking, _units: Units) -> str:
    fewer = finding.valves - finding.sound
    return (
        f"{finding.set_name} can't fill the valves: {counted(finding.sound, 'spring')} of "
        f"{finding.valves} can be used, so {fewer} {finding.role} {'is' if fewer == 1 else 'are'} "
        "lacking. More springs of its kind help (coilbench set edit), or a flagged one, measured "
        f"again and found sound: coilbench set check {as_typed(finding.set_name)}"
    )


@describe.register
def _(finding: NotPressed, units: Units) -> str:
    return (
        f"{finding.set_name} could have to stand at {units.length_text(finding.lowest_mm)}, too "
        f"near its solid height {units.length_text(finding.solid_height_mm)}: don't press it "
        "there; choices that need it are left out"
    )


def choice_text(choice: PairChoice, units: Units) -> str:
    """Name a pair and what is under it."""
    return pair_text(choice.outer, choice.inner, choice.choice, units)


def percent_text(chance: float) -> str:
    """Write a chance in percent."""
    if chance < LEAST_SHOWN:
        return f"below {100.0 * LEAST_SHOWN:g} %"
    if chance > 1.0 - LEAST_SHOWN + 1e-12:
        return f"above {100.0 * (1.0 - LEAST_SHOWN):g} %"
    return f"{100.0 * chance:.1f} %" if chance < 0.1 else f"{100.0 * chance:.0f} %"


class PlanText(NamedTuple):
    """A plan in words.

    Attributes:
        title: what comes next.
        rows: of the presses: set, spring, height, depth, what for; without units.
        sentences: how sure the decision is, what it can't settle, what else should be known.
        cautions: to be read before the first press; empty where there is none.
    """

    title: str
    rows: tuple[tuple[str, ...], ...]
    sentences: tuple[str, ...]
    cautions: tuple[str, ...]


def plan_text(plan: PressPlan, units: Units) -> PlanText:
    """Say what to press next, why, and how sure the decision is."""
    rows = tuple(
        (
            each.set_name,
            each.label,
            units.length_number(each.height_mm),
            units.length_number(each.depth_mm),
            describe(each, units),
        )
        for each in plan.presses
    )
    cautions = (SAFELY, *_solid(plan)) if plan.presses else ()
    return PlanText(_title(plan), rows, tuple(_sentences(plan, units)), cautions)


def _title(plan: PressPlan) -> str:
    if plan.stage == "no_choice":
        return (
            "Nothing to press: every choice breaks a known limit, has no sound spring, or can't "
            "be pressed where it would stand"
        )
    if plan.done and plan.lacking:
        return "Nothing is left to press, but there are too few springs"
    if plan.done:
        return "Nothing is left to press"
    settings = len({(each.set_name, each.height_mm) for each in plan.presses})
    count = len(plan.presses)
    presses = "1 press" if count == 1 else f"{count} presses"
    return f"Next: {presses}, the stop set {counted(settings, 'time')}"


def _sentences(plan: PressPlan, units: Units) -> Iterator[str]:
    yield from _decision(plan, units)
    if plan.presses:
        yield f"{plan.made} pressed so far; about {plan.remaining} to go"
        yield "Set the stop anew for each height, even where it stands so from before"
    yield from (describe(one, units) for one in (*plan.tired, *plan.not_pressed, *plan.lacking))
    if plan.left_out:
        yield f"Left out as flagged by the check of their set: {', '.join(plan.left_out)}"
    unknown = sorted({each.set_name for each in plan.presses if each.depth_mm is None})
    if unknown:
        yield (
            f"The depth is unknown until the free length is: {', '.join(unknown)}; set "
            f"the height between the faces, or give it: coilbench set edit {as_typed(unknown[0])} "
            "--free-length LENGTH"
        )


def _decision(plan: PressPlan, units: Units) -> Iterator[str]:
    """Yield which choice is best, how sure that is, and what more presses can't settle."""
    if plan.best is None or plan.risk is None or plan.common_risk is None:
        if plan.stage == "begin":
            yield "Nothing can be decided yet"
        return
    best, margin = choice_text(plan.best, units), units.load_text(MARGIN_N)
    if plan.equal:
        same = [choice_text(each, units) for each in plan.ties[:MOST_RIVALS]]
        yield (
            f"{best} and {'; '.join(same)} are equal within what you can read (chance that "
            f"another is nearer to the card by more than {margin}: {percent_text(plan.risk)})"
        )
    else:
        word = "Best" if plan.risk < STOP_RISK else "Best so far"
        yield (
            f"{word}: {best}. Chance that another choice is nearer to the card by more than "
            f"{margin}: {percent_text(plan.risk)}"
        )
        for each in plan.rivals[:MOST_RIVALS] if plan.risk >= STOP_RISK else ():
            where = "farther from" if each.behind_n >= 0.0 else "nearer to"
            yield (
                f"Rival: {choice_text(each.other, units)}, chance {percent_text(each.chance)}, "
                f"{units.load_text(abs(each.behind_n))} {where} the card as it looks now"
            )
    if plan.common_error_decides:
        yield (
            "The scale's own error, the same in every reading, could change the decision (chance "
            f"{percent_text(plan.common_risk)} in all): more presses can't settle this; weighing "
            f"a known mass on the scale can: {WEIGH}"
        )


def _solid(plan: PressPlan) -> Sequence[str]:
    pressed = {each.set_name for each in plan.presses}
    names = [name for name in plan.solid_unknown if name in pressed]
    if not names:
        return ()
    return (
        f"No solid height is known of {first_few(names, len(names))}: nothing here keeps you from "
        "coil bind. Watch the gaps between the coils, and stop before they close. To give it: "
        f"coilbench set edit {as_typed(names[0])} --solid-height LENGTH",
    )
