"""The solid height that a press into bind shows, on springs whose own is known."""

import numpy as np
import pytest
from msgspec.structs import replace

from bench_strokes import pressed
from coilbench.capture.strokes.bind_seen import solid_seen
from coilbench.capture.virtual.bench import StrokeKind
from coilbench.capture.virtual.instrument import RigModel
from coilbench.capture.virtual.spring import INNER, OUTER, draw_set


def seen(spring, beyond_mm, seed, kind=StrokeKind.STEADY, **rig):
    model = replace(RigModel.draw(seed), flex_mm_per_n=1e-9, cell_range_n=2000.0, **rig)
    to_mm = spring.solid_height_mm - beyond_mm
    (sweep,) = pressed(model, [(spring, to_mm, kind)], seed)
    return solid_seen(sweep.press, 0.01)


def test_it_covers_the_true_one():
    """The spring's own, from the model: 40 springs, 4 ways of pressing, two rates."""
    errors, us = [], []
    for seed in range(10):
        for nominal in (OUTER, INNER):
            for spring in draw_set(nominal, 2, seed):
                for beyond_mm in (0.1, 0.3):
                    found = seen(spring, beyond_mm, seed)
                    if found is not None:
                        errors.append(found.height_mm - spring.solid_height_mm)
                        us.append(2.0 * found.u_mm)
    assert len(errors) > 60
    inside = np.abs(errors) <= us
    assert inside.mean() >= 0.95
    assert np.max(us) < 1.0


@pytest.mark.parametrize("kind", [StrokeKind.SLOW, StrokeKind.FAST, StrokeKind.STEADY])
@pytest.mark.parametrize("rate_hz", [93.1, 10.0])
def test_at_any_pace_it_is_no_surer_than_it_knows(kind, rate_hz):
    for seed in range(6):
        found = seen(OUTER, 0.2, seed, kind, rate_hz=rate_hz, nominal_rate_hz=rate_hz)
        if found is not None:
            assert abs(found.height_mm - OUTER.solid_height_mm) <= 2.0 * found.u_mm


@pytest.mark.parametrize("above_mm", [0.5, 1.0, 3.0])
def test_a_press_that_ends_above_it_shows_none(above_mm):
    assert all(seen(OUTER, -above_mm, seed) is None for seed in range(6))
