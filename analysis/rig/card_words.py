"""What a calibration card says in sentences. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator

from coilbench.analysis.rig.card import Card, Trust
from coilbench.analysis.rig.iso7500 import CLASSES, COLUMNS, StepErrors, columns_over
from coilbench.capture.calibration.parts import NewPart
from coilbench.capture.units import KGF_N, Units

COLUMN_WORDS = {
    "q": "accuracy",
    "b": "repeatability",
    "v": "reversibility",
    "zero": "zero",
    "resolution": "resolution",
}
NO_CERTIFICATE = (
    "This is no certificate: ISO 7500-1 asks for three increasing runs of five steps or more, "
    "with instruments of its own classes"
)


def trust_words(trust: Trust, units: Units) -> str:
    """Say in plain words what a load may be trusted to; rounded up, to be on the safe side."""
    low, high = units.load_value(trust.low_n), units.load_value(trust.high_n)
    u = rounded_up(units.load_value(trust.load_u_n))
    return (
        f"Between {low:.3g} and {high:.3g} {units.load}, trust a steady load to ± {u:g} "
        f"{units.load} (19 readings of 20 are that near)"
    )


def rounded_up(number: float) -> float:
    """Round up to one digit, or to two where it begins with 1: 0.0123 to 0.013, 0.27 to 0.3."""
    if number <= 0.0:
        return 0.0
    step = 10.0 ** math.floor(math.log10(number))
    if number / step < 2.0:
        step /= 10.0
    return float(f"{math.ceil(number / step - 1e-9) * step:.2g}")


def gravity_words(gravity_m_s2: float) -> str:
    """Explain local gravity in one line."""
    return (
        f"Gravity is taken as {gravity_m_s2:.5f} m/s2: a mass of 1 kg presses with "
        f"{gravity_m_s2:.5f} N, which shows as {gravity_m_s2 / KGF_N:.5f} kg, since a kg shown is "
        f"always {KGF_N} N"
    )


def masses_words(load: NewPart) -> str:
    """Say what the masses were taken to be good for."""
    assumed = any(note.startswith("Masses without an uncertainty") for note in load.notes)
    how = "assumed" if assumed else "as stated"
    return (
        "What all masses may be wrong by together is taken as "
        f"{2.0 * load.reference_u_relative:.2%} (k = 2), {how}"
    )


def class_words(card: Card, units: Units) -> Iterator[str]:
    """Say which limits the errors would meet over which range, and what was not measured."""
    if card.ranges:
        met = "; ".join(
            f"those of class {one.name} from {units.load_value(one.low_n):.4g} to "
            f"{units.load_value(one.high_n):.4g} {units.load}"
            for one in card.ranges
        )
        yield f"Of ISO 7500-1's limits its errors would meet {met}"
    elif card.steps:
        top_step = card.steps[-1]
        over = ", ".join(
            COLUMN_WORDS[name] for name in columns_over(top_step, list(CLASSES.values())[-1])
        )
        yield (
            "Of ISO 7500-1's limits its errors would meet none: at "
            f"{units.load_text(top_step.true_n)} the {over} passes those of class 3"
        )
    missing = [COLUMN_WORDS[name] for name in not_measured(card.steps)]
    if missing:
        yield f"Not measured, and so not judged: {', '.join(missing)}"
    if card.noise_counts is None:
        yield "The resolution is one count; noise joins it after a rig check --mass"
    runs = "run" if card.runs == 1 else "runs"
    yield f"{NO_CERTIFICATE}; this was {card.runs} {runs} of {len(card.steps)} steps"


def not_measured(steps: tuple[StepErrors, ...]) -> list[str]:
    """Return the columns that no step has."""
    return [
        name
        for number, name in enumerate(COLUMNS)
        if steps and all(step.columns[number] is None for step in steps)
    ]
