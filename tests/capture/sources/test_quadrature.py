"""The table is the common x4 one; what it must do is checked against the Gray code itself."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench.capture.sources.pi_pins import LINE_A, LINE_B, Quadrature, steps_between

# A leads B: the outputs pass through these states, A + 2 B, which is the two-bit Gray code
# (F. Gray, US patent 2632058, 1953): one output changes at a time.
GRAY = [0b00, 0b01, 0b11, 0b10]

moves = st.lists(st.sampled_from([-1, 1]), min_size=1, max_size=200)


def edges_of(steps, start=0):
    """The edges of a walk over the Gray code, as (lines, levels)."""
    positions = start + np.cumsum([0, *steps])
    states = np.array([GRAY[p % 4] for p in positions])
    changed = states[1:] ^ states[:-1]
    lines = np.where(changed == 1, LINE_A, LINE_B).astype(np.uint8)
    levels = np.where(lines == LINE_A, states[1:] & 1, states[1:] >> 1).astype(np.uint8)
    return lines, levels


@pytest.mark.parametrize("before", range(4))
@pytest.mark.parametrize("now", range(4))
def test_each_transition_is_the_gray_codes_step(before, now):
    steps, impossible = steps_between(np.array([now], dtype=np.uint8), before)
    apart = (GRAY.index(now) - GRAY.index(before)) % 4
    assert (int(steps[0]), bool(impossible[0])) == {
        0: (0, False),
        1: (1, False),
        2: (0, True),
        3: (-1, False),
    }[apart]


@given(states=st.lists(st.integers(0, 3), max_size=60), before=st.integers(0, 3))
@settings(max_examples=100)
def test_a_run_of_states_is_the_sum_of_its_transitions(states, before):
    steps, impossible = steps_between(np.array(states, dtype=np.uint8), before)
    assert len(steps) == len(impossible) == len(states)
    for i, now in enumerate(states):
        one, bad = steps_between(np.array([now], dtype=np.uint8), states[i - 1] if i else before)
        assert (steps[i], impossible[i]) == (one[0], bad[0])


@given(steps=moves, start=st.integers(0, 3), cuts=st.lists(st.integers(0, 200), max_size=4))
@settings(max_examples=150)
def test_every_walk_is_counted_exactly_however_it_is_cut(steps, start, cuts):
    lines, levels = edges_of(steps, start)
    scale = Quadrature(GRAY[start] & 1, GRAY[start] >> 1)
    bounds = sorted({0, len(lines), *(cut for cut in cuts if cut < len(lines))})
    for i, j in pairwise(bounds):
        scale.follow(lines[i:j], levels[i:j])
        assert scale.count == sum(steps[:j])
    assert scale.impossible_steps == 0


@given(steps=moves, data=st.data())
@settings(max_examples=150)
def test_one_lost_edge_is_noticed_at_the_next_of_its_output(steps, data):
    lines, levels = edges_of(steps)
    lost = data.draw(st.integers(0, len(lines) - 1))
    follows = bool((lines[lost + 1 :] == lines[lost]).any())
    scale = Quadrature(0, 0)
    scale.follow(np.delete(lines, lost), np.delete(levels, lost))
    assert scale.impossible_steps == (1 if follows else 0)
    # What is left of the count can only be off by a whole period, or by the edge itself.
    off = scale.count - sum(steps)
    assert off in (-4, 0, 4) if follows else abs(off) <= 2 + 2 * (len(lines) - lost)


def test_no_edges_change_nothing():
    scale = Quadrature(1, 0)
    nothing = np.array([], dtype=np.uint8)
    scale.follow(nothing, nothing)
    assert (scale.count, scale.impossible_steps) == (0, 0)
