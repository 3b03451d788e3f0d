"""How well one stroke repeats another, from all springs of a rig that were pressed twice. Pure.

The lag of load behind travel, undone in all sweeps of a set. Pure.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from coilbench.analysis.curves.branches import Array
from coilbench.analysis.curves.lag_fit import (
    TURN_MM,
    estimate_lag,
    height_by_lag,
    is_too_fast,
    no_load_mm,
    usable_samples,
)
from coilbench.analysis.curves.sweep_fit import SweepFit, fit_sweep
from coilbench.analysis.curves.wall import touching_mm
from coilbench.capture.calibration.lag import Lag, Press
from coilbench.capture.strokes.sweep import Branch, StrokeRepeat, Sweep

LOOKS = 12  # heights between both ends of what was measured: a shift shows at all of them
PRESSED_SHARE = 0.2  # of the largest load there: below it the end coils close, above it is air


def seen_repeat(springs: Sequence[Sequence[Sweep]]) -> StrokeRepeat | None:
    """Pool how far the strokes of each spring stand apart, as a shift in height.

    Args:
        springs: the strokes of each spring.

    Returns:
        The pooled standard deviation of one stroke (each spring about its own mean); None where
        no spring was pressed twice.
    """
    squares, freedom = 0.0, 0
    for sweeps in springs:
        shifts = _shifts_mm(sweeps) if len(sweeps) > 1 else np.empty(0)
        if shifts.size > 1:
            squares += float(np.sum((shifts - shifts.mean()) ** 2))
            freedom += shifts.size - 1
    if not freedom:
        return None
    return StrokeRepeat(math.sqrt(squares / freedom), float(freedom), seen=True)


def _shifts_mm(sweeps: Sequence[Sweep]) -> Array:
    """How much higher each stroke pushes than the mean of all, shape (n,) or empty."""
    fits = [fit for sweep in sweeps if (fit := fit_sweep(sweep)) is not None]
    ends = np.array([end for fit in fits if (end := _ends_mm(fit)) is not None])
    if len(ends) < max(len(fits), 2):
        return np.empty(0)
    low, high = float(ends[:, 0].max()), float(ends[:, 1].min())
    heights = low + (high - low) * np.linspace(0.05, 0.95, LOOKS)
    looks = [[fit.look("both", float(height)) for height in heights] for fit in fits]
    loads = np.array([[look.load_n if look else np.nan for look in row] for row in looks])
    slopes = np.array([[look.slope_n_per_mm if look else np.nan for look in row] for row in looks])
    load, slope = loads.mean(axis=0), slopes.mean(axis=0)
    whole = np.isfinite(load) & (slope > 0.0)
    if not whole.any():
        return np.empty(0)
    pressed = whole & (load >= PRESSED_SHARE * load[whole].max())
    return np.asarray(np.mean(((loads - load)[:, pressed] / slope[pressed]), axis=1))


def _ends_mm(fit: SweepFit) -> tuple[float, float] | None:
    """Between which heights both branches were measured."""
    if fit.loading is None or fit.unloading is None:
        return None
    return (
        max(fit.loading.lowest_mm, fit.unloading.lowest_mm),
        min(fit.loading.highest_mm, fit.unloading.highest_mm),
    )


DOUBT = 3.0  # times the lag's uncertainty, where a stroke was over before the filter could follow:
#   its shape then counts, of which delay and spread tell too little. Ours, no source
CONVERTED = ""  # stands for the rig of sweeps that came converted


def undo_lag(sweeps: Mapping[str, Sequence[Sweep]]) -> dict[str, list[Sweep]]:
    """Find the lag of each rig in a set, and undo it in all its sweeps.

    Sweeps that came converted count as one rig more. What made them may have undone its lag
    already: where theirs cannot be told, they stay as they are.

    Args:
        sweeps: a set's, by label; those without a press stay as they are.
    """
    presses: dict[str, dict[str, list[Press]]] = {}
    for label, own in sweeps.items():
        for sweep in own:
            if sweep.press is not None:
                press = replace(sweep.press, touching_mm=touching_mm(sweep.press))
                presses.setdefault(_rig_of(sweep), {}).setdefault(label, []).append(press)
    found = {label: list(own) for label, own in sweeps.items()}
    for rig, by_label in presses.items():
        lag = estimate_lag(list(by_label.values()))
        if rig == CONVERTED and not lag.known:
            continue
        for label, of_spring in by_label.items():
            at_mm = contact_mm(of_spring, lag)
            found[label] = [
                corrected(sweep, replace(sweep.press, contact_mm=at_mm), lag)
                if _is_of(sweep, rig) and sweep.press is not None
                else sweep
                for sweep in found[label]
            ]
        if rig != CONVERTED and any(len(one) == 1 for one in by_label.values()):
            found = _with_repeat(found, rig)
    return found


def _with_repeat(sweeps: Mapping[str, Sequence[Sweep]], rig: str) -> dict[str, list[Sweep]]:
    """Tell all strokes of a rig how well its strokes repeat, where some show it."""
    springs = [[sweep for sweep in own if _is_of(sweep, rig)] for own in sweeps.values()]
    repeat = seen_repeat(springs)

    def told(sweep: Sweep) -> Sweep:
        if repeat is None or sweep.rig is None or not _is_of(sweep, rig):
            return sweep
        return replace(sweep, rig=replace(sweep.rig, repeat=repeat))

    return {label: [told(sweep) for sweep in own] for label, own in sweeps.items()}


def _is_of(sweep: Sweep, rig: str) -> bool:
    return sweep.press is not None and _rig_of(sweep) == rig


def _rig_of(sweep: Sweep) -> str:
    return CONVERTED if sweep.rig is None else sweep.rig.calibration_id


def corrected(sweep: Sweep, press: Press, lag: Lag) -> Sweep:
    """Return the sweep with its branches at the heights that belong to the loads."""
    height = press.height_mm(lag.delay_s, lag.spread_s2)
    by_lag = height_by_lag(press, lag.delay_s, lag.spread_s2)
    loading, unloading = Branch(height, press.load_n, by_lag).split()
    too_fast = is_too_fast(press, lag.delay_s, lag.spread_s2)
    return replace(
        sweep,
        loading=loading,
        unloading=unloading,
        lag=_doubted(lag) if too_fast else lag,
        turned_mm=_turned_mm(press, height, lag),
        too_fast=too_fast,
    )


def _doubted(lag: Lag) -> Lag:
    (a, b), (c, d) = np.multiply(DOUBT**2, lag.covariance).tolist()
    return replace(lag, covariance=((a, b), (c, d)))


def _turned_mm(press: Press, height: Array, lag: Lag) -> float | None:
    """Lowest height on the way up whose whole window lies TURN_MM above the turn."""
    if height.size == 0:
        return None
    turn = int(np.argmin(press.travel_mm))
    up = np.arange(height.size, dtype=np.float64) - turn
    begun_up = press.earlier(up, lag.delay_s, lag.spread_s2) >= 0.0
    begin_mm = press.earlier(press.travel_mm, lag.delay_s, lag.spread_s2)
    clear = np.flatnonzero(begun_up & (begin_mm >= press.travel_mm[turn] + TURN_MM))
    return float(height[clear[0]]) if clear.size else None


def contact_mm(presses: Sequence[Press], lag: Lag) -> float:
    """Return the height at which a spring's straight course comes to no load."""
    known = [replace(press, contact_mm=math.inf) for press in presses]
    for _ in range(2):
        parts = [usable_samples(press, lag.delay_s, lag.spread_s2) for press in known]
        at_mm = no_load_mm(np.concatenate(parts))
        known = [replace(press, contact_mm=at_mm) for press in known]
    return at_mm
