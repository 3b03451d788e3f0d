"""Streams of a quill that presses a spring of which all is known, and the strokes found in them."""

import numpy as np

from coilbench.capture.blocks import RAW_DTYPE, RawBlock
from coilbench.capture.strokes.finder import StrokeFinder

FREE_MM, RATE_N_PER_MM, TOP_MM = 50.0, 15.0, 65.0
COUNTS_PER_N, COUNTS_PER_MM = 1000.0, 200.0


def to_physical(samples):
    return samples["load_counts"] / COUNTS_PER_N, TOP_MM - samples["travel_counts"] / COUNTS_PER_MM


def stream(*path, rate_hz=93.0, dead_n=0.0, noise_n=0.03, start_mm=TOP_MM, seq=0, t0_s=0.0):
    """Samples of a quill that goes from height to height: (seconds, height) one after another.

    dead_n may be a function of time (shape (n,) in and out).
    """
    at_s = np.cumsum([0.0, *(seconds for seconds, _ in path)])
    at_mm = [start_mm, *(height for _, height in path)]
    t_s = np.arange(0.0, at_s[-1], 1.0 / rate_hz)
    height_mm = np.interp(t_s, at_s, at_mm)
    dead = dead_n(t_s) if callable(dead_n) else np.full_like(t_s, dead_n)
    noise = np.random.default_rng(1).normal(0.0, noise_n, t_s.shape)
    load_n = RATE_N_PER_MM * np.maximum(FREE_MM - height_mm, 0.0) + dead + noise
    samples = np.zeros(t_s.shape[0], RAW_DTYPE)
    samples["seq"] = seq + np.arange(t_s.shape[0])
    samples["t_us"] = np.rint((t0_s + t_s) * 1e6)
    samples["load_counts"] = np.rint(load_n * COUNTS_PER_N)
    samples["travel_counts"] = np.rint((TOP_MM - height_mm) * COUNTS_PER_MM)
    return samples


REST = (2.0, TOP_MM)
PRESS = ((1.0, FREE_MM), (1.5, 25.0), (0.3, 25.0), (1.2, FREE_MM), (0.5, TOP_MM))


def find(samples, sizes=None, rules=None):
    """All strokes of a stream, fed in blocks of the given sizes, the last one cut."""
    finder = StrokeFinder(to_physical, rules)
    strokes, start = [], 0
    for size in [*(sizes or ()), len(samples)]:
        strokes += finder.feed(RawBlock(samples[start : start + size], 7))
        start += size
    last = finder.cut()
    return strokes + ([] if last is None else [last])
