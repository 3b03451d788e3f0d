"""First contact beside a caliper: agreement, one spring that sagged, a datum that is off."""

from __future__ import annotations

import numpy as np

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.curves.shape_model import LengthCheck
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import Units
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep

NONE = Branch(np.empty(0), np.empty(0))


def spring_of(free_mm: float, label: str = "larch-01") -> SpringCurve:
    height = np.linspace(free_mm + 2.0, 30.0, 500)
    load = 16.0 * np.maximum(free_mm - height, 0.0)
    load += np.random.default_rng(1).normal(0.0, 0.1, height.size)
    sweep = Sweep("s", label, Origin.CONVERTED_FILE, Branch(height, load), NONE, 0.2, 0.001, 0.02)
    return fit_curve(label, [sweep])


def check(free_mm: float, others: list[float], given_mm: float = 53.0) -> LengthCheck:
    found = LengthCheck.of(spring_of(free_mm), given_mm, 0.1, [spring_of(mm) for mm in others])
    assert found is not None
    return found


def test_both_agree() -> None:
    found = check(53.05, [53.0, 52.95])
    assert not found.differs
    assert describe(found, Units()).startswith("first contact agrees with the 53.00 mm ± 0.10")


def test_one_spring_has_sagged() -> None:
    found = check(51.8, [53.0, 52.95, 53.1])
    assert found.differs
    words = describe(found, Units())
    assert "1.20 mm ± " in words
    assert words.endswith("this spring has sagged")
    assert "another length" in describe(check(54.5, [53.0, 53.0]), Units())


def test_all_springs_alike_point_at_the_datum() -> None:
    words = describe(check(51.8, [51.9, 51.7]), Units())
    assert "the datum is off, or the whole set has sagged" in words
    longer = describe(check(54.2, [54.3, 54.1]), Units())
    assert "the datum is off: gauge" in longer
    assert "sagged" not in longer


def test_alone_it_may_be_either() -> None:
    assert "the spring has sagged, or the height's datum is off" in describe(
        check(51.8, []), Units()
    )
    assert "sagged" not in describe(check(54.2, []), Units())


def test_without_contact_nothing_is_said() -> None:
    points = Branch(np.array([38.0, 28.0]), np.array([240.0, 400.0]))
    keyed = Sweep("s", "x", Origin.KEYED, points, NONE, 1.0, 0.0, 0.1)
    assert LengthCheck.of(fit_curve("x", [keyed], free_length_mm=53.0), 53.0, 0.1, []) is None
