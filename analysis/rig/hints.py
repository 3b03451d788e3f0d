"""What is wrong with a running rig, told once as it begins. Pure."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from coilbench.analysis.rig.findings import (
    Finding,
    fault_findings,
    load_findings,
    rate_finding,
)
from coilbench.analysis.rig.health import rate_hz
from coilbench.analysis.rig.press import running_finding
from coilbench.capture.blocks import RAW_DTYPE, RawBlock
from coilbench.capture.calibration.model import Calibration
from coilbench.capture.messages import Fault, Item, Restarted

SPAN_S = 5.0  # everything is judged from so much of the newest samples
LEAST_RATE_SPAN_S = 2.0  # less shows no rate


class Hints:
    """Follows what a source brings.

    Args:
        nominal_hz: samples a second as the rig says.
        calibration: the one in force; None judges raw counts.
    """

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
                self._newest = self._newest[:0]  # the clock begins anew
            elif isinstance(item, Fault):
                self._standing[item.code] = item.standing
            elif isinstance(item, RawBlock):
                self._newest = np.concatenate([self._newest, item.samples])
        t_us = self._newest["t_us"]
        if t_us.size:
            self._newest = self._newest[t_us >= t_us[-1] - SPAN_S * 1e6]

    def news(self) -> list[Finding]:
        """Return what is wrong now and was not at the last look."""
        found = {finding.what: finding for finding in self._now()}
        kinds = {finding.kind for finding in found.values()}
        news = [finding for finding in found.values() if finding.kind not in self._told]
        self._told = kinds
        return news

    def _now(self) -> list[Finding]:
        findings = fault_findings([code for code, stands in self._standing.items() if stands])
        findings += load_findings(self._newest)
        backwards = running_finding(self._newest, self._calibration)
        return findings + [f for f in (self._slow(), backwards) if f is not None]

    def _slow(self) -> Finding | None:
        t_us = self._newest["t_us"]
        if t_us.size == 0 or t_us[-1] - t_us[0] < LEAST_RATE_SPAN_S * 1e6:
            return None
        return rate_finding(self._nominal_hz, rate_hz(self._newest))
