"""Whether a spring presses like the others: each limit from both sides, and a weak one passes."""

import numpy as np
import pytest

from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.likeness import (
    CROSS_OFF,
    LEAST_SPAN_MM,
    LEVEL_OFF,
    NOMINAL_OFF,
    SAID_OFF,
    SHAPE_OFF,
    beside_the_set,
    mean_of_ways,
    unlike,
)

FREE, RATE = 53.0, 16.0
HEIGHTS = np.linspace(28.0, 53.0, 101)


def spring(level=1.0, heights=HEIGHTS):
    return Branch(heights, level * RATE * (FREE - heights))


def bent(share):
    """A spring whose rate is another one by a share over the deeper half of what is compared."""
    usual = spring()
    top = float(HEIGHTS[usual.load_n > 0.25 * usual.load_n.max()].max())
    middle = 0.5 * (HEIGHTS[0] + top)
    more = share * RATE * np.maximum(middle - HEIGHTS, 0.0)
    return Branch(HEIGHTS, usual.load_n + more)


@pytest.mark.parametrize("way", [1.0, -1.0])
def test_a_level_that_is_far_off_and_one_that_is_a_weak_spring(way):
    others = [spring(), spring(1.001), spring(0.999)]
    assert unlike(spring(1.0 + way * (LEVEL_OFF - 0.005)), others) is None
    found = unlike(spring(1.0 + way * (LEVEL_OFF + 0.005)), others)
    assert (found.kind, found.facts["reason"]) == ("another_spring", "level")
    assert found.facts["off_share"] == pytest.approx(way * (LEVEL_OFF + 0.005), abs=1e-6)
    assert found.facts["load_n"] / found.facts["usual_n"] == pytest.approx(
        1.0 + way * (LEVEL_OFF + 0.005)
    )


@pytest.mark.parametrize("way", [1.0, -1.0])
def test_a_shape_of_another_make(way):
    others = [spring(), spring(1.001)]
    assert unlike(bent(way * (SHAPE_OFF - 0.02)), others) is None
    assert unlike(bent(way * (SHAPE_OFF + 0.02)), others).facts["reason"] == "shape"
    assert unlike(bent(way * (SHAPE_OFF + 0.02)), others[:1]) is None  # one may be the odd one


def test_without_other_springs_the_nominal_and_far_from_all_of_it():
    nominal = [(30.0, RATE * 23.0), (40.0, RATE * 13.0)]
    assert unlike(spring(1.0 - NOMINAL_OFF + 0.01), [], nominal) is None
    found = unlike(spring(1.0 - NOMINAL_OFF - 0.01), [], nominal)
    assert (found.facts["reason"], found.facts["others"]) == ("nominal", 0)
    assert unlike(spring(0.1), []) is None
    assert unlike(spring(0.1, HEIGHTS[60:]), [], nominal[:1]) is None  # not pressed that far


def test_heights_that_hardly_overlap_say_nothing():
    high = HEIGHTS[-1] - 0.25 * (HEIGHTS[-1] - HEIGHTS[0])  # above it the others push lightly

    def short(span):
        return spring(0.5, np.linspace(high - span, 53.0, 50))

    assert unlike(short(LEAST_SPAN_MM - 0.5), [spring()]) is None
    assert unlike(short(LEAST_SPAN_MM + 0.5), [spring()]) is not None


def test_the_mean_of_both_ways_and_one_way_alone():
    down, up = spring(1.02), spring(0.98, HEIGHTS[::-1])
    mean = mean_of_ways(down, up)
    np.testing.assert_allclose(mean.load_n, spring().load_n)
    nothing = Branch(np.empty(0), np.empty(0))
    np.testing.assert_array_equal(mean_of_ways(nothing, up).load_n, up.load_n[::-1])
    assert len(mean_of_ways(nothing, nothing)) == 0


@pytest.mark.parametrize("way", [1.0, -1.0])
def test_what_the_sets_check_would_flag_is_said_beside_the_stroke(way):
    others = [spring(), spring(1.001)]
    assert beside_the_set(spring(1.0 + way * (SAID_OFF - 0.005)), others) is None
    found = beside_the_set(spring(1.0 + way * (SAID_OFF + 0.005)), others)
    assert found.facts["off_share"] == pytest.approx(way * (SAID_OFF + 0.005), abs=1e-3)
    assert beside_the_set(spring(1.3), others[:1]) is None  # one alone is no set


def crossing(light, deep):
    """A spring that is off by a share where it is light, and by another where it is deep."""
    usual = spring()
    top = float(HEIGHTS[usual.load_n > 0.25 * usual.load_n.max()].max())
    quarter = 0.25 * (top - HEIGHTS[0])
    at = [HEIGHTS[0], HEIGHTS[0] + quarter, top - quarter, top]
    share = np.interp(HEIGHTS, at, [deep, deep, light, light])
    return Branch(HEIGHTS, usual.load_n * (1.0 + share))


@pytest.mark.parametrize("others", [[spring()], [spring(), spring(1.001)]])
@pytest.mark.parametrize("way", [1.0, -1.0])
def test_a_stiffer_and_shorter_spring_is_another_one_with_one_other_known(others, way):
    light, deep = CROSS_OFF
    e = 0.003
    for softer, stiffer, said in (
        (light + e, deep + e, True), (light - e, deep + e, False), (light + e, deep - e, False),
    ):  # fmt: skip
        found = unlike(crossing(-way * softer, way * stiffer), others)
        assert (found is not None and found.facts["reason"] == "crosses") is said
        if said:
            assert np.sign(found.facts["off_share"]) == way


def test_a_spring_that_is_off_the_same_way_all_along_does_not_cross():
    light, deep = CROSS_OFF
    assert unlike(crossing(light + 0.01, deep + 0.01), [spring()]) is None
