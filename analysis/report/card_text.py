"""The calibration card, the rig's health and its checks, as text and documents. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from itertools import combinations
from typing import Any, NamedTuple

from msgspec.structs import asdict

from coilbench.analysis.curves.load_budget import TYPICAL_RATE_N_PER_MM
from coilbench.analysis.report.budget_text import BudgetText, budget_text, unit_size
from coilbench.analysis.report.document import describe, document, json_keys, picked
from coilbench.analysis.report.phrases import what_and_hint
from coilbench.analysis.report.rests_text import kept_lines
from coilbench.analysis.report.units import SI, Units, significant
from coilbench.analysis.rig.card import CLASSES, COLUMNS, SOURCE, Card, PartCard, StepErrors
from coilbench.analysis.rig.check import MassVerdict, PastCheck, Trend
from coilbench.analysis.rig.health import DRIFT_S, Health
from coilbench.capture.blocks import Hello
from coilbench.capture.calibration.keyed_setup import KeptRests
from coilbench.capture.calibration.model import NewPart, PointRow
from coilbench.capture.unit_factors import KGF_N
from coilbench.capture.units import counted

COLUMN_WORDS = {
    "q": "accuracy",
    "b": "repeatability",
    "v": "reversibility",
    "zero": "zero",
    "resolution": "resolution",
}
MOST_ROWS = 40  # a pressed block has hundreds of samples: they are drawn, not listed
NO_CERTIFICATE = (
    "This is not a certificate: ISO 7500-1 asks for three increasing runs of five steps or more, "
    "with instruments of its own classes"
)


json_keys(
    StepErrors,
    "true_n q_percent b_percent v_percent zero_percent resolution_percent class=class_met",
)
json_keys(
    Card,
    "calibration_id gravity_m_s2 parts iso7500 noise_counts budget trust check trend zeros "
    "rests_n rests_of_sets kept_rests cups_meet_mm other_rigs calibrated_here warnings",
)
json_keys(
    PartCard,
    "kind=part.kind part_id made_utc age_days origin=part.origin device_id=part.device_id unit "
    "over_unit coefficients=part.fit.coefficients coefficients_u correlation "
    "residual_sd=part.fit.residual_sd fitted_from=part.fit.x_min fitted_to=part.fit.x_max "
    "masses_err=part.masses_err reference_u_relative=part.reference_u_relative points=told_points "
    "notes=part.notes",
)
json_keys(KeptRests, "set=set_name rests_n strokes")
json_keys(PastCheck, "made_utc mass_kg gravity_m_s2 error_n error_u_n tolerance_n passed")
json_keys(Trend, "percent_per_30_days u_percent_per_30_days checks text drifts")


class Residual(NamedTuple):
    """One point's residual in display units: at which known value or load, and going which way."""

    at: float
    off: float
    falling: bool


class PartText(NamedTuple):
    """One part of a calibration.

    Attributes:
        coefficients: name, value with its standard uncertainty (k = 1), unit.
        points: known value, direction, counts and residual; none where they are too many.
        residuals: of the points that were used, in their order.
        axes: what the residuals are over and what they are, with units.
    """

    title: str
    heading: str
    coefficients: list[tuple[str, str, str]]
    correlation: str
    points: list[tuple[str, str, str, str]]
    residuals: list[Residual]
    axes: tuple[str, str]
    notes: Sequence[str]


class CalibrationText(NamedTuple):
    """A calibration card in display units; sentences without a full stop.

    Attributes:
        steps: the errors at each mass, per cent, and the class they would meet.
        limits: those of ISO 7500-1, per cent, a row a class; from `source`.
    """

    sentences: list[str]
    check: str | None
    steps: list[tuple[str, ...]]
    limits: list[tuple[str, ...]]
    source: str
    budget: BudgetText | None
    parts: list[PartText]


def calibration_text(card: Card, units: Units) -> CalibrationText:
    """Put a calibration card into words."""
    rate = units.rate_value(TYPICAL_RATE_N_PER_MM)
    title = (
        "Budget of a typical reading, half the largest mass on a spring of "
        f"{rate:.4g} {units.load}/{units.length}, before lag and friction"
    )
    limits = [(name, *(f"{n:g}" for n in asdict(of).values())) for name, of in CLASSES.items()]
    return CalibrationText(
        sentences=list(_sentences(card, units)),
        check=None if card.check is None else describe(card.check, units),
        steps=[_step_row(step, units) for step in card.steps],
        limits=limits,
        source=SOURCE,
        budget=None if card.budget is None else budget_text(card.budget, units, title),
        parts=[_part_text(part, units) for part in card.parts],
    )


