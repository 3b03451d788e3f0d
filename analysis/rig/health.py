"""A rig's health from its samples: its figures, what is wrong, which way its wires go. Pure.

Travel counts are positive down; a cell is wired right when its counts grow with the load. Each
limit is common practice, no source, with its reason beside it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import NamedTuple

import msgspec
import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from coilbench.analysis.rig.check import running_min
from coilbench.capture.blocks import (
    RAW_DTYPE,
    Fault,
    Finding,
    Item,
    RawBlock,
    Restarted,
    SampleFlag,
    Tally,
    usable_of,
)
from coilbench.capture.calibration.model import Calibration
from coilbench.capture.calibration.polynomial import PolynomialFit, slope
from coilbench.capture.calibration.regression import fit_polynomial
from coilbench.capture.calibration.statistics import noise_sd

RATE_TOLERANCE = 0.25  # chips run at 11 and 93 samples a second where the data sheet says 10 and 80
LOST_SHARE = 0.001  # a sound cable loses nothing
SUSPECT_SHARE = 0.01  # a torn word now and then is left out; more of them is a fault
SETTLING_SAMPLES = 8  # marked suspect at a start, while the filter fills: no fault
DISTURBED_RATIO = 5.0  # noise is as large from one sample to the next as over all
NOISY_COUNTS = 1000.0  # some 25 times what the HX711's data sheet leads one to expect
DRIFT_COUNTS = 2000.0  # in DRIFT_S; about half a newton on a 150 kg cell
DRIFT_S = 10.0
DRIFT_SDS = 3.0  # beyond chance
GAP_S = 1.0  # ten conversions of the slower rate
SPAN_S = 5.0  # a running rig is judged from so much of the newest samples
LEAST_RATE_SPAN_S = 2.0  # less shows no rate
# Common practice, no source: a movement that no noise or trembling hand makes.
MOVED_SDS = 20.0  # of the load's noise
MOVED_COUNTS = 50.0  # of the travel, where a count's length is not known
MOVED_MM = 0.5
CLEAR_CORRELATION = 0.7  # load and travel together, over some seconds of a press
ALIKE_SAMPLES = 4  # an HX711's filter settles over four conversions, by its data sheet
LEAST_SAMPLES = 20  # fewer show neither noise nor a constant reading


class Heard(msgspec.Struct, frozen=True):
    """What came from a rig that was left alone.

    Attributes:
        samples: shape (n,), RAW_DTYPE, of one start, the settling ones left out.
        um_per_count: nominal travel of a count, where told.
        impossible_steps: of the encoder, by the rig's own count.
        faults: codes of the faults that stood at any time meanwhile.
        tally: the newest of that start; None where none came.
    """

    samples: NDArray[np.void]
    nominal_hz: float
    um_per_count: float | None = None
    has_travel: bool = True
    samples_lost: int = 0
    lines_bad: int = 0
    restarts: int = 0
    impossible_steps: int = 0
    faults: tuple[int, ...] = ()
    tally: Tally | None = None


class Health(msgspec.Struct, frozen=True):
    """The figures; None where they cannot be determined.

    Attributes:
        rate_hz: by the rig's own clock, lost samples counted in.
        noise_counts, noise_n: standard deviation of one sample, drift taken out; N where the
            load is calibrated.
        drift_counts, drift_n: how far the load moved in DRIFT_S, by a straight line.
        rest_counts: median load counts; None where nothing usable came or it did not rest.
        rest_u_counts: its u (k = 1), by noise. drift_u_counts: U (k = 2) of drift_counts.
        load_codes: how many different load codes came.
        travel_noise_counts, travel_noise_um: standard deviation of the travel.
        disturbed: load or travel moved, as no noise does.
        pressed: a press was judged, too.
        running_min: as `drift.running_min` reckons it; None where no tally came.
    """

    samples: int
    longest_gap_s: float
    disturbed: bool
    seconds: float
    nominal_hz: float
    rate_hz: float | None
    noise_counts: float | None
    noise_n: float | None
    drift_counts: float | None
    drift_n: float | None
    drift_u_counts: float | None
    rest_counts: float | None
    rest_u_counts: float | None
    load_codes: int
    travel_noise_counts: float | None
    travel_noise_um: float | None
    saturated: int
    suspect: int
    travel_absent: int
    samples_lost: int
    lines_bad: int
    restarts: int
    impossible_steps: int
    findings: tuple[Finding, ...]
    pressed: bool = False
    running_min: float | None = None


class _Line(NamedTuple):
    """A line through the load counts over time: scatter, slope, its u, their median's u, k = 1."""

    sd_counts: float
    per_s: float
    u_per_s: float
    median_u: float


