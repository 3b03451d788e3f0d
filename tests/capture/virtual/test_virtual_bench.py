"""A plan at the bench: what the samples say is what was done."""

from collections.abc import Sequence

import numpy as np
import pytest
from msgspec.structs import replace

from coilbench.capture.blocks import RAW_DTYPE
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.virtual.bench import (
    Bench,
    FacesTogether,
    GaugeBlock,
    PressBlock,
    PressSpring,
    PutMass,
    Rest,
    Span,
    Step,
    StrokeKind,
    capture_steps,
)
from coilbench.capture.virtual.instrument import RigModel
from coilbench.capture.virtual.spring import INNER, OUTER, draw_set
from support.virtual_truth import settled

CLEAN = RigModel(
    nonlinearity_fraction=0.0,
    creep_fraction=0.0,
    drift_n_per_hour=0.0,
    wander_n=0.0,
    noise_counts=0.0,
    hum_n=0.0,
    placing_fraction=0.0,
    seating_mm=0.0,
    filter_conversions=0,
)


def calibration_steps(
    masses_kg: Sequence[float] = (5.0, 10.0, 20.0, 30.0, 40.0, 50.0),
    gauges_mm: Sequence[float] = (10.0, 20.0, 30.0, 40.0, 50.0, 60.0),
    block_mm: float = 40.0,
    block_load_n: float = 900.0,
) -> list[Step]:
    """Return what a calibration asks for.

    Nothing on the cell, masses up, the same down, nothing again; the faces together and gauge
    blocks; a solid block pressed twice.
    """
    down = list(reversed(masses_kg))[1:]
    steps: list[Step] = [Rest(2.0)]
    steps += [PutMass(mass) for mass in (0.0, *masses_kg, *down, 0.0)]
    steps += [FacesTogether(), *(GaugeBlock(length) for length in gauges_mm), Rest(1.0)]
    steps += [PressBlock(block_mm, block_load_n), Rest(1.0)] * 2
    return steps


def run(rig: RigModel, steps: list[Step], seed: int = 1) -> tuple[tuple[Span, ...], np.ndarray]:
    bench = Bench(rig, steps, seed)
    blocks = [block.samples for block in bench.blocks()]
    return bench.spans, np.concatenate([np.empty(0, RAW_DTYPE), *blocks])


def load_n(samples: np.ndarray) -> np.ndarray:
    return (samples["load_counts"] - CLEAN.zero_counts) / CLEAN.counts_per_n


def height_mm(samples: np.ndarray) -> np.ndarray:
    travel = samples["travel_counts"] / CLEAN.travel_counts_per_mm
    return CLEAN.rest_height_mm - travel + CLEAN.flex_mm(load_n(samples))


def test_spans_tile_the_samples_and_sequence_and_clock_run_on() -> None:
    spans, samples = run(RigModel.draw(2), calibration_steps() + capture_steps([OUTER, INNER]))
    assert spans[0].first_seq == 0
    assert [span.end_seq for span in spans[:-1]] == [span.first_seq for span in spans[1:]]
    assert spans[-1].end_seq == len(samples)
    np.testing.assert_array_equal(samples["seq"], np.arange(len(samples)))
    assert np.all(np.diff(samples["t_us"]) > 0)


def test_a_mass_shows_its_weight_under_standard_gravity_and_stays() -> None:
    # 9.80665 m/s^2 exactly: 3rd CGPM, 1901.
    spans, samples = run(CLEAN, [PutMass(0.0), PutMass(20.0), Rest(1.0), PutMass(5.0)])
    for span, mass in zip(spans, (0.0, 20.0, 20.0, 5.0), strict=True):
        reading = samples[settled(span, CLEAN)]
        np.testing.assert_allclose(load_n(reading), mass * 9.80665, atol=3e-4)
        assert np.all(reading["travel_counts"] == 0)
    weaker = replace(CLEAN, gravity_m_per_s2=9.78)
    spans, samples = run(weaker, [PutMass(20.0)])
    assert load_n(samples)[-1] == pytest.approx(195.6, abs=3e-4)


def test_gauge_blocks_set_the_height() -> None:
    lengths = (50.0, 25.4, 0.0)
    spans, samples = run(CLEAN, [GaugeBlock(50.0), GaugeBlock(25.4), FacesTogether()])
    for span, length in zip(spans, lengths, strict=True):
        reading = samples[settled(span, CLEAN)]
        np.testing.assert_allclose(height_mm(reading), length, atol=0.0026)
        assert load_n(reading).max() <= 1.0 + 1e-3


def test_placing_and_seating_scatter_from_time_to_time() -> None:
    loose = replace(CLEAN, placing_fraction=1e-3, seating_mm=0.05)
    spans, samples = run(loose, [PutMass(20.0), PutMass(0.0)] * 40)
    loads = [load_n(samples[settled(s, loose)]).mean() for s in spans[::2]]
    assert np.std(loads) == pytest.approx(196.133e-3, rel=0.3)
    spans, samples = run(loose, [GaugeBlock(30.0)] * 40)
    heights = [height_mm(samples[settled(s, loose)]).mean() for s in spans]
    assert np.std(heights) == pytest.approx(0.05, rel=0.3)


