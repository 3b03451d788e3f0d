"""A set check's result, and its JSON document. Pure."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any

from coilbench.analysis.sets.column import Centre
from coilbench.analysis.sets.flags import Flag
from coilbench.analysis.sets.rulings import Ruling
from coilbench.capture.errors import CoilbenchError


@dataclass(frozen=True)
class SetReading:
    """One spring's load at one height; all None where it was not measured there.

    Attributes:
        load_u_n: expanded, k = 2.
        deviation_n, deviation: load less the set's median, and as a fraction of it; None where
            the set is too small for one.
        nominal_deviation: load over the nominal less 1; None where there is none.
    """

    height_mm: float
    load_n: float | None
    load_u_n: float | None
    deviation_n: float | None
    deviation: float | None
    nominal_deviation: float | None


@dataclass(frozen=True)
class SpringCheck:
    """One spring's numbers and flags.

    Attributes:
        rate_n_per_mm, rate_u_n_per_mm: between the highest and the lowest height asked for,
            where they are two; else over the curve's own window. None where unknown.
        rate_deviation: rate over the set's median rate less 1; None where there is none.
        rulings: what every rule that looked at it says.
        flags: at most one a kind; empty for a spring that belongs.
    """

    label: str
    rate_n_per_mm: float | None
    rate_u_n_per_mm: float | None
    rate_deviation: float | None
    free_length_mm: float | None
    solid_height_mm: float | None
    readings: tuple[SetReading, ...]
    rulings: tuple[Ruling, ...]
    flags: tuple[Flag, ...]

    @property
    def set_apart(self) -> bool:
        """Whether it was found weak, stiff, short or odd; being unsure is no finding."""
        return any(flag.kind != "unsure" for flag in self.flags)


@dataclass(frozen=True)
class HeightSummary:
    """The set at one height.

    Attributes:
        centre: of the loads there, N.
        nominal_n: the load asked for; None where there is none.
    """

    height_mm: float
    centre: Centre
    nominal_n: float | None


@dataclass(frozen=True)
class SetCheck:
    """A set judged at some heights.

    Attributes:
        rate: of the springs' rates, N/mm; None where no rate is known.
        tolerance: as a fraction.
        alpha: how often a sound set may raise any false alarm of standing apart.
        looks: what shares it in equal parts: each height, the rate, the shape.
    """

    name: str
    springs: tuple[SpringCheck, ...]
    summary: tuple[HeightSummary, ...]
    rate: Centre | None
    tolerance: float
    alpha: float
    looks: tuple[str, ...]

    @property
    def alpha_each(self) -> float:
        """Each look's share of alpha (Bonferroni)."""
        return self.alpha / len(self.looks)

    @property
    def flagged(self) -> tuple[str, ...]:
        """Labels of the springs that carry a flag."""
        return tuple(spring.label for spring in self.springs if spring.flags)

    def spring(self, label: str) -> SpringCheck:
        """Return the spring of that label.

        Raises:
            CoilbenchError: it was not checked.
        """
        for spring in self.springs:
            if spring.label == label:
                return spring
        raise CoilbenchError(
            f"no spring {label!r} was checked in set {self.name!r}",
            mend="Name one of the table, or measure it first",
        )


def to_document(check: SetCheck) -> dict[str, Any]:
    """Write a check as the JSON document of `set check`: N and mm, unknown is None."""
    return {
        "set": check.name,
        "tolerance": check.tolerance,
        "alpha": check.alpha,
        "alpha_each": check.alpha_each,
        "springs": [_spring_document(spring) for spring in check.springs],
        "summary": [
            {
                "height_mm": height.height_mm,
                "nominal_n": height.nominal_n,
                **_centre_document(height.centre, "n"),
            }
            for height in check.summary
        ],
        "rate_summary": None if check.rate is None else _centre_document(check.rate, "n_per_mm"),
    }


def rulings_document(check: SetCheck, label: str) -> dict[str, Any]:
    """Write what every rule says about one spring, for `set check --why LABEL --json`.

    Raises:
        CoilbenchError: the spring was not checked.
    """
    rulings = [asdict(ruling) for ruling in check.spring(label).rulings]
    for ruling in rulings:
        del ruling["flagged"]
        if math.isinf(ruling["times_limit"]):
            ruling["times_limit"] = None
    return {"set": check.name, "label": label, "rulings": rulings}


def _spring_document(spring: SpringCheck) -> dict[str, Any]:
    document = asdict(spring)
    del document["rulings"]
    document["flags"] = [{"kind": flag.kind, "reason": flag.reason} for flag in spring.flags]
    return {key: list(one) if isinstance(one, tuple) else one for key, one in document.items()}


def _centre_document(centre: Centre, unit: str) -> dict[str, Any]:
    return {
        f"mean_{unit}": centre.mean,
        f"spread_{unit}": centre.spread,
        f"mean_u_{unit}": centre.mean_u,
        f"median_{unit}": centre.median,
        f"robust_spread_{unit}": centre.robust_spread,
        "springs": centre.springs,
    }
