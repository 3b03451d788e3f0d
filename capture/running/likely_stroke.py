"""A stroke as it was read, with the typical lag undone, and what it shows by itself. Pure."""

from __future__ import annotations

from copy import copy
from functools import cached_property

from msgspec.structs import replace

from coilbench.capture.blocks import Finding
from coilbench.capture.book.calibrations import CalibrationRecord
from coilbench.capture.calibration.lag import LAGS, Lag, typical_delay_s
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.judging import Purpose, Turn
from coilbench.capture.strokes.shape import Stroke
from coilbench.capture.strokes.stroke_findings import StrokeFinding, spoiling, stroke_findings
from coilbench.capture.strokes.sweep import Origin, Sweep, read_stroke

NEW = "new"  # the id of a stroke that is not in the book
LATER = (2.0, 3.5, 5.0)  # times the typical delay: some converters average over more; ours


class LikelyStroke:
    """A stroke as it was read, with the typical lag undone, and what it shows by itself."""

    def __init__(self, read: Sweep) -> None:
        self.read = read

    @classmethod
    def of(cls, stroke: Stroke, turn: Turn, calibration: CalibrationRecord) -> LikelyStroke:
        """Read a stroke that is not in the book yet."""
        read_with = (calibration.calibration, calibration.calibration_id)
        press, rig = read_stroke(stroke.raw, *read_with, stroke.zero_counts)
        loading, unloading = Branch(press.travel_mm + press.flex_mm, press.load_n).split()
        read = Sweep(
            sweep_id=NEW,
            label=turn.label,
            origin=Origin.RIG,
            loading=loading,
            unloading=unloading,
            load_u_n=0.0,
            load_u_relative=0.0,
            height_u_mm=0.0,
            press=press,
            rig=rig,
            too_fast=press.surely_too_fast,
            works=turn.purpose is Purpose.CONDITIONING,
        )
        return cls(read)

    @cached_property
    def sweep(self) -> Sweep:
        """The stroke with the lag undone."""
        return likely(self.read)

    @cached_property
    def findings(self) -> list[StrokeFinding]:
        """What spoils it; a slip only where a load that comes later does not explain it."""
        found = stroke_findings(self.sweep, spoils=True)
        for times in LATER if any(one.kind == "slipped" for one in found) else ():
            later = {one.kind for one in stroke_findings(likely(self.read, times), spoils=True)}
            if "slipped" not in later:
                return [one for one in found if one.kind != "slipped"]
        return found

    @property
    def spoiling(self) -> list[Finding]:
        """What of it spoils the stroke."""
        return spoiling(self.findings)

    def stored_as(self, sweep_id: str) -> LikelyStroke:
        """Return it under the id that the book gave it, with all that was worked out of it."""
        same = copy(self)
        same.read = _named(self.read, sweep_id)
        if "sweep" in vars(self):
            vars(same)["sweep"] = _named(self.sweep, sweep_id)
        return same


def _named(sweep: Sweep, sweep_id: str) -> Sweep:
    same = replace(sweep, sweep_id=sweep_id)
    vars(same).update(vars(sweep))  # what was worked out, which `replace` forgets
    return same


def likely(sweep: Sweep, times: float = 1.0) -> Sweep:
    """Return a stroke with the lag undone that is typical: the set's check knows it better.

    Args:
        times: as late as that, one of LAGS.
    """
    press = sweep.press
    if press is None or press.t_s.size < 2:
        return sweep
    lag = _typical_lag(press.interval_s)
    height_mm = press.by_lags_mm[LAGS.index(times)]
    loading, unloading = Branch(height_mm, press.load_n).split()
    return replace(sweep, loading=loading, unloading=unloading, lag=lag)


def _typical_lag(step_s: float) -> Lag:
    """The lag that is typical of a converter that gives a sample each step_s, hardly known."""
    delay_s = typical_delay_s(step_s)
    spread_s2 = delay_s**2 / 3.0
    covariance = ((delay_s**2, 0.0), (0.0, spread_s2**2))
    return Lag(delay_s, spread_s2, covariance, known=False)