def test_a_solid_block_keeps_its_height_while_the_press_gives() -> None:
    _, samples = run(CLEAN, [PressBlock(40.0, 900.0)])
    load = load_n(samples)
    pressed = load > 5.0
    assert load.max() == pytest.approx(900.0, rel=0.04)
    travel = samples["travel_counts"][pressed] / 200.0
    np.testing.assert_allclose(travel - 30.0, CLEAN.flex_mm(load[pressed]), atol=0.0026)
    assert travel.max() > 30.4


def test_a_pressed_spring_shows_its_true_curve() -> None:
    spring = replace(OUTER, first_set_mm=0.0, friction_fraction=0.0)
    _, samples = run(CLEAN, [PressSpring(spring, 27.0)])
    height, load = height_mm(samples), load_n(samples)
    np.testing.assert_allclose(load, spring.load_n(height), atol=0.05)
    assert height.min() == pytest.approx(27.0, abs=0.2)
    # Away from the ends it is Hooke's law plus the soft ends' constant: k (depth - s e).
    linear = (height > 30.0) & (height < 48.0)
    np.testing.assert_allclose(load[linear], 16.0 * (53.0 - height[linear] - 0.2), atol=0.05)


def test_a_spring_is_worked_in_by_its_own_presses_only() -> None:
    other = draw_set(OUTER, 1, seed=8)[0]
    press = PressSpring(OUTER, 27.0, StrokeKind.FAST)
    steps = [press, PressSpring(other, 27.0, StrokeKind.FAST), press, press]
    spans, samples = run(CLEAN, list(steps))

    def excess(span: Span) -> float:
        part = samples[span.first_seq : span.end_seq]
        height, load = height_mm(part), load_n(part)
        down = slice(0, int(np.argmin(height)))
        middle = (height[down] > 30.0) & (height[down] < 40.0)
        spring = span.step.spring  # type: ignore[union-attr]
        expected = (1.0 + spring.friction_fraction) * spring.load_n(height[down][middle])
        return float(np.mean(load[down][middle] - expected))

    first, others_first, second, third = map(excess, spans)
    assert first == pytest.approx(16.0 * 0.06, rel=0.15)
    assert others_first == pytest.approx(16.0 * 0.06, rel=0.15)
    assert second == pytest.approx(0.3 * first, abs=0.08)
    assert abs(third) < 0.15


def test_the_hand_stops_at_the_cells_rating() -> None:
    _, samples = run(CLEAN, [PressSpring(OUTER, 10.0)])
    assert load_n(samples).max() <= 1500.0
    assert height_mm(samples).min() > 22.0


def test_same_seed_same_samples() -> None:
    steps = capture_steps(draw_set(OUTER, 2, seed=3), presses=2)
    first = run(RigModel.draw(4), steps, seed=6)[1]
    np.testing.assert_array_equal(first, run(RigModel.draw(4), steps, seed=6)[1])
    assert not np.array_equal(
        first["load_counts"][:50], run(RigModel.draw(4), steps, seed=7)[1]["load_counts"][:50]
    )


def test_an_endless_bench_rests_after_its_plan_with_what_stands_on_it() -> None:
    blocks = Bench(CLEAN, [PutMass(10.0)], seed=1).blocks(endless=True)
    samples = np.concatenate([next(blocks).samples for _ in range(4)])
    np.testing.assert_array_equal(samples["seq"], np.arange(len(samples)))
    np.testing.assert_allclose(load_n(samples[-900:]), 98.0665, atol=3e-4)


def test_calibration_goes_up_and_down_with_nothing_at_both_ends() -> None:
    steps = calibration_steps(masses_kg=(5.0, 10.0))
    assert [s.mass_kg for s in steps if isinstance(s, PutMass)] == [0.0, 5.0, 10.0, 5.0, 0.0]
    assert sum(isinstance(s, PressBlock) for s in steps) == 2


def test_capture_presses_each_spring_in_turn() -> None:
    steps = capture_steps([OUTER, INNER], presses=3)
    pressed = [s.spring for s in steps if isinstance(s, PressSpring)]
    assert pressed == [OUTER] * 3 + [INNER] * 3


@pytest.mark.parametrize(
    ("step", "words"),
    [
        (GaugeBlock(70.0), "doesn't fit between the faces"),
        (GaugeBlock(-1.0), "doesn't fit between the faces"),
        (PressBlock(80.0, 900.0), "doesn't fit between the faces"),
        (PressSpring(replace(OUTER, free_length_mm=75.0), 30.0), "doesn't fit"),
    ],
)
def test_what_cannot_be_done_is_refused(step: Step, words: str) -> None:
    with pytest.raises(CoilbenchError, match=words):
        Bench(CLEAN, [step], seed=1)
