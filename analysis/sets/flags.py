"""A set's flags: what the rules found about a spring, one flag a kind. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from coilbench.analysis.sets.rulings import FlagKind, Ruling

KINDS: tuple[FlagKind, ...] = ("weak", "stiff", "short", "odd", "unsure")
_TOLERANCES = ("nominal", "set tolerance")


@dataclass(frozen=True)
class Flag:
    """A finding about one spring.

    Attributes:
        kind: weak, stiff, short, odd or unsure.
        reasons: in words and numbers, without a full stop, the strongest first.
    """

    kind: FlagKind
    reasons: tuple[str, ...]

    @property
    def reason(self) -> str:
        """All reasons in one line."""
        return "; ".join(self.reasons)


def flags_of(rulings: Iterable[Ruling]) -> tuple[Flag, ...]:
    """One flag a kind, with its reasons, the one farthest over its limit first.

    A spring found weak or stiff is not also unsure about a load. Where a place is out of the set's
    tolerance, its standing apart too is left to the rulings.
    """
    found = [ruling for ruling in rulings if ruling.flagged and ruling.outcome != "pass"]
    if any(ruling.outcome in ("weak", "stiff") for ruling in found):
        found = [r for r in found if r.outcome != "unsure" or r.rule not in _TOLERANCES]
    out = {(r.height_mm, r.outcome) for r in found if r.rule == "set tolerance"}
    found = [r for r in found if r.rule != "set outlier" or (r.height_mm, r.outcome) not in out]
    found.sort(key=lambda ruling: -ruling.times_limit)
    return tuple(
        Flag(kind, tuple(ruling.text for ruling in found if ruling.outcome == kind))
        for kind in KINDS
        if any(ruling.outcome == kind for ruling in found)
    )
