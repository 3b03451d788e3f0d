"""The zero's drift in words. Pure."""

from __future__ import annotations

from coilbench.analysis.report.document import json_keys
from coilbench.analysis.report.units import Units
from coilbench.analysis.rig.check import PACE_MIN, ZeroDrift, ZeroMove

json_keys(ZeroMove, "minutes moved_n")
json_keys(ZeroDrift, "minutes moved_n u_n pace_n pace_u_n settled running_min")


def drift_words(drift: ZeroDrift, units: Units) -> str:
    """Say how the zero went, and whether to wait; without a full stop."""
    load, moved = units.load, _sure(drift.moved_n, drift.u_n, units)
    first = _first_words(drift)
    if drift.minutes == 0.0:
        return f"This is the first look at the zero{first}: look again in 10 min"
    words = (
        f"The zero went {moved} {load} in {drift.minutes:.0f} min since the first look{first}, if "
        "the same parts lie on the cell"
    )
    if drift.pace_n is None:
        return f"{words}; too soon to say whether it still goes: look again in 10 min"
    pace = f"{_sure(drift.pace_n, drift.pace_u_n, units)} {load} in {PACE_MIN:.0f} min"
    if drift.settled is None:
        return f"{words}; too unsure to say whether it still goes ({pace}): look again in 10 min"
    if drift.settled:
        return f"{words}; it rests ({pace})"
    return f"{words}; it still goes ({pace}): wait 10 min more"


def _sure(load_n: float, u_n: float, units: Units) -> str:
    """Write a load with its uncertainty, k = 2, where that is known."""
    number = f"{units.load_value(load_n):+.3f}"
    return f"{number} ± {units.load_value(u_n):.3f}" if u_n > 0.0 else number


def _first_words(drift: ZeroDrift) -> str:
    """Say when the first look came, by the rig's own clock as far as that tells."""
    if drift.running_min is None:
        return " after a pause (since when it was powered is not known)"
    before_min = drift.running_min - drift.minutes
    if before_min < -1.0:
        return (
            f" after a pause (the rig's last start was {drift.running_min:.0f} min ago; since when "
            "it was powered is not known)"
        )
    return (
        f", {max(before_min, 0.0):.0f} min or more after the rig's last start (what it went before "
        "is not known)"
    )
