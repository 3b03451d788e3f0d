"""A build sheet in sentences, the list of what to check on the engine, and its JSON keys.

What isn't known says so. The list is common practice, no source; each item says whom to ask.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from typing import ClassVar, NamedTuple

import msgspec

from coilbench.analysis.choices import Effort
from coilbench.analysis.engine.assignment import Level
from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.outcomes import Combination
from coilbench.analysis.engine.reasons import Verdict
from coilbench.analysis.inputs.sheet import RigPart, ScalePart, SetPart, Sheet, ValveRow
from coilbench.analysis.limits.limits import LimitsReport
from coilbench.analysis.report.assignment_text import (
    ALLOWED,
    STATUS,
    assignment_notes,
    assignment_verdict,
    looks_text,
    number_text,
)
from coilbench.analysis.report.build_text import CAUTIONS as LIMITS_CAUTIONS
from coilbench.analysis.report.build_text import card_facts, lobes_of
from coilbench.analysis.report.curve_text import give_left_out, set_notes, tare_zero
from coilbench.analysis.report.document import (
    describe,
    document,
    first_few,
    json_keys,
    picked,
)
from coilbench.analysis.report.limits_text import limits_text
from coilbench.analysis.report.pairing_text import pair_text, range_text
from coilbench.analysis.report.phrases import CAUTION
from coilbench.analysis.report.set_text import STROKE_RULE
from coilbench.analysis.report.units import SI, Units
from coilbench.analysis.sets.judge import SetCheck
from coilbench.capture.strokes.sweep import Origin, Provenance

CAUTIONS = (
    CAUTION,
    LIMITS_CAUTIONS[0],
    "Measure the height, coil bind and retainer clearance of every valve on the engine itself "
    "before it turns. The load reading is not legal for trade.",
)
MACHINIST = "a qualified engine machinist"
CAME = {
    Origin.RIG: "strokes on the rig",
    Origin.RAW_FILE: "strokes from files of raw counts",
    Origin.CONVERTED_FILE: "strokes from files of loads and heights",
    Origin.POINTS_FILE: "rows of points from files",
    Origin.KEYED: "rounds of readings keyed in",
}


LOADS_METHOD = (
    "A spring's load at a height is the mean of its counted strokes, of both branches where both "
    "were measured, each stroke read with the calibration it was captured with. "
    f"{STROKE_RULE}; what was left out is named with its set. A load outside what was read "
    "says by how far, and its ± covers how the curve may go on. Outer and inner push side by "
    "side, each at its own height, so their loads add; a shim lowers both heights, a seat cut "
    "raises both"
)
UNCERTAINTY_METHOD = (
    "± is the expanded uncertainty, k = 2 (about 95 %), by the law of propagation (JCGM 100:2008). "
    "In a sum of outer and inner what the bench's errors have in common adds plainly, what is each "
    "reading's own by root sum of squares. It covers the measurement, not how a spring changes as "
    "it runs"
)

PAIR_VERDICTS: dict[Verdict, str] = {
    "fits": "which fits the card",
    "fits_bind_unknown": "which fits the card, but coil bind was not checked",
    "near": "which may fit the card, within the uncertainty",
    "misses": "which is the nearest, and misses the card",
    "not_judged": "which can't be judged before more is read",
}

json_keys(
    Sheet,
    "build=build.name made_utc=record.made_utc effort=assignment.effort per_valve=named fits "
    "reasons card=build.cam cards=build.cards.cam valves "
    "spares=assignment.chosen.spares.name left_out unsure unused_sets=unused margins "
    "warnings=rig.warnings calibration=rig retainer_clearance_mm=build.clearance_mm",
)
json_keys(
    ValveRow,
    "valve outer_set=outer.set_name outer=outer.spring inner_set=inner.set_name "
    "inner=inner.spring shims_mm=choice.shims_mm outer_shims_mm=choice.outer_shims_mm "
    "inner_shims_mm=choice.inner_shims_mm seat_cut_mm=choice.seat_cut_mm bare_height_mm "
    "outer_height_mm=outer.height_mm inner_height_mm=inner.height_mm seat_n=seat.load_n "
    "seat_u_n=seat.load_u_n open_n=open.load_n open_u_n=open.load_u_n "
    "coil_bind_margin_mm=margin_mm fits sure verdict",
)
json_keys(
    RigPart,
    "calibration_id=card.calibration_id load_age_days=card.load.age_days check=card.check scales",
)
json_keys(ScalePart, "name=scale.name made_utc age_days")


class SheetLimits(msgspec.Struct, frozen=True):
    """What is said of wire, surge and valve float.

    Attributes:
        found: for each pair of sets with what is under it: its name, what isn't kept and the
            figures; what was said of a set before isn't said again.
        assumed: what all of it rests on.
        not_given: what isn't given, and what it would tell.
    """

    found: tuple[tuple[str, tuple[str, ...]], ...]
    assumed: tuple[str, ...]
    not_given: tuple[str, ...]
    cautions: tuple[str, ...] = LIMITS_CAUTIONS


class EngineCheck(msgspec.Struct, frozen=True):
    """One thing to check: what, what to do and what is known of it, whose word decides."""

    what: str
    how: str
    asks: str


class LoadSpan(NamedTuple):
    """From the least to the greatest of some loads, N."""

    least_n: float
    most_n: float


class SheetText(msgspec.Struct, frozen=True):
    """A sheet's sentences, without full stops, the cautions with them.

    Attributes:
        loads_of: whose loads the valves' are; empty where each has its own springs.
        reasons: why not more, or what should be known.
        notes: what was assumed, and what raises the card's loads.
        checks: what to check on the engine before it turns.
        set_notes: what the reader of a set's loads should know, by set.
        method: how it was computed: what, and words for it.
    """

    in_json: ClassVar = {"loads_of": None, "reasons": None, "warnings": None, "set_notes": None}
    verdict: str
    loads_of: str
    reasons: tuple[str, ...]
    limits: SheetLimits
    warnings: tuple[str, ...]
    cautions: tuple[str, ...]
    notes: tuple[str, ...]
    checks: tuple[EngineCheck, ...]
    set_notes: Mapping[str, tuple[str, ...]]
    method: Mapping[str, str]


def sheet_text(sheet: Sheet, units: Units) -> SheetText:
    """Say what there is to say about a sheet."""
    return SheetText(
        _verdict(sheet, units),
        "" if sheet.best is None else _loads_of(sheet.best, units),
        tuple(describe(reason, units) for reason in sheet.reasons),
        _limits(sheet.limits, units),
        tuple(describe(warning, units) for warning in sheet.rig.warnings),
        CAUTIONS,
        (*assignment_notes(sheet.assignment, units), *_taken(sheet, units)),
        engine_checks(sheet, units),
        {part.name: _set_notes(part, units) for part in sheet.sets},
        dict(_method(sheet, units)),
    )


def sheet_document(sheet: Sheet) -> dict[str, object]:
    """Return the whole of a sheet as a JSON document holds it."""
    sets = [_set_document(part) for part in sheet.sets]
    lobe = document(card_facts(sheet.build)["lobe"])
    return {**document(sheet), **document(sheet_text(sheet, SI)), "lobe": lobe, "sets": sets}


def _set_document(part: SetPart) -> dict[str, object]:
    judged = {"set": part.name} if part.check is None else document(part.check)
    keys = "set_id role unjudged=unjudged.text not_measured measured=came"
    return {**judged, **document(picked(part, keys))}


def _verdict(sheet: Sheet, units: Units) -> str:
    level, best = sheet.assignment.chosen, sheet.best
    found = assignment_verdict(level)
    kept = "" if not sheet.failures else "; its limits fail"
    if best is None:
        return found + kept
    how = PAIR_VERDICTS[best.verdict]
    how += "" if len(sheet.build.cards) == 1 else f" (judged by the card {sheet.build.cam.name})"
    kind = "set" if best.inner is None else "pair of sets"
    named = pair_text(best.outer, best.inner, best.choice, units)
    return f"{found}, so this sheet shows the best {kind}: {named}, {how}{kept}"


def _loads_of(best: Combination, units: Units) -> str:
    said = "Loads are those of the sets' mean springs"
    if best.seat is None or best.full is None:
        return said
    between = range_text(best.seat, best.full, units)
    return f"{said}; from the weakest to the strongest of both sets they are {between}"


def _limits(reports: Sequence[LimitsReport], units: Units) -> SheetLimits:
    """Join the limits of several pairs; what holds for one set is said once."""
    found, said, missing, assumed = [], set[str](), dict[str, None](), dict[str, None]()
    for each in reports:
        text = limits_text(each, units)
        new = tuple(each for each in (*text.verdicts, *text.findings) if each not in said)
        said.update(new)
        missing |= dict.fromkeys(text.not_given)
        assumed |= dict.fromkeys(text.assumed)
        if new:
            named = pair_text(each.outer, each.inner, each.choice, units)
            found.append((named + (each.side and f" ({each.side})"), new))
    return SheetLimits(tuple(found), tuple(assumed), tuple(missing))


def _taken(sheet: Sheet, units: Units) -> Iterator[str]:
    """Say what no ± of readings by hand holds."""
    curves = [curve for part in sheet.sets for curve in part.curves]
    for words in (*tare_zero(curves, units), *give_left_out(curves, units)):
        yield words.rstrip(".")


def _set_notes(part: SetPart, units: Units) -> tuple[str, ...]:
    strokes = (
        f"{label}, stroke {one.number}: {describe(one, units)}" for label, one in part.left_out
    )
    return (*set_notes(part.curves, part.heights_mm, units), *strokes)


def _method(sheet: Sheet, units: Units) -> Iterator[tuple[str, str]]:
    assignment, record = sheet.assignment, sheet.record
    yield "Loads", LOADS_METHOD
    yield "Choice", _choice_method(assignment.chosen, assignment.effort, units)
    checks = [part.check for part in sheet.sets if part.check is not None]
    yield "Flags", _flags_method(checks)
    yield "Uncertainty", f"{UNCERTAINTY_METHOD}{_heights_method(sheet.build)}"
    for part in sheet.sets:
        came = (*(_came(one) for one in part.came), f"set {part.set_id}")
        yield f"Measured, {part.name}", "; ".join(came)
    digest = hashlib.sha256(record.build_text.encode()).hexdigest()
    yield "Build file", f"{sheet.build.name}, SHA-256 {digest}"
    yield "Book", record.book
    yield "Made", f"{record.made_utc[:16].replace('T', ' ')} UTC"
    yield "Versions", ", ".join(f"{name} {version}" for name, version in record.versions.items())


def _heights_method(build: BuildFile) -> str:
    """Say how far the engine's own heights are in the uncertainty."""
    heights = build.head.height_u_mm is not None
    shims = any(shim.thickness_u_mm is not None for shim in build.shims)
    if heights or shims:
        parts = (("installed height", heights), ("shims", shims))
        given = " and ".join(name for name, known in parts if known)
        missing = "".join(f"; that of the {name} isn't given" for name, known in parts if not known)
        return f"; of the engine's heights the ± given for the {given}, rate times ±{missing}"
    return ", nor the engine's heights and shims, whose ± the build file doesn't give"


