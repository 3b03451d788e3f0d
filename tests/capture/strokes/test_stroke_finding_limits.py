"""Each limit of a stroke's findings at its value: just inside nothing is said, just outside it is.

The limits are ours, no source. Strokes are straight arrays of 16 N/mm from 53 mm down.
"""

from __future__ import annotations

import numpy as np
import pytest

from coilbench.capture.calibration.lag import Press
from coilbench.capture.strokes.bins import Array
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.stroke_choice import beside_the_others
from coilbench.capture.strokes.stroke_findings import largest_step, stroke_findings
from coilbench.capture.strokes.sweep import Origin, Sweep

RATE, FREE_MM, LOWEST_MM = 16.0, 53.0, 27.0
LARGEST_N = RATE * (FREE_MM - LOWEST_MM)


def stroke(height_mm: Array, load_n: Array) -> Sweep:
    turn = int(np.argmin(height_mm)) + 1
    press = Press(np.arange(height_mm.size) * 0.01, load_n, height_mm, np.zeros_like(load_n))
    down = Branch(height_mm[:turn], load_n[:turn])
    up = Branch(height_mm[turn:], load_n[turn:])
    return Sweep("1", "s", Origin.CONVERTED_FILE, down, up, 0.0, 0.0, 0.0, press)


def path(*points: tuple[float, float]) -> Array:
    """Heights every 0.01 s through (seconds, height) points, straight between."""
    at_s, mm = np.array(points).T
    return np.interp(np.arange(0.0, at_s[-1], 0.01), at_s, mm)


def straight(height_mm: Array) -> Array:
    return RATE * np.maximum(FREE_MM - height_mm, 0.0)


PLAIN = path((0, 55), (2, LOWEST_MM), (4, 55))


def names(height_mm: Array, load_n: Array | None = None) -> list[str]:
    sweep = stroke(height_mm, straight(height_mm) if load_n is None else load_n)
    return [finding.kind for finding in stroke_findings(sweep)]


def pausing(at_mm: float, stand_s: float, mm_per_s: float = 14.0) -> Array:
    down_s, there_s = 28.0 / mm_per_s, (55.0 - at_mm) / mm_per_s
    return path(
        (0, 55), (there_s, at_mm), (there_s + stand_s, at_mm), (down_s + stand_s, LOWEST_MM),
        (2 * down_s + stand_s, 55),
    )  # fmt: skip


# A twentieth of the way takes 0.093 s at 14 mm/s and 0.33 s at 4 mm/s: it counts with the pause.


@pytest.mark.parametrize(
    ("height_mm", "paused"),
    [
        (pausing(41.0, 0.48), False), (pausing(41.0, 0.55), True),  # 0.6 s
        (pausing(41.0, 0.90, 4.0), False), (pausing(41.0, 1.05, 4.0), True),  # four times
        (pausing(50.9, 2.0), False), (pausing(49.3, 2.0), True),  # a tenth of the depth: 50.4 mm
        (pausing(28.5, 2.0), False), (pausing(30.8, 2.0), True),  # and nine: 29.6 mm
    ],
)  # fmt: skip
def test_a_pause(height_mm: Array, paused: bool) -> None:
    assert names(height_mm) == ["paused"] * paused


def step_found(
    step_n: float,
    at_mm: float = 40.0,
    *,
    loop: float = 0.0,
    shown_n: float = 0.0,
    noise_n: float = 0.0,
) -> bool:
    height_mm = np.linspace(55.0, LOWEST_MM, 4000)
    load_n = straight(height_mm) - step_n * (height_mm < at_mm)
    load_n += noise_n * np.random.default_rng(1).standard_normal(load_n.size)
    if shown_n:
        load_n = shown_n * np.round(load_n / shown_n)
    return largest_step(Branch(height_mm, load_n), 0.0, loop) is not None


@pytest.mark.parametrize(
    ("found", "slipped"),
    [
        (step_found(0.0190 * LARGEST_N), False),  # of the largest load, which the step lowers
        (step_found(0.0205 * LARGEST_N), True),
        (step_found(20.0, loop=0.115), False),  # a loop of 24 N there
        (step_found(20.0, loop=0.083), True),  # of 17 N
        (step_found(25.0, shown_n=15.0), False),  # twice what it is shown in
        (step_found(25.0, shown_n=12.0), True),
        (step_found(12.0, noise_n=10.0), False),  # eight times the error of the lines
        (step_found(12.0, noise_n=5.0), True),
        # all of the window, 1.75 mm, where the load is above 0.12 of the largest: 49.9 mm
        (step_found(30.0, 49.0), False),
        (step_found(30.0, 47.4), True),
    ],
)
def test_a_step_of_the_load(found: bool, slipped: bool) -> None:
    assert found == slipped


@pytest.mark.parametrize(("at_mm", "slipped"), [(29.4, False), (30.2, True)])
def test_a_step_near_the_turn_may_be_friction_turning_round(at_mm: float, slipped: bool) -> None:
    """Nothing is said of the first 1.5 mm up, nor of the 1.75 mm of a window after it."""
    up = np.arange(PLAIN.size) > np.argmin(PLAIN)
    load_n = straight(PLAIN) - 30.0 * up * (
        np.abs(PLAIN - (at_mm + 50.0) / 2.0) < (50.0 - at_mm) / 2.0
    )
    assert ("slipped" in names(PLAIN, load_n)) == slipped


