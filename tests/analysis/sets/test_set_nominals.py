"""Which nominal holds where: typed, kept with the set, or neither."""

from __future__ import annotations

import pytest

from coilbench.analysis.sets.nominals import Nominal, rate_aim, with_nominal
from coilbench.capture.book.nominals import NominalLoad, SetNominal

KEPT = SetNominal((NominalLoad(38.5, 235.0), NominalLoad(27.6, 412.0)), 16.0)


def test_nothing_kept_changes_nothing() -> None:
    asked = [(38.5, None), (30.0, Nominal(300.0))]
    assert with_nominal(asked, None) == asked
    assert rate_aim(None, 0.05) is None
    assert rate_aim(SetNominal(KEPT.loads), 0.05) is None


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
    assert seat.aim(0.05).tolerance == pytest.approx(23.5)
    assert Nominal(200.0).aim(0.05).tolerance == pytest.approx(10.0)
    for kept, share in ((KEPT, 0.05), (own, 0.1)):
        aim = rate_aim(kept, 0.05)
        assert aim is not None
        assert aim.value == 16.0
        assert aim.tolerance == pytest.approx(16.0 * share)
