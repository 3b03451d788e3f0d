"""What is said of a set: rulings, flags, strokes; and its JSON documents."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any

from coilbench.analysis.curves.sweep_fit import Way
from coilbench.analysis.report.bench_text import apart, cocked, slipped
from coilbench.analysis.report.curve_text import LENGTH_FROM
from coilbench.analysis.report.document import describe, filled, json_keys, picked
from coilbench.analysis.report.phrases import note_text
from coilbench.analysis.report.units import Units
from coilbench.analysis.sets.columns import FEWEST_FOR_MIDDLE, OUTLIER_LEAST_SHARE, Centre
from coilbench.analysis.sets.compare import Change, Comparison
from coilbench.analysis.sets.judge import HeightSummary, SetCheck
from coilbench.analysis.sets.rulings import Flag, RuleName, Ruling
from coilbench.analysis.sets.set_columns import ODD_SHARE, SHORT_SHARE
from coilbench.capture.book.notes import closing_told
from coilbench.capture.strokes.stroke_choice import JudgedStroke
from coilbench.capture.strokes.stroke_findings import StrokeFinding, StrokeKind

STROKE_RULE = (
    "A stroke that slipped, or was too fast for the rig, is left out where another is left; one "
    "that cocked or lies apart, where most of the spring's strokes agree"
)
TOO_FEW = (
    f"Fewer than {FEWEST_FOR_MIDDLE} springs have no middle to be compared with: measure more, or "
    "give a nominal, like --nominal 24kg@38.5mm."
)
RULES: dict[RuleName, str] = {
    "measured": "measured",
    "strokes": "strokes",
    "one_way": "one way",
    "nominal": "nominal",
    "set_tolerance": "set tolerance",
    "set_outlier": "set outlier",
    "free_length": "free length",
    "length_loads": "free length and loads",
    "shape": "shape",
}
WAY_TEXT: dict[Way | None, str] = {"loading": "on the way down", "unloading": "on the way up"}
STROKE_NAMES: dict[StrokeKind, str] = {
    "short": "short",
    "pressed_twice": "pressed twice",
    "paused": "paused",
    "slipped": "slipped",
    "cocked": "cocked",
    "apart": "apart",
    "too_fast": "too fast",
    "ends_close": "ends close",
}


def _tolerance(found: Ruling, units: Units) -> str:
    unit = "n_per_mm" if found.height_mm is None else "n"
    names = (f"{name}_{unit}" for name in ("measured", "target", "tolerance", "measured_u"))
    measured, wanted, tolerance, u = (found.facts[name] for name in names)
    share = "" if wanted == 0.0 else f"{abs(measured / wanted - 1.0):.1%} "
    word = "below" if measured < wanted else "above"
    way = WAY_TEXT.get(found.facts.get("way"), "")
    middle = f"the set's middle {way}, of" if way else "the set's middle of"
    target = "the nominal" if found.rule == "nominal" else middle
    shown = units.rate_text if found.height_mm is None else units.load_text
    what = shown(measured)
    where = f"{what} at {units.length_text(found.height_mm)}"
    text = (
        f"{f'rate {what}' if found.height_mm is None else where} is {share}{word} {target} "
        f"{shown(wanted)} (tolerance {shown(tolerance)}, uncertainty "
        f"{shown(u)})"
    )
    if found.outcome != "unsure":
        return text
    wide = u >= tolerance
    why = "the uncertainty is wider than the tolerance" if wide else "too near the limit to tell"
    cure = "set check --budget shows what it is made of"
    return f"{text}: {why}; {'press it more often' if found.facts['strokes_rule'] else cure}"


def _outlier(found: Ruling, units: Units) -> str:
    at = found.height_mm
    where = "its rate" if at is None else f"at {units.length_text(at)} it"
    text = f"{where} {_distance_text(found.facts)}"
    if found.facts["apart"] and found.facts["near"]:
        text += f", but is nearer to their middle than {OUTLIER_LEAST_SHARE:.0%} of the tolerance"
    return text


def _distance_text(f: Mapping[str, Any]) -> str:
    test = f"outlier test's step {f['step']}: {f['statistic']:.2f}, limit {f['limit']:.2f}"
    if math.isinf(f["deviations"]):
        return f"stands apart from the other {f['others']}, which are all alike ({test})"
    side, many = "below" if f["deviations"] < 0.0 else "above", abs(f["deviations"])
    if f["apart"]:
        how = f"{many:.1f} of their standard deviations {side} their mean ({test})"
        return f"stands apart from the other {f['others']}: {how}"
    mean = f"the mean of {f['others']}, itself included"
    return f"is {many:.1f} standard deviations {side} {mean} ({test})"


def _length(found: Ruling, units: Units) -> str:
    f = found.facts
    short_mm = f["target_mm"] - f["length_mm"]
    word = "below" if short_mm >= 0.0 else "above"
    target = "the set's given" if f["target"] == "nominal" else "the set's middle of"
    measured, share = LENGTH_FROM[f["length_from"]], abs(short_mm / f["target_mm"])
    text = filled(
        f"free length {{length_mm}} {measured} is {share:.1%} {word} {target} "
        f"{{target_mm}} (limit {SHORT_SHARE:.0%} below, uncertainty {{length_u_mm}})",
        f,
        units,
    )
    if f["contradicted"]:
        return f"{text}: not judged, since its own loads run out elsewhere"
    unsure = ": too near the limit to tell; measure it with a caliper"
    return text + unsure if found.outcome == "unsure" else text


_LENGTH_LOADS = {
    True: "free length {facts[length_mm]} and loads contradict each other, which run out at "
    "{facts[ends_mm]} (uncertainties {facts[length_u_mm]} and {facts[ends_u_mm]}): measure it "
    "again",
    False: "whether free length {facts[length_mm]} is right is not known: straight on, its loads "
    "run out at {facts[ends_mm]} (uncertainties {facts[length_u_mm]} and {facts[ends_u_mm]}), but "
    "a progressive or two-rate spring is softer near its free height: read it nearer to that, or "
    "measure it again",
}


def _shape(found: Ruling, units: Units) -> str:
    f = found.facts
    text = (
        f"its curve departs from the set's shape by up to {f['departure_share']:.1%} of its mean "
        f"load, at {units.length_text(f['departure_mm'])} (limit {ODD_SHARE:.0%})"
    )
    if "apart" in f:
        text += f", and its departure {_distance_text(f)}"
    odd = ": look for a crack or coils that touch, and press it again"
    return text + odd if found.outcome == "odd" else text


def _one_way(found: Ruling, units: Units) -> str:
    what = "rate" if found.height_mm is None else f"at {units.length_text(found.height_mm)}"
    return (
        f"{what} not compared: one way only, and the others {WAY_TEXT[found.facts['way']]}; press "
        "it again, down and back up"
    )


def _doubt(found: Ruling, _units: Units) -> str:
    strokes = found.facts["strokes"]
    kinds = ", ".join(STROKE_NAMES[kind] for kind in found.facts["kinds"])
    every = "its only stroke" if strokes == 1 else f"each of its {strokes} strokes"
    return f"{every} is doubtful ({kinds}): seat it again and press it once more"


_RULES: dict[RuleName, Callable[[Ruling, Units], str]] = {
    "measured": lambda found, units: filled(
        "not measured at {height_mm}, only from {facts[lowest_mm]} to {facts[highest_mm]}: press "
        "it again, over the whole range",
        found,
        units,
    ),
    "strokes": _doubt,
    "one_way": _one_way,
    "nominal": _tolerance,
    "set_tolerance": _tolerance,
    "set_outlier": _outlier,
    "free_length": _length,
    "length_loads": lambda found, units: filled(
        _LENGTH_LOADS[found.facts["shape_known"]], found, units
    ),
    "shape": _shape,
}


@describe.register
def _(found: Ruling, units: Units) -> str:
    return _RULES[found.rule](found, units)


@describe.register
def _(found: Flag, units: Units) -> str:
    return "; ".join(describe(one, units) for one in found.findings)


def _pauses(f: Mapping[str, Any], units: Units) -> str:
    each = (filled("{pause_s:.1f} s near {height_mm} on the way {way}", one, units)
            for one in f["pauses"])  # fmt: skip
    return f"the quill stopped {' and '.join(each)}: such a height counts no more than one passed"


def _presses(f: Mapping[str, Any], _units: Units) -> str:
    times = {2: "twice", 3: "three times"}.get(f["presses"], f"{f['presses']} times")
    visits = "each height's first visit down and last visit up are read"
    return f"pressed {times} before it was let go: {visits}"


_STROKES: dict[StrokeKind, str | Callable[[Mapping[str, Any], Units], str]] = {
    "short": "stopped at {lowest_mm}, asked for {asked_mm}: read only above",
    "pressed_twice": _presses,
    "paused": _pauses,
    "slipped": slipped,
    "cocked": cocked,
    "apart": apart,
    "too_fast": "over before the rig's conversions could follow",
    "ends_close": "its end coils close down to {closed_mm}: over the first {over_mm} it is softer "
    "than its rate",
}


@describe.register
def _(found: StrokeFinding, units: Units) -> str:
    words, name = _STROKES[found.kind], STROKE_NAMES[found.kind]
    if not isinstance(words, str):
        return f"{name}: {words(found.facts, units)}"
    return f"{name}: {filled(words, found.facts, units)}"


@describe.register
def _(found: JudgedStroke, units: Units) -> str:
    if found.why == "closing":
        refused = "" if closing_told(found.note) else ", which tells nothing"
        return f"closing press{refused}: {note_text(found.note, units)}"
    spoilt = ", ".join(STROKE_NAMES[kind] for kind in found.spoilt_by)
    why = {
        "nothing_against": "nothing against it",
        "in_doubt": f"in doubt: {note_text(found.note, units)}",
        "borne_out": f"shown to be right later: {note_text(found.note, units)}",
        "ruled": "by a ruling",
        "spoilt": spoilt,
        "spoilt_too_few_others": f"{spoilt}, but too few others to go by",
        "waits": f"in no answer yet: {note_text(found.note, units)}",
        "not_counted": "the capture did not count it"
        + ("" if found.note is None else f": {note_text(found.note, units)}"),
    }[found.why]
    seen = "; ".join(describe(one, units) for one in found.findings)
    told = why if found.why == "waits" else f"{'kept' if found.kept else 'left out'}, {why}"
    return f"{told}. {seen}" if seen else told


json_keys(Flag, "kind reason=text findings")
json_keys(
    Centre,
    "mean_n_per_mm=mean spread_n_per_mm=spread mean_u_n_per_mm=mean_u median_n_per_mm=median "
    "robust_spread_n_per_mm=robust_spread springs",
)  # of rates; those of loads stand with their height
json_keys(
    HeightSummary,
    "height_mm nominal_n mean_n=centre.mean spread_n=centre.spread mean_u_n=centre.mean_u "
    "median_n=centre.median robust_spread_n=centre.robust_spread springs=centre.springs "
    "compared_way",
)
json_keys(
    SetCheck,
    "set=name tolerance alpha alpha_each springs summary rate_summary=rate apart_within",
)


def compare_document(comparison: Comparison) -> dict[str, Any]:
    """Write a comparison: N, mm and N/mm, uncertainties expanded (k = 2), unknown is None."""
    heights_mm = comparison.heights_mm
    return picked(comparison, "before after unmatched") | {
        "springs": [
            {
                "label": spring.label,
                "changed": spring.changed,
                "readings": [
                    {"height_mm": height_mm, **_change(change, "n")}
                    for height_mm, change in zip(heights_mm, spring.loads, strict=True)
                ],
                "rate": _change(spring.rate, "n_per_mm"),
            }
            for spring in comparison.springs
        ],
        "summary": [
            {"height_mm": height_mm, **_mean(mean, "n")}
            for height_mm, mean in zip(heights_mm, comparison.means, strict=True)
        ],
        "rate_summary": _mean(comparison.rate_mean, "n_per_mm"),
    }


def _change(change: Change | None, unit: str) -> dict[str, Any]:
    keys = (
        f"before_{unit}=before after_{unit}=after change_{unit}=measured.value "
        f"change_u_{unit}=measured.u shared_calibration=shared verdict"
    )
    same = None if change is None else change.shared == "all"
    return picked(change, keys) | {"same_calibration": same}


def _mean(mean: Change | None, unit: str) -> dict[str, Any]:
    keys = (
        f"before_mean_{unit}=before change_{unit}=measured.value change_u_{unit}=measured.u verdict"
    )
    return picked(mean, keys) | {"springs": 0 if mean is None else mean.springs}
