"""Which nominal holds where: typed, kept with the set, or neither."""

from __future__ import annotations

import numpy as np
import pytest

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.inputs.measured import measured_there, rate_target, with_nominal
from coilbench.analysis.sets.rulings import Nominal
from coilbench.capture.book.nominals import NominalLoad, SetNominal
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep

KEPT = SetNominal((NominalLoad(38.5, 235.0), NominalLoad(27.6, 412.0)), 16.0)


def test_nothing_kept_changes_nothing() -> None:
    asked = [(38.5, None), (30.0, Nominal(300.0))]
    assert with_nominal(asked, None) == asked
    assert rate_target(None, 0.05) is None
    assert rate_target(SetNominal(KEPT.loads), 0.05) is None


def test_kept_loads_fill_in_and_come_after() -> None:
    assert with_nominal([(27.6, None), (30.0, None)], KEPT) == [
        (27.6, Nominal(412.0)),
        (30.0, None),
        (38.5, Nominal(235.0)),
    ]
    assert with_nominal([], KEPT) == [(38.5, Nominal(235.0)), (27.6, Nominal(412.0))]


def test_a_typed_load_comes_before_the_kept_one() -> None:
    given = Nominal(240.0, 5.0)
    assert with_nominal([(38.5, given)], KEPT)[0] == (38.5, given)


def test_tolerances_are_the_nominals_own_or_the_sets_share() -> None:
    own = SetNominal(KEPT.loads, 16.0, 0.1)
    ((_, seat), _) = with_nominal([], own)
    assert seat is not None
    assert seat.target(0.05).tolerance == pytest.approx(23.5)
    assert Nominal(200.0).target(0.05).tolerance == pytest.approx(10.0)
    for kept, share in ((KEPT, 0.05), (own, 0.1)):
        target = rate_target(kept, 0.05)
        assert target is not None
        assert target.value == 16.0
        assert target.tolerance == pytest.approx(16.0 * share)


def curve(high_mm: float, low_mm: float) -> SpringCurve:
    points = Branch(np.array([high_mm, low_mm]), np.array([100.0, 400.0]))
    nothing = Branch(np.empty(0), np.empty(0))
    return fit_curve("s", [Sweep("s", "s", Origin.KEYED, points, nothing, 0.5, 0.0, 0.0)])


def test_a_kept_height_that_no_spring_reached_bars_nothing() -> None:
    every = with_nominal([(30.0, None)], KEPT)
    assert measured_there(every, 1, [curve(35.0, 27.0), curve(35.0, 28.0)]) == (
        [(30.0, None), (27.6, Nominal(412.0))],
        [38.5],
    )
    # what was asked for stays, measured or not: whoever asked is told
    assert measured_there([(99.0, None)], 1, [curve(35.0, 27.0)]) == ([(99.0, None)], [])
    # with nothing else to go by it stays too
    every = with_nominal([], KEPT)
    assert measured_there(every, 0, [curve(25.0, 24.0)]) == (every, [])
