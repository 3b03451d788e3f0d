"""The rig's instruments: press, travel scale, load cell and ADC, with their faults. Pure."""

from __future__ import annotations

import msgspec
import numpy as np
from numpy.typing import NDArray

from coilbench.capture.blocks import RAW_DTYPE, SampleFlag
from coilbench.capture.unit_factors import KGF_N

_PIECE = 256
MAX_DECAY_EXPONENT = 2.0  # per sample; 256 of them stay far from underflow


def recur(
    exponent: NDArray[np.float64], target: NDArray[np.float64], state: float
) -> NDArray[np.float64]:
    """Let a state relax towards a moving target: y += (target - y) (1 - exp(-exponent)).

    Whole blocks at a time, without a loop over samples.

    Args:
        exponent: shape (n,), how far each sample relaxes, >= 0; above MAX_DECAY_EXPONENT it
            is taken as that.
        target: shape (n,).
        state: y before the first sample.

    Returns:
        shape (n,), y after each sample.
    """
    decay = np.exp(-np.minimum(exponent, MAX_DECAY_EXPONENT))
    drive = target * (1.0 - decay)
    out = np.empty_like(drive)
    for start in range(0, len(out), _PIECE):
        piece = slice(start, start + _PIECE)
        gain = np.cumprod(decay[piece])
        out[piece] = gain * (state + np.cumsum(drive[piece] / gain))
        state = float(out[min(start + _PIECE, len(out)) - 1])
    return out


ADC_MAX_COUNTS = 0x7FFFFF  # 24-bit two's complement
ADC_MIN_COUNTS = -0x800000


