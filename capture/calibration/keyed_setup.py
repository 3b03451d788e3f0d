"""How keyed readings were taken: scale, tare, lever, quill, and what they leave uncertain. Pure."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any

from coilbench.capture.calibration.scale import Scale
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.units import KGF_N


@dataclass(frozen=True)
class KeyedSetup:
    """How the readings were taken; the defaults are our assumptions.

    Attributes:
        tare_n: what the scale shows with the blocks and cups on it and no spring pressed.
        lever_ratio: the spring's load over the load on the scale; above 1 where a bar
            carries a part (common practice, no source).
        lever_ratio_u: its standard uncertainty (k = 1), as a fraction.
        scale_resolution_n: the scale's smallest step.
        scale_repeatability_n: standard deviation of the scale's readings of one load.
        quill_resolution_mm: the depth scale's smallest step.
        scale: the scale's own calibration, used instead of scale_repeatability_n; None takes its
            readings as they are.
    """

    tare_n: float = 0.0
    lever_ratio: float = 1.0
    lever_ratio_u: float = 0.0
    scale_resolution_n: float = 0.1 * KGF_N
    scale_repeatability_n: float = 0.2 * KGF_N
    quill_resolution_mm: float = 0.1
    scale: Scale | None = None

    def __post_init__(self) -> None:
        """Raise CoilbenchError for a value below 0 or not finite, or a lever ratio of 0."""
        for name, value in self._numbers().items():
            if not math.isfinite(value) or value < 0.0:
                raise CoilbenchError(f"{name} of {value:g} is impossible", hint="Give 0 or more")
        if self.lever_ratio == 0.0:
            raise CoilbenchError(
                "the lever ratio must be above 0", hint="Give 1 where there is no lever"
            )

    def _numbers(self) -> dict[str, float]:
        return {name: value for name, value in vars(self).items() if name != "scale"}

    def to_document(self) -> dict[str, Any]:
        """Return it for JSON, the scale as its fit."""
        scale = self.scale
        known = None if scale is None else {"name": scale.name, "fit": asdict(scale.fit)}
        return self._numbers() | {"scale": known}

    def true_n(self, shown_n: float) -> float:
        """Return the load on the scale.

        Raises:
            CoilbenchError: the reading is above the scale's calibrated range.
        """
        return shown_n if self.scale is None else self.scale.load_n(shown_n)

    def load_u_at(self, shown_n: float) -> float:
        """Standard uncertainty (k = 1) of the load at a reading, without the relative part, N."""
        if self.scale is None:
            return self.load_u_n
        u_n = self.scale.difference_u_n(shown_n, self.tare_n, self.scale_resolution_n)
        return self.lever_ratio * u_n

    @property
    def load_u_n(self) -> float:
        """Standard uncertainty (k = 1) of a load from a scale without its own calibration, N.

        A load is the difference of two readings, with the spring and without. Each is rectangular
        within a step of the resolution (GUM F.2.2.1: step / sqrt(12)) and scatters by the
        repeatability; the lever multiplies both.
        """
        one_reading = math.hypot(
            self.scale_resolution_n / math.sqrt(12.0), self.scale_repeatability_n
        )
        return self.lever_ratio * math.sqrt(2.0) * one_reading

    @property
    def load_u_relative(self) -> float:
        """Standard uncertainty (k = 1) as a fraction of the load: lever, masses of the scale."""
        of_masses = 0.0 if self.scale is None else self.scale.reference_u_relative
        return math.hypot(self.lever_ratio_u, of_masses)

    @property
    def height_u_mm(self) -> float:
        """Standard uncertainty (k = 1) of a height, mm.

        A height is the difference of two readings of the quill, each rectangular within a step
        (GUM F.2.2.1).
        """
        return math.sqrt(2.0) * self.quill_resolution_mm / math.sqrt(12.0)
