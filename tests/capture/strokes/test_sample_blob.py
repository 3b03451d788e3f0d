"""Samples in and out of a blob: the same to the last bit, small, and readable without us."""

import zlib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from coilbench.capture.blocks import LOAD_DTYPE, RAW_DTYPE
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes.stored import (
    CONVERTED_FORMAT,
    MOST_SAMPLES,
    RAW_FORMAT,
    pack,
    unpack,
)


@given(hnp.arrays(RAW_DTYPE, st.integers(0, 60)))
@settings(max_examples=60)
def test_raw_samples_come_back_to_the_bit(samples):
    name, blob = pack(samples)
    assert name == RAW_FORMAT
    back = unpack(name, blob)
    assert back.dtype == RAW_DTYPE
    assert back.tobytes() == samples.tobytes()


@given(hnp.arrays(LOAD_DTYPE, st.integers(0, 60)))
@settings(max_examples=60)
def test_converted_samples_come_back_to_the_bit(samples):
    name, blob = pack(samples)
    assert name == CONVERTED_FORMAT
    assert unpack(name, blob).tobytes() == samples.tobytes()  # NaN and -0.0 too


def press(count=280):
    rng = np.random.default_rng(3)
    samples = np.zeros(count, RAW_DTYPE)
    samples["seq"] = 70_000 + np.arange(count)
    samples["t_us"] = np.rint(samples["seq"] / 93.1 * 1e6 + rng.normal(0, 25, count))
    depth_mm = 27.0 * np.sin(np.linspace(0.0, np.pi, count))
    samples["load_counts"] = np.rint(40_000 + 2500 * 16 * depth_mm + rng.normal(0, 120, count))
    samples["travel_counts"] = np.rint(200 * depth_mm)
    return samples


def test_the_format_is_what_its_description_says():
    """Decoded here by NumPy alone, from the module's words."""
    samples = press()
    _, blob = pack(samples)
    body, n = zlib.decompress(blob), len(samples)
    for place, name in enumerate(("seq", "t_us", "load_counts", "travel_counts")):
        steps = np.frombuffer(body, "<i8", n, place * 8 * n)
        np.testing.assert_array_equal(np.add.accumulate(steps), samples[name])
    assert body[4 * 8 * n :] == samples["flags"].tobytes()


def test_a_press_takes_a_few_bytes_a_sample():
    samples = press()
    assert len(pack(samples)[1]) < 8 * len(samples) < samples.nbytes / 3


def test_unknown_formats_are_refused_in_words():
    with pytest.raises(CoilbenchError, match=r"'raw9'.*Update coilbench"):
        unpack("raw9", b"")


@pytest.mark.parametrize(
    "blob",
    [
        b"",
        b"no zlib",
        pack(press())[1][:-5],
        zlib.compress(b"\0" * 34),
        pack(press())[1] + b"more",
        pack(press())[1][:50] + b"\xff" + pack(press())[1][51:],
    ],
)
def test_damaged_blobs_are_refused_in_words(blob):
    with pytest.raises(CoilbenchError, match="damaged"):
        unpack(RAW_FORMAT, blob)


def test_as_many_samples_as_may_be_are_given_back_and_no_more():
    assert len(unpack(RAW_FORMAT, zlib.compress(bytes(MOST_SAMPLES * 33)))) == MOST_SAMPLES
    with pytest.raises(CoilbenchError, match="damaged"):
        unpack(RAW_FORMAT, zlib.compress(bytes((MOST_SAMPLES + 1) * 33)))
