"""The lag of load behind travel, removed from the strokes of a set. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from coilbench.analysis.curves.lag_fit import Looked, estimate_lag
from coilbench.analysis.curves.passes import fit_sweeps
from coilbench.analysis.curves.sweep_fit import TURN_MM
from coilbench.analysis.curves.wall import touching_mm
from coilbench.capture.calibration.lag import Lag, Press, Presses
from coilbench.capture.strokes.bins import Array
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import StrokeRepeat, Sweep

LOOKS = 12  # heights between both ends of what was measured: a shift shows at all of them
PRESSED_SHARE = 0.2  # of the largest load there: below it the end coils close, above it is air


def _seen_repeat(springs: Sequence[Sequence[Sweep]]) -> StrokeRepeat | None:
    """Pool how far the strokes of each spring stand apart, as a shift in height.

    That is the standard deviation of one stroke, each spring about its own mean; None where no
    spring was pressed twice.
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
    fits = [fit for fit in fit_sweeps(sweeps) if fit is not None]
    ways = [way for fit in fits for way in fit.fits("both") if way is not None]
    if len(ways) < 2 * max(len(fits), 2):
        return np.empty(0)
    low, high = max(way.lowest_mm for way in ways), min(way.highest_mm for way in ways)
    heights = low + (high - low) * np.linspace(0.05, 0.95, LOOKS)
    readings = [[fit.read("both", float(height)) for height in heights] for fit in fits]
    loads = np.array(
        [[reading.load_n if reading else np.nan for reading in row] for row in readings]
    )
    slopes = np.array(
        [[reading.slope_n_per_mm if reading else np.nan for reading in row] for row in readings]
    )
    load, slope = loads.mean(axis=0), slopes.mean(axis=0)
    whole = np.isfinite(load) & (slope > 0.0)
    if not whole.any():
        return np.empty(0)
    pressed = whole & (load >= PRESSED_SHARE * load[whole].max())
    return np.asarray(np.mean(((loads - load)[:, pressed] / slope[pressed]), axis=1))


DOUBT = 3.0  # times the lag's uncertainty, where a stroke was over before the filter could follow:
#   its shape then counts, of which delay and spread tell too little. Ours, no source
CONVERTED = ""  # stands for the rig of sweeps that came converted


def undo_lag(sweeps: Mapping[str, Sequence[Sweep]]) -> dict[str, list[Sweep]]:
    """Find the lag of each rig in a set, {label: sweeps}, and undo it in all its sweeps.

    Sweeps that came converted count as one rig more. What made them may have undone its lag
    already: where theirs cannot be told, they stay as they are, as do those without two samples.
    """
    rigs: dict[str, list[_Stroke]] = {}
    for label, own in sweeps.items():
        for at, sweep in enumerate(own):
            if sweep.press is not None and sweep.press.t_s.size > 1:
                rig = CONVERTED if sweep.rig is None else sweep.rig.calibration_id
                rigs.setdefault(rig, []).append(_Stroke(label, at, sweep, sweep.press))
    found = {label: list(own) for label, own in sweeps.items()}
    for rig, strokes in rigs.items():
        for label, at, sweep, _ in _undone(strokes, converted=rig == CONVERTED):
            found[label][at] = sweep
    return found


class _Stroke(NamedTuple):
    label: str
    at: int  # which of its spring's sweeps it is
    sweep: Sweep
    press: Press


def _undone(strokes: list[_Stroke], *, converted: bool) -> list[_Stroke]:
    """Undo the lag of one rig, and tell a stroke alone how well the others' strokes repeat."""
    presses: dict[str, list[Press]] = {}
    touching = touching_mm([one.press for one in strokes])
    for one, at_mm in zip(strokes, touching, strict=True):
        presses.setdefault(one.label, []).append(replace(one.press, touching_mm=at_mm))
    springs = list(presses.values())
    lag = estimate_lag(springs)
    if converted and not lag.known:
        return strokes
    of = [at for at, own in enumerate(springs) for _ in own]
    looked = Looked.of([press for own in springs for press in own], of)
    pressed = looked.from_contact(looked.contacts_mm(lag)).presses
    sweeps = _corrected(strokes, pressed, lag)
    if not converted and any(len(own) == 1 for own in springs):
        sweeps = _with_repeat([one.label for one in strokes], sweeps)
    return [one._replace(sweep=sweep) for one, sweep in zip(strokes, sweeps, strict=True)]


def _with_repeat(labels: list[str], sweeps: list[Sweep]) -> list[Sweep]:
    own = [
        [one for one, of in zip(sweeps, labels, strict=True) if of == label]
        for label in dict.fromkeys(labels)
    ]
    repeat = _seen_repeat(own)
    if repeat is None:
        return sweeps
    return [
        each if each.rig is None else replace(each, rig=replace(each.rig, repeat=repeat))
        for each in sweeps
    ]


def _corrected(strokes: Sequence[_Stroke], presses: Presses, lag: Lag) -> list[Sweep]:
    """Return the sweeps with their branches at the heights that belong to the loads."""
    height = presses.heights_mm((lag.delay_s,), (lag.spread_s2,))[0]
    by_lag = presses.by_lag(lag.delay_s, lag.spread_s2, height)
    doubted = lag.doubted(DOUBT)
    clear = _clear_of_turn(presses, lag)
    found = []
    for one, own in zip(strokes, presses.rows.slices, strict=True):
        loading, unloading = Branch(height[own], presses.load_n[own], by_lag[own]).split()
        too_fast = one.press.too_fast(lag.delay_s, lag.spread_s2)
        at = np.flatnonzero(clear[own])
        found.append(
            replace(
                one.sweep,
                loading=loading,
                unloading=unloading,
                lag=doubted if too_fast else lag,
                turned_mm=float(height[own][at[0]]) if at.size else None,
                too_fast=too_fast,
            )
        )
    return found


def _clear_of_turn(presses: Presses, lag: Lag) -> NDArray[np.bool_]:
    """Which samples on the way up have their whole window TURN_MM above the turn, shape (n,)."""
    rows, travel = presses.rows, presses.travel_mm
    turn = rows.lowest(travel)
    up = np.arange(travel.size, dtype=np.float64) - turn[rows.stroke]
    begun_up, begin_mm = (presses.earlier(x, lag.delay_s, lag.spread_s2) for x in (up, travel))
    return np.asarray((begun_up >= 0.0) & (begin_mm >= (travel[turn] + TURN_MM)[rows.stroke]))