def _step_row(step: StepErrors, units: Units) -> tuple[str, ...]:
    errors = ("-" if error is None else f"{error:+.3f}" for error in step.columns)
    return units.load_text(step.true_n), *errors, step.class_met or "none"


_CENTRED = (
    "In no ± here: the masses pressed on the platen's middle, a spring presses on a ring, seldom "
    "centrally. To see what that does, shift a mass off the middle four ways, turn a spring by "
    "quarters"
)


def _sentences(card: Card, units: Units) -> Iterator[str]:
    rig = card.load.part.device_id or "that its calibration file does not name"
    if not card.calibrated_here:
        yield (
            f"No rig was calibrated at this bench: this is another bench's, the rig {rig}; "
            "none of it holds for a press of this bench"
        )
    if card.other_rigs:
        others = ", ".join(card.other_rigs)
        yield f"This is the rig {rig}; the book has calibrations of {others}, too"
    if (trust := card.trust) is not None:
        low, high, u = map(units.load_value, (trust.low_n, trust.high_n, trust.load_u_n))
        yield (
            f"Between {low:.3g} and {high:.3g} {units.load}, trust a steady load to "
            f"± {_rounded_up(u):g} {units.load} (19 of 20 readings are within it)"
        )
        yield (
            "The load of a spring at a height is less sure than that, by travel, press flex and "
            "friction: set check says how much"
        )
    yield _masses_words(card.load.part)
    yield gravity_words(card.gravity_m_s2, units)
    yield _CENTRED
    yield from _cup_words(
        card.rests_n, card.cups_meet_mm, card.rests_of_sets, card.kept_rests, units
    )
    yield from _class_words(card, units)


def _cup_words(
    rests_n: float | None,
    cups_meet_mm: float | None,
    rests_of_sets: Mapping[str, float],
    kept: Sequence[KeptRests],
    units: Units,
) -> Iterator[str]:
    """Say what is told of the cups, a sentence each, without a full stop."""
    if rests_n is None:
        yield (
            "What rests on the spring is not told, and taken as nothing: an upper cup makes every "
            "load read so much less (coilbench rig ratings --rests)"
        )
    else:
        yield (
            f"The {units.small_load_text(rests_n)} that rests on the spring, in every zero, is "
            "added to the loads of strokes that were told no other weight"
        )
    for name, of_set_n in rests_of_sets.items():
        rests = units.small_load_text(of_set_n)
        yield f"The set {name} has cups of its own: {rests} in the loads that a cell read"
    yield from kept_lines(kept, rests_n, rests_of_sets, units)
    if cups_meet_mm is not None:
        yield f"The cups meet at {units.length_text(cups_meet_mm)}: no gauge is shorter"


def _masses_words(load: NewPart) -> str:
    if load.masses_err == "each":
        return (
            "Each mass is taken to err by itself, as it was stated, and nothing to be common to "
            "all (--masses-err each)"
        )
    assumed = any(
        describe(note, SI).startswith("Masses without an uncertainty") for note in load.notes
    )
    return (
        "What all masses may be wrong by together is taken as "
        f"{2.0 * load.reference_u_relative:.2%} (k = 2), {'assumed' if assumed else 'as stated'}; "
        "this is up to twice too wide for masses that were certified one by one (--masses-err each)"
    )


def _rounded_up(number: float) -> float:
    """Round up to one digit, or to two where it begins with 1: 0.0123 to 0.013, 0.27 to 0.3."""
    if number <= 0.0:
        return 0.0
    step = 10.0 ** math.floor(math.log10(number))
    if number / step < 2.0:
        step /= 10.0
    return float(f"{math.ceil(number / step - 1e-9) * step:.2g}")


def gravity_words(gravity_m_s2: float, units: Units) -> str:
    """Explain local gravity in one line."""
    taken, kg = f"Gravity is taken as {gravity_m_s2:.5f} m/s2: ", gravity_m_s2 / KGF_N
    if units.load == "lbf":
        return f"{taken}a mass of 1 lb presses with {kg:.5f} lbf"
    shows = f", which shows as {kg:.5f} kg, since a kg shown is always {KGF_N} N"
    more = shows if units.load == "kg" else ""
    return f"{taken}a mass of 1 kg presses with {gravity_m_s2:.5f} N{more}"