def _choice_method(level: Level, effort: Effort, units: Units) -> str:
    if not level.valves:
        return (
            "Every outer set with every inner set over every stack of shims and every cut, at "
            "every valve's height with every sound spring; the one shown fits, or is nearest to, "
            "the card"
        )
    looks = looks_text(level, units)
    return (
        "Springs and what is under them were chosen for all valves together, so that the sum of "
        "((shut - card) / tolerance)^2 + ((full lift - card) / tolerance)^2 over the valves is "
        "least while the limits are kept: a whole-number programme, solved by HiGHS through "
        f"SciPy. Allowed: {ALLOWED[effort]}. Sum {number_text(level.objective)}, none is below "
        f"{number_text(level.bound)}; {STATUS[level.status] if not level.proven else 'proven'}"
        f"{'' if looks is None else f'. {looks}'}"
    )


def _flags_method(checks: Sequence[SetCheck]) -> str:
    if not checks:
        return "No set could be judged"
    bands = {check.name: _band(check) for check in checks}
    alike = len(set(bands.values())) == 1
    said = bands.values() if alike else (f"{name}: {band}" for name, band in bands.items())
    return (
        f"Each load and rate within {'; '.join(dict.fromkeys(said))}, with the uncertainty as a "
        "guard band; springs that stand apart by the generalised ESD test, which raises a false "
        f"alarm in at most {checks[0].alpha:.0%} of sound sets; free length and shape of the "
        "curve likewise. Weak, stiff, short and odd springs are left out unless asked for"
    )


