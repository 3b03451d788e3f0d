"""A build file in words: what it assumes, its shims, lobes, cards and head; what fits it. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import TYPE_CHECKING, Any

from coilbench.analysis.report.units import Units
from coilbench.capture.blocks import Finding

if TYPE_CHECKING:
    from coilbench.analysis.engine.build_file import BuildFile, Shim
    from coilbench.analysis.engine.cam import Cam
    from coilbench.analysis.engine.reasons import Inside, Verdict
    from coilbench.analysis.engine.shims import SeatChoice

# What is to be known with a build's figures, and with limits besides.
CAUTIONS = (
    "These figures support a decision, they don't make it: the cam grinder's and the engine "
    "maker's data, and a qualified engine machinist, come first.",
    "Limits are for sound springs of round wire and rigid parts. A nick, rust or heat lowers the "
    "stress that a wire withstands; parts that bend and springs that surge let a valve leave its "
    "cam earlier. Keep well below every one of them, and stop before coil bind when pressing.",
)

ASK = "the cam grinder knows, ask (cam.lobe_height or base_circle, and cam.core_diameter)"
Row = tuple[str, str]
UNKNOWN = "unknown"
UNDER = {"both": "", "outer": " under the outer alone", "inner": " under the inner alone"}
_SAID: dict[Verdict | Inside, str] = {  # the other verdicts are words already
    "fits_bind_unknown": "fits, bind unknown",
    "not_judged": "not judged",
    "inside_unsure": "inside, unsure",
}


def verdict_text(verdict: Verdict | Inside) -> str:
    """Return a verdict in words, of a pair of sets or of one valve."""
    return _SAID.get(verdict, verdict)


def shims_text(choice: SeatChoice, units: Units) -> str:
    """Write each shim under a valve without units: "0.50 + 0.20, outer 0.30"; empty for none."""
    stacks = (
        ("", choice.shims_mm),
        ("outer ", choice.outer_shims_mm),
        ("inner ", choice.inner_shims_mm),
    )
    return ", ".join(
        whose + " + ".join(units.length_number(shim) for shim in stack)
        for whose, stack in stacks
        if stack
    )


def lobes_of(build: BuildFile) -> Iterator[tuple[str, Finding]]:
    """Yield of each card's lobe what was found, and whose it is; empty where one serves all."""
    for card in build.cards:
        for finding in card.cam.lobe.findings():
            yield card.cam.side or "", finding


def card_facts(build: BuildFile) -> dict[str, object]:
    """Return the cards of a build, what was assumed, and what is known of the lobes, for JSON."""
    lobe = [finding for _, finding in lobes_of(build)]
    return {"cards": [card.cam for card in build.cards], "notes": build.notes, "lobe": lobe}


def _tolerance_assumed(facts: Mapping[str, Any], _units: Units) -> str:
    keys = " and ".join(f"{end}_tolerance" for end in facts["ends"])
    verb = "isn't" if len(facts["ends"]) == 1 else "aren't"
    return (
        f"{keys} {verb} given: {facts['share']:.0%} of the load assumed, common practice, no "
        "source; the card or the cam grinder knows"
    )


def _loss_allowance(facts: Mapping[str, Any], units: Units) -> str:
    card, raised = (
        f"{units.load_text(facts[f'{which}seat_n'])} shut and "
        f"{units.load_text(facts[f'{which}open_n'])} at full lift"
        for which in ("card_", "")
    )
    return (
        f"the card of {facts['card']} asks for {card}; the springs must show "
        f"{100.0 * facts['share']:.3g} % more, {raised}, for what they lose hot and in time"
    )


def _stands(facts: Mapping[str, Any], units: Units) -> str:
    base = units.length_text(facts["base_circle_mm"])
    core = units.length_text(facts["core_diameter_mm"])
    nose = ""
    if facts["nose_proud_mm"] is not None:
        nose = f", the nose by {units.length_text(facts['nose_proud_mm'])}"
    return f"base circle {base}, core {core}: {{}}{nose}"


def _lobe_proud(facts: Mapping[str, Any], units: Units) -> str:
    by = units.length_text(facts["base_proud_mm"])
    return _stands(facts, units).format(f"the base circle stands proud of the core by {by}")


def _lobe_not_proud(facts: Mapping[str, Any], units: Units) -> str:
    by = units.length_text(abs(facts["base_proud_mm"]))
    low = f"the base circle is NOT proud of the core, it lies {by} below"
    if facts["base_proud_mm"] == 0.0:
        low = "the base circle is NOT proud of the core, it is flush"
    return (
        f"{_stands(facts, units).format(low)}. A lobe that isn't proud all round stops the lifter "
        "turning and wrecks both (common practice, no source): do not run it, ask the cam grinder"
    )


def _lobe_unknown(_facts: Mapping[str, Any], _units: Units) -> str:
    return f"whether the base circle stands proud of the cam's core is unknown: {ASK}"


def _base_circle_changed(facts: Mapping[str, Any], units: Units) -> str:
    lower_mm, at_valve_mm = facts["lower_mm"], facts["lower_at_valve_mm"]
    base, old = (units.length_text(facts[f"{key}base_circle_mm"]) for key in ("", "old_"))
    if lower_mm == 0.0:
        return f"base circle {base} as before: lash and pushrods are as they were"
    by = units.length_text(abs(lower_mm))
    where, way, rod = (
        ("lower", "more", "longer") if lower_mm > 0.0 else ("higher", "less", "shorter")
    )
    lash = "that times the rocker ratio (which isn't given)"
    if at_valve_mm is not None:
        lash = units.length_text(abs(at_valve_mm))
    return (
        f"base circle {base}, before {old}: lifters sit {by} {where}, so that the lash at the "
        f"valve is {way} by {lash}; a pushrod {rod} by {by} makes up for it, or the adjuster or a "
        "shim at the valve"
    )


BUILD_SENTENCES: dict[str, Callable[[Mapping[str, Any], Units], str]] = {
    "tolerance_assumed": _tolerance_assumed,
    "loss_allowance": _loss_allowance,
    "lobe_proud": _lobe_proud,
    "lobe_not_proud": _lobe_not_proud,
    "lobe_unknown": _lobe_unknown,
    "base_circle_changed": _base_circle_changed,
}


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