def soft_at_first(over_mm: float, share: float, free_mm: float, lowest_mm: float) -> list[str]:
    height_mm = path((0, free_mm + 2), (3, lowest_mm), (6, free_mm + 2))
    depth_mm = np.maximum(free_mm - height_mm, 0.0)
    return names(height_mm, RATE * (depth_mm - (1.0 - share) * np.minimum(depth_mm, over_mm)))


@pytest.mark.parametrize(
    ("over_mm", "share", "depth_mm", "said"),
    [
        (1.5, 0.5, 15.0, False), (2.2, 0.5, 15.0, True),  # 1.5 mm
        (4.2, 0.5, 50.0, False), (5.0, 0.5, 50.0, True),  # 6 % of it, begun at 2 % of the load
        (6.0, 0.94, 26.0, False), (6.0, 0.86, 26.0, True),  # nine tenths of the rate
    ],
)  # fmt: skip
def test_end_coils_that_close(over_mm: float, share: float, depth_mm: float, said: bool) -> None:
    assert soft_at_first(over_mm, share, 70.0, 70.0 - depth_mm) == ["ends_close"] * said


# ------------------------------------------------------------------------- beside the others


def beside(
    load_n: Array, usual_n: Array | None = None, height_mm: Array = PLAIN, others: int = 2
) -> str | None:
    """What is said of a stroke beside others, plain ones unless their loads are told."""
    usual_n = straight(height_mm) if usual_n is None else usual_n
    mates = [stroke(height_mm, usual_n * (1.0 + 1e-6 * at)) for at in range(others)]
    odd = stroke(height_mm, load_n)
    finding = beside_the_others([*mates, odd])[-1]
    return None if finding is None else finding.kind + (" spoils" if finding.spoils else "")


def looped(share: float) -> Array:
    """Loads as much above on the way down as below on the way up, `share` apart."""
    up = np.arange(PLAIN.size) > np.argmin(PLAIN)
    return straight(PLAIN) * np.where(up, 1.0 - share / 2.0, 1.0 + share / 2.0)


def partly(share: float, of_heights: float) -> Array:
    """Loads off by a share over the lower part of the heights that are compared."""
    high_mm, low_mm = FREE_MM - 0.12 * (FREE_MM - LOWEST_MM), LOWEST_MM + 1.5
    return straight(PLAIN) * (1.0 + share * (low_mm + of_heights * (high_mm - low_mm) > PLAIN))


def early(by_mm: float) -> Array:
    """A spring that stood askew: a small load before its touch, which is lost later on."""
    height_mm = PLAIN
    touch_mm = FREE_MM - 12.0 / RATE + by_mm  # a load of 3 % of the largest
    before_n = 14.0 * np.clip((touch_mm - height_mm) / 0.1, 0.0, 1.0)
    down = np.arange(height_mm.size) <= np.argmin(height_mm)
    return np.where(down & (height_mm > 51.0), np.maximum(straight(height_mm), before_n),
                    straight(height_mm))  # fmt: skip


@pytest.mark.parametrize(
    ("load_n", "said"),
    [
        (straight(PLAIN) * 1.028, None),
        (straight(PLAIN) * 1.032, "apart spoils"),
        (partly(0.05, 0.24), None),  # more than three quarters of the heights lie nearer
        (partly(0.05, 0.27), "apart spoils"),
        (looped(0.014), None),
        (looped(0.016), "cocked spoils"),
        (early(0.5), None),
        (early(0.75), "cocked"),
        (early(0.75) * 1.008, "cocked"),
        (early(0.75) * 1.015, "cocked spoils"),
    ],
)
def test_a_stroke_beside_the_others(load_n: Array, said: str | None) -> None:
    assert beside(load_n) == said


@pytest.mark.parametrize(("others", "spoils"), [(2, True), (1, False)])
def test_of_three_strokes_the_odd_one_is_known_of_two_not(others: int, spoils: bool) -> None:
    assert beside(straight(PLAIN) * 1.04, others=others) == "apart" + (" spoils" if spoils else "")


@pytest.mark.parametrize(("share", "said"), [(0.058, None), (0.063, "cocked spoils")])
def test_where_all_loops_are_wide_an_odd_one_is_half_as_wide_again(
    share: float, said: str | None
) -> None:
    assert beside(looped(share), looped(0.04)) == said


@pytest.mark.parametrize(("lowest_mm", "said"), [(49.15, None), (48.85, "apart spoils")])
def test_strokes_that_share_less_than_two_millimetres_are_not_compared(
    lowest_mm: float, said: str | None
) -> None:
    """From 1.5 mm above the turn up to 12 % of the load."""
    height_mm = path((0, 60), (2, lowest_mm), (4, 60))
    assert beside(straight(height_mm) * 1.05, height_mm=height_mm) == said
