"""Which way load and travel go as the quill is pressed down: backwards, right, or not at all. Pure.

The wire has travel counts positive down; a cell is wired right when its counts grow with the load.
A calibration puts both right, so that with one it is the load and the height that must move the
right way.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.blocks import UNUSABLE, Finding
from coilbench.capture.calibration.model import Calibration
from coilbench.capture.calibration.regression import PolynomialFit, slope
from coilbench.capture.calibration.statistics import noise_sd

# Common practice, no source: a movement that no noise or trembling hand makes.
MOVED_SDS = 20.0  # of the load's noise
MOVED_COUNTS = 50.0  # of the travel, where a count's length is not known
MOVED_MM = 0.5
CLEAR_CORRELATION = 0.7  # load and travel together, over some seconds of a press
LEAST_SAMPLES = 20  # fewer show neither noise nor a constant reading


class Rest(NamedTuple):
    """Where a rig stands with nothing done: medians, and the load's noise of one sample."""

    load_counts: float
    load_sd_counts: float
    travel_counts: float


def at_rest(samples: NDArray[np.void]) -> Rest | None:
    """Return where the rig rests; None of fewer than LEAST_SAMPLES usable samples."""
    usable = samples[(samples["flags"] & UNUSABLE) == 0]
    if usable.size < LEAST_SAMPLES:
        return None
    return Rest(
        float(np.median(usable["load_counts"])),
        noise_sd(usable["load_counts"]),
        float(np.median(usable["travel_counts"])),
    )


def least_travel_counts(um_per_count: float | None) -> float:
    """Return the travel, counts, that counts as a movement."""
    return MOVED_COUNTS if um_per_count is None else MOVED_MM * 1000.0 / um_per_count


class Moved(NamedTuple):
    """How far load and travel went at the most from rest, signed; 0 where they stayed there."""

    load_counts: float
    travel_counts: float


def moved(samples: NDArray[np.void], rest: Rest, um_per_count: float | None) -> Moved:
    """Return the farthest that load and travel went from rest."""
    usable = samples[(samples["flags"] & UNUSABLE) == 0]
    if usable.size == 0:
        return Moved(0.0, 0.0)
    load = _farthest(usable["load_counts"] - rest.load_counts)
    travel = _farthest(usable["travel_counts"] - rest.travel_counts)
    least_travel = least_travel_counts(um_per_count)
    return Moved(
        load if abs(load) > MOVED_SDS * rest.load_sd_counts else 0.0,
        travel if abs(travel) > least_travel else 0.0,
    )


def press_findings(
    went: Moved, calibration: Calibration | None = None, *, has_travel: bool = True
) -> list[Finding]:
    """Return what is wrong with how a rig responded to a press from its upper stop down.

    Args:
        went: how far load and travel went.
        calibration: the one in force; None judges the raw counts.
        has_travel: whether the rig has a scale.
    """
    travelled = not has_travel or went.travel_counts != 0.0
    if went.load_counts == 0.0 and not (has_travel and travelled):
        return [Finding("no press")]
    swapped = "" if calibration is None else "_swapped"
    findings = []
    if not travelled:
        findings.append(Finding.of("encoder", cause="no_response"))
    elif has_travel and not _falls(went.travel_counts, calibration):
        findings.append(Finding.of("backwards", cause=f"encoder{swapped}"))
    if went.load_counts == 0.0:
        findings.append(Finding.of("no cell", cause="no_response"))
    elif not _rises(went.load_counts, calibration):
        findings.append(Finding.of("backwards", cause=f"cell{swapped}"))
    return findings


def running_finding(samples: NDArray[np.void], calibration: Calibration | None) -> Finding | None:
    """Return from some seconds of samples that the load falls as the quill goes down.

    Which of the two is wired backwards cannot be told from that. None where not both moved
    clearly and together.
    """
    usable = samples[(samples["flags"] & UNUSABLE) == 0]
    if usable.size < LEAST_SAMPLES:
        return None
    load = usable["load_counts"].astype(np.float64)
    travel = usable["travel_counts"].astype(np.float64)
    still = np.ptp(load) <= MOVED_SDS * noise_sd(usable["load_counts"])
    if still or np.ptp(travel) <= MOVED_COUNTS:
        return None
    together = float(np.corrcoef(load, travel)[0, 1]) * _way(calibration)
    if together > -CLEAR_CORRELATION:
        return None
    return Finding.of("backwards", cause="either")


def _way(calibration: Calibration | None) -> float:
    """Which way load over travel counts goes on a sound rig: 1 up, -1 down."""
    if calibration is None:
        return 1.0
    return -_sign(calibration.load) * _sign(calibration.travel)  # height falls as load rises


def _rises(load_counts: float, calibration: Calibration | None) -> bool:
    return load_counts * (1.0 if calibration is None else _sign(calibration.load)) > 0.0


def _falls(travel_counts: float, calibration: Calibration | None) -> bool:
    return travel_counts * (1.0 if calibration is None else -_sign(calibration.travel)) > 0.0


def _sign(fit: PolynomialFit) -> float:
    return float(np.sign(slope(fit, 0.5 * (fit.x_min + fit.x_max))))


def _farthest(steps: NDArray[np.float64]) -> float:
    return float(steps[np.argmax(np.abs(steps))])
