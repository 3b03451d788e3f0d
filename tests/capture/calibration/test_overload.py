"""The judge of loads while a person loads the cell: each rating just inside and just outside."""

from __future__ import annotations

import numpy as np
import pytest

from coilbench.capture.blocks import RAW_DTYPE, RawBlock, SampleFlag
from coilbench.capture.calibration.block_guide import BlockGuide
from coilbench.capture.calibration.overload import CALM_US, NEAR_SHARE, OverloadWatch, too_much
from coilbench.capture.calibration.polynomial import PolynomialFit

E = 1e-6
ONE = PolynomialFit((0.0, 1.0), ((0.0, 0.0), (0.0, 0.0)), 0.0, 0.0, 1e6, 5)  # a count is a newton


def samples(
    *loads_n: float, begin_us: int = 0, step_us: int = 12_500, flags: int = 0
) -> np.ndarray:
    made = np.zeros(len(loads_n), RAW_DTYPE)
    made["load_counts"], made["flags"] = loads_n, flags
    made["t_us"] = begin_us + 12_500 * np.arange(len(loads_n))
    return made


@pytest.mark.parametrize(
    ("on_cell_n", "pushed_n", "kind"),
    [
        (1000.0 * NEAR_SHARE - E, 0.0, None),
        (1000.0 * NEAR_SHARE + E, 0.0, "overload_near"),
        (1000.0 - E, 0.0, "overload_near"),
        (1000.0, 0.0, "overload"),
        (0.0, 500.0 * NEAR_SHARE - E, None),
        (0.0, 500.0 - E, "overload_near"),
        (0.0, 500.0, "overload"),
    ],
)
def test_each_rating_has_its_bounds(on_cell_n: float, pushed_n: float, kind: str | None) -> None:
    found = too_much(1000.0, 500.0, on_cell_n, pushed_n)
    assert (None if found is None else found.kind) == kind
    assert too_much(None, None, on_cell_n, pushed_n) is None


def test_it_is_said_once_grows_worse_once_and_ends_when_calm() -> None:
    watch = OverloadWatch.by_fit(100.0, None, ONE)
    said = [watch.look(samples(n, begin_us=i * 50_000)) for i, n in enumerate((10, 85, 99, 120))]
    assert [[one.kind for one in each] for each in said] == [
        [],
        ["overload_near"],
        [],
        ["overload"],
    ]
    assert watch.look(samples(90.0, begin_us=200_000)) == []
    assert watch.alarm is not None
    assert watch.alarm["load_n"] == 120.0  # the worst of it stands
    watch.look(samples(0.0, begin_us=200_000 + CALM_US - 1))
    assert watch.alarm is not None
    watch.look(samples(0.0, begin_us=200_000 + CALM_US))
    assert watch.alarm is None


def test_the_amplifiers_limit_is_an_alarm_with_no_rating_told() -> None:
    (found,) = OverloadWatch().look(samples(0.0, flags=int(SampleFlag.LOAD_SATURATED)))
    assert found.kind == "amplifier_at_limit"


@pytest.mark.parametrize(("peak_n", "taken"), [(699.0, True), (700.0, False)])
def test_a_press_past_a_rating_is_asked_about_and_may_be_taken(peak_n: float, taken: bool) -> None:
    guide = BlockGuide(ONE, 500.0, cell_n=700.0, press_n=900.0)
    press = RawBlock(samples(0.0, *[300.0] * 30, peak_n, *[300.0] * 30, 0.0), 1)
    kinds = [one.kind for one in guide.feed(press)]
    assert guide.done == taken
    assert ("pressed_over" in kinds) != taken
    if not taken:
        assert [one.kind for one in guide.take()] == ["block_read"]
        assert guide.done
        assert len(guide.points) == 61


def test_a_press_after_the_one_in_question_takes_its_place() -> None:
    guide = BlockGuide(ONE, 500.0, press_n=700.0)
    guide.feed(RawBlock(samples(0.0, 800.0, 0.0), 1))
    assert not guide.done
    guide.feed(RawBlock(samples(0.0, *[600.0] * 60, 0.0, begin_us=10**6), 1))
    assert guide.done
    assert [point.load_counts for point in guide.points] == [600] * 60
