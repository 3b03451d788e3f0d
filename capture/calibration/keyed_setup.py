"""How keyed readings were taken: scale and its calibration, tare, lever, quill; the doubt left."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, NamedTuple

import msgspec
from msgspec.structs import asdict

from coilbench.capture.blocks import Finding
from coilbench.capture.calibration.known_points import Direction
from coilbench.capture.calibration.polynomial import PolynomialFit, evaluate, value
from coilbench.capture.calibration.statistics import widening
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.unit_factors import KGF_N

BEYOND_FRACTION = 0.05  # of the largest reading: the curve is used this far beyond it

# k = 1, of the load: a household scale that was never weighed against a known mass. Common
# practice, no source.
SCALE_U_RELATIVE = 0.005
MOST_RESTS_N = 1.0 * KGF_N  # an upper cup weighs some 0.15 kg: more is asked about; ours, no source
# How well what rests on the spring is known, k = 1: a kitchen scale that shows 1 g is good to 5 g,
# k = 2.
RESTS_U_N = 0.0025 * KGF_N
# Ours, no source: a larger give is a slip, and a press to less load tells none.
MOST_GIVE_MM, LEAST_GIVE_N = 15.0, 1.0 * KGF_N


class ScalePoint(msgspec.Struct, frozen=True):
    """What the scale showed with a known mass on it; u_kg: the mass's expanded uncertainty."""

    mass_kg: float
    shown_kg: float
    direction: Direction = "up"
    u_kg: float | None = None


class Correction(NamedTuple):
    """What to add to a reading of the scale, kg, and its expanded uncertainty (k = 2)."""

    shown_kg: float
    add_kg: float
    u_kg: float


class Scale(msgspec.Struct, frozen=True):
    """A calibrated scale.

    Attributes:
        fit: load_n over what is shown, N (a kg shown counts as 9.80665 N).
        reference_u_relative: the masses' standard uncertainty (k = 1), as a fraction.
        gravity_m_s2: local gravity, with which the masses became loads.
        points, residuals_n: what it was fitted on; known less fitted.
        notes: what was noticed while fitting; sentences in books of older programs.
    """

    name: str
    origin: str
    fit: PolynomialFit
    reference_u_relative: float
    gravity_m_s2: float
    points: tuple[ScalePoint, ...] = ()
    residuals_n: tuple[float, ...] = ()
    notes: tuple[Finding | str, ...] = ()

    def load_n(self, shown_n: float) -> float:
        """Return the load behind a reading.

        Raises:
            CoilbenchError: the reading is above the calibrated range.
        """
        if shown_n > (1.0 + BEYOND_FRACTION) * self.fit.x_max:
            raise CoilbenchError(
                "the scale {name!r} was calibrated up to {most_n} and shows {shown_n}",
                hint="Calibrate it with heavier masses: coilbench rig weigh --scale",
                name=self.name,
                most_n=self.fit.x_max,
                shown_n=shown_n,
            )
        return float(value(self.fit, shown_n))

    def curve_u_n(self, shown_n: float, tare_n: float) -> float:
        """Return the standard uncertainty (k = 1) of the curve between two readings, N.

        Its coefficients are correlated (JCGM 100:2008, 5.2.2). The readings' own scatter and the
        masses' part are not in it, see repeatability_n and reference_u_relative.
        """
        return float(evaluate(self.fit, shown_n, minus_x=tare_n)[1])

    @property
    def repeatability_n(self) -> float:
        """Scatter of one reading about the curve, widened for few points (G.3), N."""
        return widening(self.fit.points - self.fit.degree - 1) * self.fit.residual_sd

    def corrections(self) -> list[Correction]:
        """Return the correction at each reading that was used, ascending."""
        rows = []
        for shown_kg in sorted({point.shown_kg for point in self.points}):
            load_n, curve_u_n = evaluate(self.fit, shown_kg * KGF_N)
            u_n = math.hypot(float(curve_u_n), self.reference_u_relative * float(load_n))
            add_kg = float(load_n) / KGF_N - shown_kg
            rows.append(Correction(shown_kg, add_kg, 2.0 * u_n / KGF_N))
        return rows