def judge_health(heard: Heard, calibration: Calibration | None = None) -> Health:
    """Work out a resting rig's figures and say what is wrong with it."""
    samples, flags = heard.samples, heard.samples["flags"]
    usable = samples[(flags & (SampleFlag.LOAD_SATURATED | SampleFlag.LOAD_SUSPECT)) == 0]
    seen = samples[(flags & SampleFlag.TRAVEL_ABSENT) == 0]
    line = _load_line(usable)
    travel_counts = per_count_n = None
    if heard.has_travel and seen.size >= LEAST_SAMPLES:
        travel_counts = float(seen["travel_counts"].std(ddof=1))
    if calibration is not None and usable.size:
        per_count_n = float(slope(calibration.load, float(np.median(usable["load_counts"]))))
    noise_counts = None if line is None else line.sd_counts
    drift_counts = None if line is None else line.per_s * DRIFT_S
    noise_n = _product(noise_counts, per_count_n)
    steps_us, rate_hz, tally = np.diff(samples["t_us"]), _rate_hz(samples), heard.tally
    health = Health(
        samples=int(samples.size),
        longest_gap_s=float(steps_us.max()) * 1e-6 if steps_us.size else 0.0,
        disturbed=_disturbed(usable, seen, line, heard.um_per_count),
        seconds=_seconds(samples),
        nominal_hz=heard.nominal_hz,
        rate_hz=rate_hz,
        noise_counts=noise_counts,
        noise_n=None if noise_n is None else abs(noise_n),
        drift_counts=drift_counts,
        drift_n=_product(drift_counts, per_count_n),
        drift_u_counts=None if line is None else 2.0 * line.u_per_s * DRIFT_S,
        rest_u_counts=None if line is None else line.median_u,
        rest_counts=_rest_counts(usable, seen, line, heard),
        load_codes=int(np.unique(samples["load_counts"]).size),
        travel_noise_counts=travel_counts,
        travel_noise_um=_product(travel_counts, heard.um_per_count),
        saturated=_flagged(flags, SampleFlag.LOAD_SATURATED),
        suspect=_flagged(flags, SampleFlag.LOAD_SUSPECT),
        travel_absent=_flagged(flags, SampleFlag.TRAVEL_ABSENT) if heard.has_travel else 0,
        samples_lost=heard.samples_lost,
        lines_bad=heard.lines_bad,
        restarts=heard.restarts,
        impossible_steps=heard.impossible_steps,
        findings=(),
        running_min=None if tally is None else running_min(tally.t_us, tally.offered, rate_hz),
    )
    return replace(health, findings=tuple(_findings(heard, health, line)))


def _rest_counts(
    usable: NDArray[np.void], seen: NDArray[np.void], line: _Line | None, heard: Heard
) -> float | None:
    if line is None or _disturbed(usable, seen, line, heard.um_per_count):
        return None
    return float(np.median(usable["load_counts"]))


def _findings(heard: Heard, health: Health, line: _Line | None) -> Iterator[Finding]:
    yield from (Finding.of("fault", code=code) for code in heard.faults)
    yield from _link_findings(
        health.samples, health.samples_lost, health.lines_bad, health.restarts
    )
    if health.samples >= LEAST_SAMPLES:
        yield from _rate_findings(health.nominal_hz, health.rate_hz)
    if health.longest_gap_s > GAP_S:
        yield Finding.of("gap", gap_s=health.longest_gap_s)
    yield from _load_findings(heard.samples)
    if health.disturbed:
        yield Finding("disturbed")
    elif line is not None:
        yield from _noise_findings(line.sd_counts, line.per_s * DRIFT_S, line.u_per_s * DRIFT_S)
    if health.impossible_steps:
        yield Finding.of("encoder", cause="steps", steps=health.impossible_steps)
    if health.travel_absent:
        yield Finding.of("no_travel", absent=health.travel_absent, samples=health.samples)


def _link_findings(samples: int, lost: int, lines_bad: int, restarts: int) -> Iterator[Finding]:
    whole = samples + lost
    if samples < LEAST_SAMPLES:
        yield Finding.of("silent", samples=samples)
    if lost > LOST_SHARE * whole:
        yield Finding.of("lost", lost=lost, samples=whole)
    if lines_bad > LOST_SHARE * whole:
        yield Finding.of("bad_lines", lines=lines_bad)
    if restarts:
        yield Finding.of("restarts", restarts=restarts)


def _rate_findings(nominal_hz: float, measured_hz: float | None) -> Iterator[Finding]:
    """Yield that a rig is slower or faster than it states, beyond what chips differ by."""
    if measured_hz is None or abs(measured_hz / nominal_hz - 1.0) <= RATE_TOLERANCE:
        return
    cause = "slow" if measured_hz < nominal_hz else "fast"
    yield Finding.of("rate", cause=cause, measured_hz=measured_hz, nominal_hz=nominal_hz)


