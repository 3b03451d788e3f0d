"""First contact beside a free length by caliper: has the spring sagged, is the datum off? Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.found_height import FoundHeight
from coilbench.capture.units import Units

FEWEST_OTHERS = 2  # other springs of the set, for them to tell whether the datum is off; ours


@dataclass(frozen=True)
class LengthCheck:
    """A contact height beside a given free length.

    Attributes:
        contact: where the strokes first touch the spring.
        given_mm, given_u_mm: free length by other means; expanded, k = 2.
        others_mm: by how much the set's other springs differ from it, their median; None where
            they are too few.
    """

    contact: FoundHeight
    given_mm: float
    given_u_mm: float
    others_mm: float | None

    @property
    def difference_mm(self) -> float:
        """Contact less given."""
        return self.contact.height_mm - self.given_mm

    @property
    def difference_u_mm(self) -> float:
        """Its expanded uncertainty."""
        return math.hypot(self.contact.height_u_mm, self.given_u_mm)

    @property
    def differs(self) -> bool:
        """Whether the difference is larger than its uncertainty."""
        return abs(self.difference_mm) > self.difference_u_mm


def check_length(
    curve: SpringCurve, given_mm: float, given_u_mm: float, others: Sequence[SpringCurve]
) -> LengthCheck | None:
    """Hold a spring's first contact against its free length by caliper.

    Args:
        curve: the spring's.
        given_mm, given_u_mm: free length by other means; expanded, k = 2.
        others: the set's other springs, measured on the same rig.

    Returns:
        None where no stroke shows first contact.
    """
    if curve.contact is None:
        return None
    away = [each.contact.height_mm - given_mm for each in others if each.contact is not None]
    others_mm = float(np.median(away)) if len(away) >= FEWEST_OTHERS else None
    return LengthCheck(curve.contact, given_mm, given_u_mm, others_mm)


def length_words(found: LengthCheck, units: Units) -> str:
    """Say whether both agree, and if not what to suspect: the spring or the datum."""
    given, u = units.length_text(found.given_mm), units.length_text(found.given_u_mm)
    away = units.length_text(abs(found.difference_mm))
    away_u = units.length_text(found.difference_u_mm)
    if not found.differs:
        return f"first contact agrees with the {given} ± {u} given, {away} ± {away_u} from it"
    way = "lower" if found.difference_mm < 0.0 else "higher"
    said = f"first contact is {away} ± {away_u} {way} than the {given} given"
    gauge = "gauge a known length again (coilbench rig gauge)"
    if found.others_mm is None:
        sag = "the spring has sagged, or " if way == "lower" else ""
        return f"{said}: {sag}the height's datum is off: {gauge}"
    others = units.length_text(abs(found.others_mm))
    alike = math.copysign(found.others_mm, found.others_mm * found.difference_mm)
    if alike > found.difference_u_mm:
        sagged = ", or the whole set has sagged" if way == "lower" else ""
        said += f", and the set's others are {others} {way} too"
        return f"{said}: the datum is off{sagged}: {gauge}"
    why = "this spring has sagged" if way == "lower" else "this spring is another length"
    return f"{said}, while the set's others are {others} from it: {why}"
