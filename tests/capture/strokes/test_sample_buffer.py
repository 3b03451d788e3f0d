"""The growing row of samples, against NumPy's concatenate."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench.capture.blocks import RAW_DTYPE
from coilbench.capture.strokes.finder import SampleBuffer


@given(st.lists(st.tuples(st.integers(0, 900), st.floats(0.0, 1.0)), max_size=20))
@settings(max_examples=40)
def test_it_is_a_row_that_grows_and_is_trimmed(steps):
    buffer, plain, number = SampleBuffer(), np.empty(0, RAW_DTYPE), 0
    for count, share in steps:
        added = np.zeros(count, RAW_DTYPE)
        added["seq"] = number + np.arange(count)
        number += count
        buffer.add(added, (1.0 * added["seq"], -2.0 * added["seq"]))
        plain = np.concatenate([plain, added])
        drop = int(share * len(plain))
        buffer.drop(drop)
        plain = plain[drop:]
        assert len(buffer) == len(plain)
        np.testing.assert_array_equal(buffer.samples, plain)
        load_n, height_mm = buffer.physical
        np.testing.assert_array_equal(load_n, 1.0 * plain["seq"])
        np.testing.assert_array_equal(height_mm, -2.0 * plain["seq"])