def _class_words(card: Card, units: Units) -> Iterator[str]:
    if card.ranges:
        met = "; ".join(
            f"those of class {one.name} from {units.load_value(one.low_n):.4g} to "
            f"{units.load_value(one.high_n):.4g} {units.load}"
            for one in card.ranges
        )
        yield f"Of ISO 7500-1's limits its errors would meet {met}"
    elif card.steps:
        top_step = card.steps[-1]
        over = ", ".join(COLUMN_WORDS[name] for name in top_step.columns_over([*CLASSES][-1]))
        yield (
            "Of ISO 7500-1's limits its errors would meet none: at "
            f"{units.load_text(top_step.true_n)} the {over} exceeds those of class 3"
        )
    missing = [
        COLUMN_WORDS[name]
        for number, name in enumerate(COLUMNS)
        if card.steps and all(step.columns[number] is None for step in card.steps)
    ]
    if missing:
        yield f"Not measured, and so not judged: {', '.join(missing)}"
    if card.noise_counts is None:
        yield "The resolution is one count; noise joins it after a rig check --mass"
    runs = counted(card.runs, "run")
    yield f"{NO_CERTIFICATE}; this was {runs} of {len(card.steps)} steps"


def _part_text(card: PartCard, units: Units) -> PartText:
    part = card.part
    rig = "" if part.device_id is None else f", rig {part.device_id}"
    unit, size = unit_size(card.unit, units)
    title, over = {
        "load": ("Load", f"mass, {units.mass}"),
        "travel": ("Travel", f"gauge, {units.length}"),
        "flex": ("Press flex", "load, counts"),
    }[part.kind]
    listed = part.points if len(part.points) <= MOST_ROWS else ()
    found = (_residual(point, units) for point in part.points)
    return PartText(
        title,
        f"Of {card.made_utc[:10]} ({card.age_days:.0f} days ago), {part.origin}"
        f"{rig}, {part.fit.points} points, residual sd "
        f"{significant(part.fit.residual_sd / size, 3)} {unit}",
        _coefficient_rows(card, units),
        _correlation_words(card),
        [_point_row(point, units) for point in listed],
        [one for one in found if one is not None],
        (over, f"known less fitted, {unit}"),
        [describe(note, units) for note in part.notes],
    )


def _coefficient_rows(card: PartCard, units: Units) -> list[tuple[str, str, str]]:
    (y, y_size), (x, x_size) = unit_size(card.unit, units), unit_size(card.over_unit, units)
    pairs = zip(card.part.fit.coefficients, card.coefficients_u, strict=True)
    rows = []
    for power, (number, u) in enumerate(pairs):
        if power == 0 and u == 0.0:
            continue  # a curve through the origin
        scale = x_size**power / y_size
        over = "" if power == 0 else f"/{x}" + ("" if power == 1 else f"^{power}")
        rows.append((f"c{power}", f"{number * scale:.8g} ± {u * scale:.2g}", f"{y}{over}"))
    return rows


def _correlation_words(card: PartCard) -> str:
    rows = card.correlation
    unsure = [i for i, u in enumerate(card.coefficients_u) if u > 0.0]
    return ", ".join(f"r(c{i}, c{j}) {rows[i][j]:+.3f}" for i, j in combinations(unsure, 2))


def _residual(point: PointRow, units: Units) -> Residual | None:
    falling = point.direction == "down"
    if point.residual_n is not None and point.mass_kg is not None:
        at = units.mass_value(point.mass_kg)
        return Residual(at, units.load_value(point.residual_n), falling)
    if point.residual_mm is None:
        return None
    if point.length_mm is not None:
        at = units.length_value(point.length_mm)
    else:
        at = math.nan if point.load_counts is None else point.load_counts
    return Residual(at, units.length_value(point.residual_mm), falling)


def _point_row(point: PointRow, units: Units) -> tuple[str, str, str, str]:
    counts = point.travel_counts if point.load_counts is None else point.load_counts
    known = units.length_text(point.length_mm)
    if point.mass_kg is not None:
        known = units.mass_text(point.mass_kg)
    if point.residual_n is not None:
        off = f"{units.load_value(point.residual_n):+.4f} {units.load}"
    elif point.residual_mm is not None:
        off = f"{units.length_value(point.residual_mm):+.4f} {units.length}"
    else:
        off = "not used"
    return known, point.direction or "", "-" if counts is None else f"{counts:.0f}", off