class Give(NamedTuple):
    """A give in proportion to the load; named as the fields of KeyedSetup.

    Attributes:
        give_mm: at the load give_at_n, the largest that was pressed; 0 and 0 where it is not known.
        give_u_mm: its standard uncertainty (k = 1), in proportion to the load as it is.
        give_bend_u_mm: standard uncertainty of what is not in proportion, at any load.
    """

    give_mm: float = 0.0
    give_at_n: float = 0.0
    give_u_mm: float = 0.0
    give_bend_u_mm: float = 0.0

    @property
    def possible(self) -> bool:
        """Whether it can be one, or none is known."""
        if self.give_at_n == 0.0:
            return not any(self)
        most_mm = max(self.give_mm, self.give_u_mm, self.give_bend_u_mm)
        return self.give_at_n >= LEAST_GIVE_N and min(self) >= 0.0 and most_mm <= MOST_GIVE_MM

    def refuse_impossible(self) -> None:
        """Raise CoilbenchError where it cannot be."""
        if not self.possible:
            raise CoilbenchError(
                "a give of {give_mm} at {at_n} is impossible",
                where="--give",
                hint="Give how far the quill moved from touching the block to the load, like "
                "1.6mm@80kg",
                give_mm=self.give_mm,
                at_n=self.give_at_n,
            )


def give_mm_of(setup: Mapping[str, Any], load_n: float) -> float:
    """Return the give under a load by a setup's document; early books know none."""
    at_n: float = setup.get("give_at_n", 0.0)
    give_mm: float = setup.get("give_mm", 0.0)
    return give_mm * load_n / at_n if at_n > 0.0 else 0.0


