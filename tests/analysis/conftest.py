"""Build sheets of straight springs, for the tests of what stands on a sheet and of its page."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import pytest

from coilbench.analysis.choices import Effort
from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.engine.assignment_levels import assign
from coilbench.analysis.engine.build_parsing import parse_build
from coilbench.analysis.engine.placed import SetCurves
from coilbench.analysis.inputs.candidates import Candidates
from coilbench.analysis.inputs.sheet import Record, RigPart, SetPart, Sheet
from coilbench.analysis.inputs.sheet_input import make_sheet
from coilbench.analysis.sets.judge import check_set
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Provenance, Sweep

NOW = "2026-05-11T09:30:00+00:00"
Straight = tuple[float, float]  # free length in mm, rate in N/mm
MakeSheet = Callable[..., Sheet]


def straight(label: str, line: Straight, low_mm: float = 24.0) -> SpringCurve:
    """A spring that was pressed from its free length down, loads exact to 1 N (k = 1)."""
    free_mm, rate = line
    heights = np.linspace(free_mm, low_mm, 30)
    down, none = Branch(heights, rate * (free_mm - heights)), Branch(np.array([]), np.array([]))
    sweep = Sweep("0", label, Origin.CONVERTED_FILE, down, none, 1.0, 0.001, 0.02)
    return fit_curve(label, [sweep], free_length_mm=free_mm)


@pytest.fixture(scope="session")
def make_a_sheet() -> MakeSheet:
    """Return a maker: springs by set (label -> free length and rate), and what else is known."""

    def make(
        text: str,
        sets: Mapping[str, Mapping[str, Straight]],
        *,
        solid_mm: float | None = 20.0,
        rig: RigPart | None = None,
        effort: Effort = "shims",
    ) -> Sheet:
        build = parse_build(text, "twin.toml")
        roles = dict.fromkeys(build.springs.outer, "outer" if build.springs.inner else "single")
        roles |= dict.fromkeys(build.springs.inner, "inner")
        curves = {
            name: SetCurves(
                name,
                roles[name],
                tuple(straight(label, line) for label, line in springs.items()),
                solid_mm,
            )
            for name, springs in sets.items()
        }
        parts = {name: _part(one) for name, one in curves.items()}
        sizes = {name: len(springs) for name, springs in sets.items()}
        assignment = assign(build, curves, sizes, effort)
        found = Candidates(curves, {}, [], [], sizes)
        record = Record(text, NOW, "book.db", {"coilbench": "0"})
        nothing = RigPart(None, (), ())
        return make_sheet(assignment, found, parts, None, rig or nothing, record)

    return make


def _part(springs: SetCurves) -> SetPart:
    heights_mm = (40.0, 30.0) if springs.role != "inner" else (38.0, 28.0)
    came = Provenance(Origin.CONVERTED_FILE, None, None, len(springs.curves),
                      len(springs.curves), NOW, NOW)  # fmt: skip
    check = check_set(springs.name, springs.curves, heights_mm)
    return SetPart(
        "s1", springs.name, springs.role, springs.curves, heights_mm, check, None, (), (came,)
    )