def _load_findings(samples: NDArray[np.void]) -> Iterator[Finding]:
    """Yield that no cell is behind the amplifier, that it is at its limit, or corrupted words."""
    if samples.size < LEAST_SAMPLES:
        return
    flags, codes = samples["flags"], np.unique(samples["load_counts"])
    saturated = _flagged(flags, SampleFlag.LOAD_SATURATED)
    if saturated == samples.size:
        yield Finding.of("no_cell", cause="at_limit")
        return
    if codes.size == 1:
        yield Finding.of("no_cell", cause="constant", counts=int(codes[0]))
        return
    if saturated:
        yield Finding.of("saturated", flagged=saturated, samples=int(samples.size))
    suspect = _flagged(flags, SampleFlag.LOAD_SUSPECT)
    if suspect > max(SUSPECT_SHARE * samples.size, SETTLING_SAMPLES):
        yield Finding.of("torn_words", flagged=suspect, samples=int(samples.size))


def _noise_findings(
    sd_counts: float, drift_counts: float, drift_u_counts: float
) -> Iterator[Finding]:
    """Yield that a resting load is too unsteady: one sample's noise, or the drift in DRIFT_S."""
    if sd_counts > NOISY_COUNTS:
        yield Finding.of("noise", noise_counts=sd_counts, limit_counts=NOISY_COUNTS)
    if abs(drift_counts) > max(DRIFT_COUNTS, DRIFT_SDS * drift_u_counts):
        yield Finding.of("drift", drift_counts=drift_counts, drift_s=DRIFT_S)


def _flagged(flags: NDArray[np.uint8], flag: SampleFlag) -> int:
    return int(np.count_nonzero(flags & flag))


def _rate_hz(samples: NDArray[np.void]) -> float | None:
    """Samples a second by the rig's clock, lost ones counted in; None of fewer than two."""
    seconds = _seconds(samples)
    return float(samples["seq"][-1] - samples["seq"][0]) / seconds if seconds > 0.0 else None


def _load_line(usable: NDArray[np.void]) -> _Line | None:
    if usable.size < LEAST_SAMPLES:
        return None
    t_s = (usable["t_us"] - usable["t_us"][0]) * 1e-6
    if np.unique(t_s).size < LEAST_SAMPLES:
        return None
    fit = fit_polynomial(t_s, usable["load_counts"].astype(np.float64), 1)
    # a median's u is sd x sqrt(pi / 2 n), for large n: recalled from memory
    median_u = fit.residual_sd * math.sqrt(0.5 * math.pi * min(ALIKE_SAMPLES / usable.size, 1.0))
    return _Line(fit.residual_sd, fit.coefficients[1], math.sqrt(fit.covariance[1][1]), median_u)


def _disturbed(
    usable: NDArray[np.void],
    seen: NDArray[np.void],
    line: _Line | None,
    um_per_count: float | None,
) -> bool:
    """Tell a hand from noise: the load drifts far more than it jumps, or the travel moves."""
    if seen.size and np.ptp(seen["travel_counts"]) > _least_travel_counts(um_per_count):
        return True
    if line is None or line.sd_counts <= NOISY_COUNTS:
        return False
    return line.sd_counts > DISTURBED_RATIO * noise_sd(usable["load_counts"])


def _seconds(samples: NDArray[np.void]) -> float:
    return float(samples["t_us"][-1] - samples["t_us"][0]) * 1e-6 if samples.size else 0.0


def _product(number: float | None, factor: float | None) -> float | None:
    return None if number is None or factor is None else number * factor


class Hints:
    """Follows what a source brings; without a calibration raw counts are judged."""

    def __init__(self, nominal_hz: float, calibration: Calibration | None) -> None:
        self._nominal_hz = nominal_hz
        self._calibration = calibration
        self._newest: NDArray[np.void] = np.empty(0, dtype=RAW_DTYPE)
        self._standing: dict[int, bool] = {}
        self._told: set[str] = set()

    def take(self, items: Sequence[Item]) -> None:
        """Take what came."""
        for item in items:
            if isinstance(item, Restarted):
                self._newest = self._newest[:0]  # the clock starts again
            elif isinstance(item, Fault):
                self._standing[item.code] = item.standing
            elif isinstance(item, RawBlock):
                self._newest = np.concatenate([self._newest, item.samples])
        t_us = self._newest["t_us"]
        if t_us.size:
            self._newest = self._newest[t_us >= t_us[-1] - SPAN_S * 1e6]

    def news(self) -> list[Finding]:
        """Return what is wrong now and was not when asked before."""
        found = list(self._now())
        news = [finding for finding in found if finding.kind not in self._told]
        self._told = {finding.kind for finding in found}
        return news

    def _now(self) -> Iterator[Finding]:
        standing = [code for code, stands in self._standing.items() if stands]
        yield from (Finding.of("fault", code=code) for code in standing)
        yield from _load_findings(self._newest)
        t_us = self._newest["t_us"]
        if t_us.size and t_us[-1] - t_us[0] >= LEAST_RATE_SPAN_S * 1e6:
            yield from _rate_findings(self._nominal_hz, _rate_hz(self._newest))
        backwards = _running_finding(self._newest, self._calibration)
        if backwards is not None:
            yield backwards