def _band(check: SetCheck) -> str:
    """Say the tolerances that were applied: a kept nominal may have its own."""
    shares = {
        round(ruling.facts[f"tolerance_{unit}"] / ruling.facts[f"target_{unit}"], 6)
        for spring in check.springs
        for ruling in spring.rulings
        if ruling.rule == "nominal"
        for unit in ("n_per_mm" if ruling.height_mm is None else "n",)
    }
    of_nominal = (f" and {100.0 * share:.3g}% of its nominal" for share in sorted(shares))
    middle = f"{100.0 * check.tolerance:.3g}% of its set's middle (median)"
    return "".join((middle, *of_nominal))


def _came(one: Provenance) -> str:
    first, last = one.first_utc[:10], one.last_utc[:10]
    when = first if first == last else f"{first} to {last}"
    by = "" if one.calibration_id is None else f", calibration {one.calibration_id}"
    if one.origin is Origin.KEYED:
        by = ", a scale without a calibration of its own"
        if one.scale is not None:
            by = f", by the calibrated scale {one.scale}"
    return f"{one.sweeps} {CAME[one.origin]}, of {one.springs} springs{by}, {when}"


def outer_alone(sheet: Sheet) -> tuple[LoadSpan, LoadSpan] | None:
    """Return what the outers give without their inners, valve shut and at full lift.

    Over all valves; where springs aren't named, over every spring of the sets. None for single
    springs, and where an outer wasn't read there.
    """
    if not sheet.valves or any(row.inner is None for row in sheet.valves):
        return None
    shut_n: list[float] = []
    open_n: list[float] = []
    outers = [line for line in sheet.lines if line.role == "outer"]
    for row in sheet.valves:
        label = None if row.outer.spring is None else row.outer.spring.rpartition("/")[2]
        for line in outers:
            if label is not None and line.name not in (label, row.outer.spring):
                continue
            load_n = dict(zip(line.heights_mm, line.loads_n, strict=True))
            if row.outer.height_mm not in load_n or row.outer.open_height_mm not in load_n:
                return None
            shut_n.append(load_n[row.outer.height_mm])
            open_n.append(load_n[row.outer.open_height_mm])
    if not shut_n:
        return None
    return LoadSpan(min(shut_n), max(shut_n)), LoadSpan(min(open_n), max(open_n))