class KeyedSetup(msgspec.Struct, frozen=True):
    """How the readings were taken; the defaults are our assumptions.

    Attributes:
        tare_n: what the scale shows with the blocks and cups on it and no spring pressed; 0 where
            it shows nothing then.
        lever_ratio: the spring's load over the load on the scale; above 1 where a bar
            carries a part (common practice, no source).
        lever_ratio_u: its standard uncertainty (k = 1), as a fraction.
        scale_resolution_n: the scale's smallest step.
        scale_repeatability_n: standard deviation of the scale's readings of one load.
        quill_resolution_mm: the depth scale's smallest step.
        give_mm, give_at_n, give_u_mm, give_bend_u_mm: how far scale and press give, as in Give; a
            give_at_n of 0 where it is not known.
        rests_n: weight that lay on the spring when the tare was read: the upper cup's, else 0.
        scale: the scale's own calibration, used instead of scale_repeatability_n; None takes its
            readings as they are.
    """

    tare_n: float = 0.0
    lever_ratio: float = 1.0
    lever_ratio_u: float = 0.0
    scale_resolution_n: float = 0.1 * KGF_N
    scale_repeatability_n: float = 0.2 * KGF_N
    quill_resolution_mm: float = 0.1
    rests_n: float = 0.0
    give_mm: float = 0.0
    give_at_n: float = 0.0
    give_u_mm: float = 0.0
    give_bend_u_mm: float = 0.0
    scale: Scale | None = None

    def __post_init__(self) -> None:
        """Raise CoilbenchError for a value below 0 or not finite, no lever ratio, no such give."""
        for name, number in self._numbers().items():
            if not math.isfinite(number) or number < 0.0:
                raise CoilbenchError(f"{name} of {number:g} is impossible", hint="Give 0 or more")
        if self.lever_ratio == 0.0:
            raise CoilbenchError(
                "the lever ratio must be above 0", hint="Give 1 where there is no lever"
            )
        Give(*(getattr(self, name) for name in Give._fields)).refuse_impossible()

    def _numbers(self) -> dict[str, float]:
        return {name: value for name, value in asdict(self).items() if name != "scale"}

    def to_document(self) -> dict[str, Any]:
        """Return it for JSON, the scale as its fit; `keyed_setup_of` in the book reads it back."""
        scale = self.scale
        known = None
        if scale is not None:
            fit, masses_u = asdict(scale.fit), scale.reference_u_relative
            known = {"name": scale.name, "fit": fit, "reference_u_relative": masses_u}
        return self._numbers() | {"scale": known}

    def true_n(self, shown_n: float) -> float:
        """Return the load on the scale.

        Raises:
            CoilbenchError: the reading is above the scale's calibrated range.
        """
        return shown_n if self.scale is None else self.scale.load_n(shown_n)

    @property
    def step_u_n(self) -> float:
        """Standard uncertainty (k = 1) of one reading by the scale's steps, at the spring, N.

        Rectangular within a step (GUM F.2.2.1: step / sqrt(12)); the lever multiplies it.
        """
        return self.lever_ratio * self.scale_resolution_n / math.sqrt(12.0)

    @property
    def repeat_u_n(self) -> float:
        """Scatter (k = 1) of one reading beyond the scale's steps, at the spring, N.

        As stated, else as the scale's own calibration showed it.
        """
        if self.scale is None:
            return self.lever_ratio * self.scale_repeatability_n
        shown_n = self.lever_ratio * self.scale.repeatability_n
        return math.sqrt(max(shown_n**2 - self.step_u_n**2, 0.0))

    @property
    def tare_taken(self) -> bool:
        """Whether a tare was read; a scale that showed 0 has no second reading's error."""
        return self.tare_n > 0.0

    @property
    def load_u_n(self) -> float:
        """Standard uncertainty (k = 1) of one load, without what is in proportion to it, N."""
        readings = 2.0 if self.tare_taken else 1.0
        rests_u_n = RESTS_U_N if self.rests_n > 0.0 else 0.0
        return math.hypot(
            math.sqrt(readings) * math.hypot(self.step_u_n, self.repeat_u_n), rests_u_n
        )

    def load_u_at(self, shown_n: float) -> float:
        """Return load_u_n with the scale's own curve, where it has one, at a reading, N."""
        if self.scale is None:
            return self.load_u_n
        curve_u_n = self.scale.curve_u_n(shown_n, self.tare_n)
        return math.hypot(self.load_u_n, self.lever_ratio * curve_u_n)

    @property
    def scale_u_relative(self) -> float:
        """Standard uncertainty (k = 1) of the scale in proportion: its masses', else assumed."""
        return SCALE_U_RELATIVE if self.scale is None else self.scale.reference_u_relative

    @property
    def load_u_relative(self) -> float:
        """Standard uncertainty (k = 1) as a fraction of the load: lever and scale."""
        return math.hypot(self.lever_ratio_u, self.scale_u_relative)

    @property
    def give_known(self) -> bool:
        """Whether it was told how far scale and press give."""
        return self.give_at_n > 0.0

    def under_load_mm(self, load_n: float) -> float:
        """Return by how much the faces stand farther apart under a load than the quill says."""
        return give_mm_of(asdict(self), load_n)

    @property
    def step_u_mm(self) -> float:
        """Standard uncertainty (k = 1) of one reading of the quill by its steps (F.2.2.1), mm."""
        return self.quill_resolution_mm / math.sqrt(12.0)

    @property
    def height_u_mm(self) -> float:
        """Standard uncertainty (k = 1) of a height, mm.

        A height is the difference of two readings of the quill: pressed, and at the height known.
        """
        return math.sqrt(2.0) * self.step_u_mm

    @property
    def like(self) -> tuple[object, ...]:
        """What two setups share whose readings repeat alike."""
        curve = None if self.scale is None else self.scale.fit  # a name may be another bench's too
        steps = self.scale_resolution_n, self.scale_repeatability_n, self.quill_resolution_mm
        return (curve, self.lever_ratio, *steps)


class KeptRests(msgspec.Struct, frozen=True):
    """How many strokes of a set have one weight on the spring in their loads."""

    set_name: str
    rests_n: float
    strokes: int
