"""A travel scale that jumps between two samples, and hands, spikes and slow rigs that do not."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench.capture.strokes.jump_watch import JUMP_MM, JumpWatch
from coilbench.capture.virtual.bench import StrokeKind, draw_stroke


def looked(height_mm, rate_hz=90.0, pieces=1):
    t_us = np.rint(np.arange(height_mm.size) / rate_hz * 1e6).astype(np.int64)
    watch = JumpWatch()
    found = [
        watch.look(*each)
        for each in zip(
            np.array_split(t_us, pieces), np.array_split(height_mm, pieces), strict=True
        )
    ]
    return [one for one in found if one is not None]


def moving(mm_per_s, jump_mm, rate_hz=90.0):
    height_mm = 60.0 - np.arange(60) / rate_hz * mm_per_s
    height_mm[30:] += jump_mm
    return height_mm


@pytest.mark.parametrize("pieces", [1, 7, 60])
@pytest.mark.parametrize("jump_mm", [2.0, -2.0, 8.0])
@pytest.mark.parametrize("mm_per_s", [0.0, 15.0, 30.0])
def test_a_jump_is_seen_once_however_the_stream_is_cut(mm_per_s, jump_mm, pieces):
    (found,) = looked(moving(mm_per_s, jump_mm), pieces=pieces)
    assert found["jump_mm"] == pytest.approx(jump_mm - mm_per_s / 90.0)


def test_the_least_jump():
    assert looked(moving(0.0, JUMP_MM + 0.01))
    assert not looked(moving(0.0, JUMP_MM - 0.01))


def test_a_spike_is_no_jump():
    height_mm = moving(20.0, 0.0)
    height_mm[30] += 3.0
    assert not looked(height_mm)


def test_a_slow_rig_does_not_show_it():
    assert not looked(moving(20.0, 2.0, rate_hz=10.0), rate_hz=10.0)


@given(st.sampled_from(StrokeKind), st.integers(0, 10_000), st.floats(60.0, 100.0))
@settings(max_examples=60)
def test_no_hand_jumps(kind, seed, rate_hz):
    hand = draw_stroke(kind, np.random.default_rng(seed))
    t_s = np.arange(0.0, float(hand.at_s[-1]), 1.0 / rate_hz)
    height_mm = 70.0 - 15.0 * hand.approach_at(t_s) - 28.0 * hand.press_at(t_s)
    assert not looked(height_mm + 0.04 * hand.shake_at(t_s), rate_hz=rate_hz)