def engine_checks(sheet: Sheet, units: Units) -> tuple[EngineCheck, ...]:
    """Return the list, in the order in which an engine goes together."""
    return tuple(_checks(sheet, units))


def _checks(sheet: Sheet, units: Units) -> Iterator[EngineCheck]:
    build = sheet.build
    lift = units.length_text(build.greatest_lift_mm)
    lobes = {
        changed: "; ".join(
            f"{whose and f'{whose}: '}{describe(finding, units)}"
            for whose, finding in lobes_of(build)
            if (finding.kind == "base_circle_changed") is changed
        )
        for changed in (False, True)
    }
    yield EngineCheck(
        "Base circle and lobe",
        f"measure both against the core on every lobe. By the build file: {lobes[False]}",
        "the cam grinder",
    )
    yield EngineCheck(
        "Lash and pushrods",
        "a reground cam's smaller base circle takes up length in the valve train. By the build "
        f"file: {lobes[True] or 'not known, cam.old_base_circle is not given'}",
        f"the cam grinder and {MACHINIST}",
    )
    yield EngineCheck(
        "Valve to piston",
        f"with the new lift, {lift}: measure intake and exhaust through the whole overlap, turned "
        "by hand, with light springs; the clearance wanted is not in this sheet",
        f"the engine maker, the cam grinder and {MACHINIST}",
    )
    clear = "not known here"
    if build.clearance_mm is not None:
        clear = f"{units.length_text(build.clearance_mm)} by the build file"
    yield EngineCheck(
        "Retainer to guide and seal",
        f"at full lift on every valve: {clear}, at least "
        f"{units.length_text(build.limits.min_clearance_mm)} asked for",
        f"the cam grinder and {MACHINIST}",
    )
    yield EngineCheck("Coil bind", _bind(sheet, units), f"the spring's maker and {MACHINIST}")
    yield EngineCheck(
        "Lifters that turn",
        "mark each flat tappet, turn the engine over by hand, and see every one turn in its bore; "
        "one that doesn't will wear its lobe away",
        "the cam grinder",
    )
    yield EngineCheck(
        "Break-in of flat tappets", _break_in(sheet, units), "the cam grinder and the engine maker"
    )
    yield EngineCheck(
        "Retorque and lash",
        "after the first heat, engine cold or hot as the maker says: head, rockers, lash; then "
        "measure the springs again and compare the sets",
        "the engine maker",
    )


def _bind(sheet: Sheet, units: Units) -> str:
    """Say how near each set comes, or that it isn't known."""
    known = [one for one in sheet.margins if one.margin_mm is not None]
    unknown = first_few([one.set_name for one in sheet.margins if one.margin_mm is None])
    said = "turn the engine by hand to full lift on every valve and see the coils still apart"
    if known:
        least = min(known, key=lambda one: one.margin_mm or 0.0)
        said += (
            f"; least on this sheet {units.length_text(least.margin_mm)}, of {least.set_name} at "
            f"valve {least.valve}"
        )
    return f"{said}; not known of {unknown}" if unknown else said


def _break_in(sheet: Sheet, units: Units) -> str:
    """Say what the outers alone give: a reduced load for the first minutes of a flat tappet."""
    alone = outer_alone(sheet)
    told = "only if the cam has flat tappets; on reduced load, with the oil the cam grinder names"
    if all(row.inner is None for row in sheet.valves):
        return f"{told}; single springs leave nothing out, so ask how to reduce the load"
    if alone is None:
        return f"{told}; what the outers alone give was not measured"
    shut, full = (
        f"{units.load_text(span.least_n)} to {units.load_text(span.most_n)}" for span in alone
    )
    return (
        f"{told}. With the inners left out the outers alone give {shut} shut and {full} at full "
        "lift: that holds a valve only at low speed. Put the inners in before any other running"
    )
