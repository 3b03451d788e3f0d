"""A set's flags: the rules with their limits, and the reason for each in words and numbers."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal, NamedTuple

from coilbench.analysis.sets.rules import Z_LIMIT
from coilbench.capture.units import Units

FlagKind = Literal["weak", "stiff", "short", "odd", "unsure"]
KINDS: tuple[FlagKind, ...] = ("weak", "stiff", "short", "odd", "unsure")

Z_LEAST_SHARE = 0.5  # of the tolerance: nearer to the middle, no z-score flags. Ours, no source
SHORT_SHARE = 0.02  # of the free length; common practice, no source
ODD_SHARE = 0.01  # of the mean load; ours, no source
ROUNDING = 1e-9  # a load exactly at its limit is inside, however it was rounded


@dataclass(frozen=True)
class Flag:
    """A finding about one spring.

    Attributes:
        kind: weak, stiff, short, odd or unsure.
        reason: in words and numbers, without a full stop; several reasons joined, strongest first.
    """

    kind: FlagKind
    reason: str


class Remark(NamedTuple):
    """One reason for a flag; strength is how many times over its limit it is."""

    kind: FlagKind
    strength: float
    text: str


@dataclass(frozen=True)
class Aim:
    """What a load is held against: the set's middle or a nominal load."""

    name: str
    load_n: float
    tolerance_n: float


def flags_of(remarks: Iterable[Remark]) -> tuple[Flag, ...]:
    """One flag a kind, with all its reasons, the strongest first."""
    told = sorted(remarks, key=lambda remark: -remark.strength)
    return tuple(
        Flag(kind, "; ".join(remark.text for remark in told if remark.kind == kind))
        for kind in KINDS
        if any(remark.kind == kind for remark in told)
    )


def load_remarks(
    load_n: float, load_u_n: float, height_mm: float, aim: Aim, z: float | None, units: Units
) -> list[Remark]:
    """Judge one load against one aim.

    Outside the tolerance, or (z given) apart from the set and at least Z_LEAST_SHARE of the
    tolerance away: weak or stiff. Where the uncertainty is wider than the tolerance, a load is
    called so only when it is outside by more than its uncertainty; else nobody can tell: unsure.

    Args:
        load_u_n: expanded, k = 2.
        z: its modified z-score in the set; None where the aim is not the set or the set is small.
    """
    away_n = load_n - aim.load_n
    wide = load_u_n > aim.tolerance_n
    limit_n = aim.tolerance_n + (load_u_n if wide else 0.0)
    outside = abs(away_n) > limit_n * (1.0 + ROUNDING)
    apart = z is not None and abs(z) > Z_LIMIT and abs(away_n) > Z_LEAST_SHARE * limit_n
    place = f"at {units.length_text(height_mm)}"
    if outside or apart:
        side: FlagKind = "weak" if away_n < 0.0 else "stiff"
        word = "below" if away_n < 0.0 else "above"
        share = "" if aim.load_n == 0.0 else f"{abs(away_n / aim.load_n):.1%} "
        text = (
            f"{units.load_text(load_n)} {place} is {share}{word} {aim.name}"
            f" {units.load_text(aim.load_n)} (tolerance {units.load_text(aim.tolerance_n)},"
            f" uncertainty {units.load_text(load_u_n)}"
        )
        strengths = [abs(away_n) / limit_n] if limit_n > 0.0 else [float("inf")]
        if apart and z is not None:
            text += f", robust z {z:.1f}" if abs(z) < 1000.0 else ", the others are all alike"
            strengths.append(abs(z) / Z_LIMIT)
        return [Remark(side, max(strengths), text + ")")]
    if wide:
        text = (
            f"{place} the uncertainty of {units.load_text(load_u_n)} is wider than the tolerance"
            f" of {units.load_text(aim.tolerance_n)} to {aim.name} {units.load_text(aim.load_n)}:"
            " press it more often, or calibrate load and travel again"
        )
        return [Remark("unsure", load_u_n / max(aim.tolerance_n, 1e-12), text)]
    return []


def length_remarks(
    length_mm: float, length_u_mm: float, name: str, aim_mm: float, units: Units
) -> list[Remark]:
    """Judge a free length: short by more than SHORT_SHARE and by more than its uncertainty."""
    short_mm = aim_mm - length_mm
    limit_mm = max(SHORT_SHARE * aim_mm, length_u_mm)
    if short_mm <= limit_mm * (1.0 + ROUNDING):
        return []
    text = (
        f"free length {units.length_text(length_mm)} is {short_mm / aim_mm:.1%} below {name}"
        f" {units.length_text(aim_mm)} (limit {SHORT_SHARE:.0%},"
        f" uncertainty {units.length_text(length_u_mm)})"
    )
    return [Remark("short", short_mm / limit_mm, text)]


def shape_remarks(departure: float, height_mm: float, z: float, units: Units) -> list[Remark]:
    """Judge a curve's shape: apart from the set's by the robust rule and by ODD_SHARE."""
    if departure <= ODD_SHARE or z <= Z_LIMIT:
        return []
    text = (
        f"its curve bends away from the set's shape, most at {units.length_text(height_mm)}:"
        f" {departure:.1%} of its mean load (limit {ODD_SHARE:.0%}, robust z {z:.1f});"
        " look for a crack or coils that touch, and press it again"
    )
    return [Remark("odd", departure / ODD_SHARE, text)]


def missing_remark(label_range_mm: tuple[float, float], height_mm: float, units: Units) -> Remark:
    """Say that a height was not measured, and from where to where the spring was."""
    low, high = (units.length_text(mm) for mm in label_range_mm)
    text = f"not measured at {units.length_text(height_mm)}, only from {low} to {high}: press it"
    return Remark("unsure", float("inf"), text + " again, over the whole range")
