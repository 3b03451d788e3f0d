"""Good strokes are not refused while they are taken, when the lag is not known yet.

Simulated rigs, springs and hands; what is pressed there is right by how it was made. A judgement
for each count of strokes from three to five.
"""

from __future__ import annotations

import numpy as np
import pytest
from msgspec.structs import replace

from bench_strokes import pressed
from coilbench.capture.running.likely_stroke import likely
from coilbench.capture.strokes.stroke_choice import judge_strokes
from coilbench.capture.virtual.bench import StrokeKind
from coilbench.capture.virtual.instrument import RigModel
from coilbench.capture.virtual.spring import INNER, OUTER, SpringModel, draw_set

WORKED, MEASURED = 2, 5
STEADY = [StrokeKind.STEADY] * MEASURED
MIXED = [StrokeKind.STEADY, StrokeKind.FAST, StrokeKind.SLOW, StrokeKind.STEADY, StrokeKind.STEADY]


def drawn(seed: int) -> SpringModel:
    """A spring: outer or inner, straight, progressive, of two rates or cracked; its friction."""
    rng = np.random.default_rng([seed, 0x600D])
    spring = draw_set((OUTER, INNER)[seed % 2], 1, seed)[0]
    way_mm = spring.free_length_mm - spring.solid_height_mm
    kinds = (
        {},
        {"soft_mm": rng.uniform(3.0, 8.0), "soft_fraction": 0.5},
        {"crack_depth_mm": 0.5 * way_mm, "crack_rate_ratio": rng.uniform(1.3, 1.8)},
        {"crack_depth_mm": 0.4 * way_mm, "crack_rate_ratio": 0.78},
    )
    return replace(spring, friction_fraction=rng.uniform(0.002, 0.04), **kinds[seed // 2 % 4])


@pytest.mark.parametrize("speeds", [STEADY, MIXED], ids=["steady", "mixed"])
@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("filter_conversions", [0, 4, 8])
def test_good_strokes_are_not_refused(
    seed: int, filter_conversions: int, speeds: list[StrokeKind]
) -> None:
    rig = replace(RigModel.draw(seed), filter_conversions=filter_conversions)
    spring = drawn(seed)
    to_mm = spring.solid_height_mm + 1.5
    kinds = [StrokeKind.STEADY] * WORKED + speeds
    strokes = pressed(rig, [(spring, to_mm, kind) for kind in kinds], seed)[WORKED:]
    strokes = [likely(one) for one in strokes]
    numbers = {one.sweep_id: at for at, one in enumerate(strokes, start=1)}
    for count in range(3, MEASURED + 1):
        for one in judge_strokes(strokes[:count], numbers, dict.fromkeys(numbers)):
            assert (one.kept, one.spoilt_by) == (True, ())
