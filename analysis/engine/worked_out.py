"""What was worked out before of the same sets under the same build. Pure."""

from __future__ import annotations

import msgspec

from coilbench.analysis.engine.placed import MeanLoads
from coilbench.analysis.engine.solving import Solving
from coilbench.analysis.engine.three_index import Solution, ThreeIndexProblem
from coilbench.analysis.engine.valve_loads import Readings


class WorkedOut(msgspec.Struct, frozen=True):
    """Loads and solutions; new ones are added.

    Attributes:
        readings: of single springs.
        means_n: of whole sets.
        solutions: of assignments, by their problem's digest.
    """

    readings: Readings = msgspec.field(default_factory=dict)
    means_n: MeanLoads = msgspec.field(default_factory=dict)
    solutions: dict[bytes, Solution] = msgspec.field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.readings) + len(self.means_n) + len(self.solutions)

    def solution(self, problem: ThreeIndexProblem, solving: Solving | None) -> Solution:
        """Solve a problem, once; one that was given up before its end is begun again."""
        key = problem.digest
        if key in self.solutions:
            return self.solutions[key]
        # imported late: slow to load
        from coilbench.analysis.engine.three_index_search import solve

        found = solve(problem, solving)
        if found.status in ("optimal", "infeasible"):
            self.solutions[key] = found
        return found