def health_document(hello: Hello, health: Health) -> dict[str, Any]:
    """Return a rig's health for JSON: with each finding what is wrong and what to do."""
    rig = picked(hello, "device_id firmware travel")
    findings = [
        document(each) | dict(zip(("what", "hint"), what_and_hint(each, SI), strict=True))
        for each in health.findings
    ]
    return {"rig": rig, **document(health), "findings": findings}


def health_lines(hello: Hello, health: Health, units: Units) -> Iterator[str]:
    """Yield who the rig is, its figures, and what is wrong, a line each."""
    yield f"Rig {hello.device_id}, {hello.firmware}, travel by {hello.travel}"
    for name, figures in _figures(health, units):
        yield f"  {name:<14}{figures}"
    for finding in health.findings:
        yield f"WRONG: {describe(finding, units)}."
    if not health.findings:
        wiring = (
            "load and travel go the right way"
            if health.pressed
            else "the direction of load and travel was not checked"
        )
        yield f"The rig is in order; {wiring}."


def _figures(health: Health, units: Units) -> Iterator[tuple[str, str]]:
    rate = "unknown" if health.rate_hz is None else f"{health.rate_hz:.1f}"
    yield "rate", f"{rate} samples a second, nominal {health.nominal_hz:g}"
    if health.noise_counts is not None and health.drift_counts is not None:
        noise, drift = f"{health.noise_counts:.0f} counts", f"{health.drift_counts:+.0f} counts"
        if health.drift_u_counts is not None:
            drift += f" ± {health.drift_u_counts:.0f}"
        if health.noise_n is not None and health.drift_n is not None:
            noise += f", {units.load_value(health.noise_n):.4f} {units.load}"
            drift += f", {units.load_value(health.drift_n):+.4f} {units.load}"
        yield "load noise", f"{noise} (standard deviation of one sample)"
        yield f"drift in {DRIFT_S:g} s", drift
    if health.travel_noise_counts is not None:
        travel = f"{health.travel_noise_counts:.2f} counts"
        if health.travel_noise_um is not None:
            length = units.length_value(health.travel_noise_um * 1e-3)
            travel += f", {length:.{4 if units.length == 'mm' else 5}f} {units.length}"
        yield "travel noise", travel
    yield "load readings", f"{health.load_codes} different ones in {health.samples} samples"
    yield (
        "flagged",
        f"{health.saturated} saturated, {health.suspect} corrupted, {health.travel_absent} "
        "without travel",
    )
    yield (
        "link",
        f"{health.samples_lost} samples lost, {health.lines_bad} lines corrupted, "
        f"{health.restarts} restarts",
    )


@describe.register
def _(check: PastCheck, units: Units) -> str:
    percent = check.percent_per_n
    return (
        f"{check.made_utc[:16].replace('T', ' ')}, {units.mass_text(check.mass_kg)}, "
        f"{check.error_n * percent:+.2f} % (± {check.error_u_n * percent:.2f} %, "
        f"{check.tolerance_n * percent:.2f} % allowed): {'passed' if check.passed else 'FAILED'}"
    )


@describe.register
def _(trend: Trend, units: Units) -> str:  # noqa: ARG001
    verdict = "the rig drifts" if trend.drifts else "this shows no drift"
    return (
        f"Over {trend.checks} checks the error changes by {trend.percent_per_30_days:+.3f} "
        f"± {trend.u_percent_per_30_days:.3f} % in 30 days: {verdict}"
    )


@describe.register
def _(verdict: MassVerdict, units: Units) -> str:
    percent = 100.0 / verdict.expected_n
    then = ""
    if not verdict.passed:
        then = (
            ". Check that the weight stands free and the cell is clean and square; if it fails "
            "again, calibrate again: coilbench rig weigh"
        )
    elif verdict.drifted:
        then = (
            ". The error exceeds the uncertainty of calibration and weight: something has moved "
            "since the calibration. Check again soon"
        )
    return (
        f"{'PASS' if verdict.passed else 'FAIL'}: {units.mass_text(verdict.mass_kg)} presses with "
        f"{units.load_text(verdict.expected_n)} and reads {units.load_text(verdict.load_n)}, "
        f"{verdict.error_n * percent:+.2f} % off (known to ± {verdict.error_u_n * percent:.2f} %, "
        f"k = 2); {verdict.tolerance_n * percent:.2f} % is allowed{then}"
    )