class RigModel(msgspec.Struct, frozen=True):
    """One rig, as it really is. The host knows none of this but the nominal figures."""

    device_id: str = "C011BE4C00000001"
    rest_height_mm: float = 70.0  # distance between the faces with the quill at its upper stop
    flex_mm_per_n: float = 6.0e-4  # how far the press gives at small loads
    flex_stiffening_n: float = 9000.0  # load at which it gives half as much as that would mean
    rests_n: float = 0.0  # weight of the upper cup, which lies on the spring when it zeroes
    travel_counts_per_mm: float = 200.0  # the scale's true figure
    um_per_count: float = 5.0
    travel_step_counts: int = 1
    counts_per_n: float = 2500.0  # the load cell's slope
    zero_counts: float = 40000.0  # its reading at no load
    nonlinearity_fraction: float = 4.0e-4  # its error at cell_range_n over that load, quadratic
    cell_range_n: float = 1500.0  # the cell's rating
    creep_fraction: float = 3.0e-4  # how much a standing load gains
    creep_s: float = 90.0  # and how slowly
    drift_n_per_hour: float = 0.4  # how fast the zero wanders off
    wander_n: float = 0.05  # amplitude of the zero's sway with the room's warmth
    wander_s: float = 420.0  # its period
    noise_counts: float = 120.0  # standard deviation of a conversion
    hum_n: float = 0.3  # amplitude of the mains hum on the bridge, before the ADC's filter
    hum_hz: float = 50.0
    rate_hz: float = 93.1  # conversions a second, in truth
    nominal_rate_hz: float = 80.0  # by the data sheet
    jitter_us: float = 25.0  # standard deviation of the moment at which a conversion is latched
    filter_conversions: int = 4  # the ADC's filter averages over this many conversions
    placing_fraction: float = 1.0e-4  # standard deviation of a mass's load, by where it stands
    seating_mm: float = 0.003  # standard deviation of how a block seats between the faces
    gravity_m_per_s2: float = KGF_N  # standard gravity: one kilogram shows 9.80665 N

    @classmethod
    def draw(cls, seed: int) -> RigModel:
        """Return another rig of the same making; the same seed draws the same one."""
        rng = np.random.default_rng([seed, 0x416])
        return cls(
            device_id=f"C011BE4C{rng.integers(1 << 32):08X}",
            flex_mm_per_n=rng.uniform(4.0e-4, 1.0e-3),
            flex_stiffening_n=rng.uniform(6000.0, 12000.0),
            travel_counts_per_mm=200.0 * (1.0 + rng.normal(0.0, 4.0e-4)),
            counts_per_n=rng.uniform(2200.0, 2800.0),
            zero_counts=rng.uniform(-150000.0, 150000.0),
            nonlinearity_fraction=rng.normal(0.0, 5.0e-4),
            creep_fraction=rng.uniform(1.0e-4, 5.0e-4),
            creep_s=rng.uniform(60.0, 180.0),
            drift_n_per_hour=rng.normal(0.0, 0.5),
            wander_n=rng.uniform(0.0, 0.1),
            noise_counts=rng.uniform(80.0, 200.0),
            hum_n=rng.uniform(0.0, 0.5),
            rate_hz=rng.uniform(90.0, 96.0),
        )

    def flex_mm(self, load_n: NDArray[np.float64] | float) -> NDArray[np.float64]:
        """Return how far the press gives under a load: c F / (1 + F/F0)."""
        load = np.asarray(load_n, dtype=np.float64)
        return self.flex_mm_per_n * load / (1.0 + np.abs(load) / self.flex_stiffening_n)

    def travel_mm(
        self, height_mm: NDArray[np.float64], pressed_n: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Return how far the quill has moved from its upper stop: further than the faces closed."""
        return self.rest_height_mm - height_mm + self.flex_mm(pressed_n)

    def cell_counts(self, load_n: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the cell's counts at a steady load, before creep, drift and noise."""
        bend = 1.0 + self.nonlinearity_fraction * load_n / self.cell_range_n
        return self.zero_counts + self.counts_per_n * load_n * bend

    def drift_n(self, t_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return how far the zero has wandered."""
        sway = self.wander_n * np.sin(2.0 * np.pi * t_s / self.wander_s)
        return self.drift_n_per_hour * t_s / 3600.0 + sway


class Instrument(msgspec.Struct, dict=True):
    """A rig that reads: keeps clock, sequence, creep and filter from block to block."""

    rig: RigModel
    seed: int
    next_seq: int = 0
    _creep_n: float = 0.0
    _history: NDArray[np.float64] | None = None

    def __post_init__(self) -> None:
        self._jitter = np.random.default_rng([self.seed, 0x717])
        self._noise = np.random.default_rng([self.seed, 0x0153])

    def tick_s(self, count: int) -> NDArray[np.float64]:
        """Return when the next conversions are latched, seconds since the start, shape (count,).

        Call it once for each call of read.
        """
        number = np.arange(self.next_seq + 1, self.next_seq + 1 + count)
        jitter_s = 1e-6 * self.rig.jitter_us * self._jitter.standard_normal(count)
        return number / self.rig.rate_hz + jitter_s

    def read(
        self,
        t_s: NDArray[np.float64],
        height_mm: NDArray[np.float64],
        pressed_n: NDArray[np.float64],
        standing_n: NDArray[np.float64],
    ) -> NDArray[np.void]:
        """Turn what is true at the ticks into what the rig reads, RAW_DTYPE of shape (n,).

        Args:
            height_mm: shape (n,), distance between the faces.
            pressed_n, standing_n: shape (n,), load that the quill puts on the cell, and load of
                what merely stands there; the press gives under the first only.
        """
        rig = self.rig
        samples = np.zeros(len(t_s), dtype=RAW_DTYPE)
        samples["seq"] = np.arange(self.next_seq, self.next_seq + len(t_s))
        samples["t_us"] = np.rint(t_s * 1e6)
        samples["travel_counts"] = self._travel_counts(height_mm, pressed_n)
        counts = self._filtered(self._bridge_counts(t_s, pressed_n + standing_n))
        counts = np.rint(counts + rig.noise_counts * self._noise.standard_normal(len(t_s)))
        clipped = np.clip(counts, ADC_MIN_COUNTS, ADC_MAX_COUNTS)
        samples["load_counts"] = clipped
        samples["flags"][(clipped <= ADC_MIN_COUNTS) | (clipped >= ADC_MAX_COUNTS)] = (
            SampleFlag.LOAD_SATURATED
        )
        self.next_seq += len(t_s)
        return samples

    def _travel_counts(
        self, height_mm: NDArray[np.float64], pressed_n: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        step = self.rig.travel_step_counts
        counts = self.rig.travel_mm(height_mm, pressed_n) * self.rig.travel_counts_per_mm
        return step * np.floor(counts / step + 0.5)

    def _bridge_counts(
        self, t_s: NDArray[np.float64], load_n: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        rig = self.rig
        creep_n = recur(np.full(len(t_s), 1.0 / (rig.rate_hz * rig.creep_s)), load_n, self._creep_n)
        if len(creep_n) > 0:
            self._creep_n = float(creep_n[-1])
        hum_n = rig.hum_n * np.sin(2.0 * np.pi * rig.hum_hz * t_s)
        extra_n = rig.creep_fraction * creep_n + rig.drift_n(t_s) + hum_n
        return rig.cell_counts(load_n) + rig.counts_per_n * extra_n

    def _filtered(self, counts: NDArray[np.float64]) -> NDArray[np.float64]:
        """Average over the filter's length, by the trapezoid rule between conversions."""
        length = self.rig.filter_conversions
        if len(counts) == 0 or length == 0:
            return counts
        if self._history is None:
            self._history = np.full(length, counts[0])
        weights = np.ones(length + 1)
        weights[[0, -1]] = 0.5
        path = np.concatenate([self._history, counts])
        self._history = path[-length:]
        return np.convolve(path, weights / length, mode="valid")
