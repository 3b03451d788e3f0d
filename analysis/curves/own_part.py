"""How much of a reading's uncertainty is the spring's own, and how much the whole bench's. Pure."""

from __future__ import annotations

import math
from typing import NamedTuple

from coilbench.analysis.curves.budget import Budget


class Measured(NamedTuple):
    """One spring's load (N) or rate (N/mm), with expanded uncertainties, k = 2.

    Attributes:
        u: of the value.
        own_u: what remains of it when two springs of the same bench are compared: the scatter of
            its strokes and what else its budget does not call shared.
        strokes_rule: whether the strokes' scatter is most of it, so that more strokes help.
    """

    value: float
    u: float
    own_u: float
    strokes_rule: bool


def split(value: float, budget: Budget) -> Measured:
    """Split a value's expanded uncertainty into the spring's own part and the bench's.

    Args:
        value: the load or rate.
        budget: what its uncertainty is made of.
    """
    own = Budget(tuple(line for line in budget.lines if not line.shared))
    scatter = math.hypot(*(line.contribution_n for line in own.lines if line.kind == "A"))
    u = budget.expanded_u_n
    strokes_rule = scatter > math.sqrt(0.5) * budget.combined_u_n
    return Measured(value, u, min(own.expanded_u_n, u), strokes_rule)


def common_u(measured: Measured) -> float:
    """The part of an expanded uncertainty that all springs of a bench share."""
    return math.sqrt(max(measured.u**2 - measured.own_u**2, 0.0))