class _Rest(NamedTuple):
    """Where a rig stands with nothing done: medians, and the load's noise of one sample."""

    load_counts: float
    load_sd_counts: float
    travel_counts: float


def _at_rest(samples: NDArray[np.void]) -> _Rest | None:
    usable = usable_of(samples)
    if usable.size < LEAST_SAMPLES:
        return None
    return _Rest(
        float(np.median(usable["load_counts"])),
        noise_sd(usable["load_counts"]),
        float(np.median(usable["travel_counts"])),
    )


def _least_travel_counts(um_per_count: float | None) -> float:
    return MOVED_COUNTS if um_per_count is None else MOVED_MM * 1000.0 / um_per_count


class _Moved(NamedTuple):
    """How far load and travel went at the most from rest, signed; 0 where they stayed there."""

    load_counts: float
    travel_counts: float


def _moved(samples: NDArray[np.void], rest: _Rest, um_per_count: float | None) -> _Moved:
    usable = usable_of(samples)
    if usable.size == 0:
        return _Moved(0.0, 0.0)
    steps = (usable[field] - getattr(rest, field) for field in _Moved._fields)
    load, travel = (float(each[np.argmax(np.abs(each))]) for each in steps)
    least_travel = _least_travel_counts(um_per_count)
    return _Moved(
        load if abs(load) > MOVED_SDS * rest.load_sd_counts else 0.0,
        travel if abs(travel) > least_travel else 0.0,
    )


def press_findings(
    heard: Heard, pressed: NDArray[np.void], calibration: Calibration | None = None
) -> list[Finding] | None:
    """Return what is wrong with how a rig responded to a press from its upper stop down.

    Args:
        heard: the rig at rest before; None is returned where it does not show where that is.
        pressed: samples of the press, shape (n,), RAW_DTYPE; raw counts without a calibration.
    """
    rest = _at_rest(heard.samples)
    if rest is None:
        return None
    went = _moved(pressed, rest, heard.um_per_count)
    return _response_findings(went, calibration, has_travel=heard.has_travel)


def _response_findings(
    went: _Moved, calibration: Calibration | None = None, *, has_travel: bool = True
) -> list[Finding]:
    travelled = not has_travel or went.travel_counts != 0.0
    if went.load_counts == 0.0 and not (has_travel and travelled):
        return [Finding("no_press")]
    load_sign, travel_sign = _signs(calibration)
    swapped = "" if calibration is None else "_swapped"
    findings = []
    if not travelled:
        findings.append(Finding.of("encoder", cause="no_response"))
    elif has_travel and went.travel_counts * travel_sign <= 0.0:
        findings.append(Finding.of("backwards", cause=f"encoder{swapped}"))
    if went.load_counts == 0.0:
        findings.append(Finding.of("no_cell", cause="no_response"))
    elif went.load_counts * load_sign <= 0.0:
        findings.append(Finding.of("backwards", cause=f"cell{swapped}"))
    return findings


def _running_finding(samples: NDArray[np.void], calibration: Calibration | None) -> Finding | None:
    """Return from some seconds of samples that the load falls as the quill goes down.

    Which of the two is wired backwards cannot be told from that. None where not both moved
    clearly and together.
    """
    usable = usable_of(samples)
    if usable.size < LEAST_SAMPLES:
        return None
    load, travel = (usable[name].astype(np.float64) for name in _Moved._fields)
    if np.ptp(load) <= MOVED_SDS * noise_sd(load) or np.ptp(travel) <= MOVED_COUNTS:
        return None
    together = float(np.corrcoef(load, travel)[0, 1]) * np.prod(_signs(calibration))
    return Finding.of("backwards", cause="either") if together <= -CLEAR_CORRELATION else None


def _signs(calibration: Calibration | None) -> tuple[float, float]:
    """Which way load and travel counts go as the quill of a sound rig goes down: 1 up, -1 down."""
    if calibration is None:
        return 1.0, 1.0
    return _sign(calibration.load), -_sign(calibration.travel)  # height falls as load rises


def _sign(fit: PolynomialFit) -> float:
    return float(np.sign(slope(fit, 0.5 * (fit.x_min + fit.x_max))))
