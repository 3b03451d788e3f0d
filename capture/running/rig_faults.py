"""The faults that the rig says it has: told once when they come up, and once when they are over."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.blocks import UNUSABLE, Fault, FaultCode, Finding, SampleFlag
from coilbench.capture.running.commands import Event
from coilbench.capture.running.kinds import EventKind

# No usable sample can come while one of these stands.
_SETTLING = (FaultCode.ADC_SILENT, FaultCode.ADC_STUCK, FaultCode.TRAVEL_SILENT)


class RigFaults:
    """Keeps what stands. The rig repeats it each second, and says once that it has cleared."""

    def __init__(self) -> None:
        self._standing: dict[int, int] = {}  # by code: when it was last said, by the rig's clock
        self._no_travel = False

    def forget(self) -> None:
        """The rig restarted: it says again what stands."""
        self._standing.clear()

    @property
    def worst(self) -> Finding | None:
        """The fault for which no sample can come; None where none stands."""
        standing = sorted(self._standing.keys() & set(_SETTLING))
        if standing:
            return Finding.of("rig_fault", code=standing[0])
        return Finding("no_travel") if self._no_travel else None

    def heard(self, fault: Fault) -> list[Event]:
        """Take what the rig says; returns what is new in it."""
        known = fault.code in self._standing
        if not fault.standing:
            return self._over([fault.code] if known else [])
        self._standing[fault.code] = fault.t_us
        return [] if known else [Event.of(EventKind.FAULT, "rig_fault", code=fault.code)]

    def seen(self, samples: NDArray[np.void]) -> list[Event]:
        """Take samples: a usable one that is newer than a fault says that the fault is over.

        The line that says so may be damaged on its way, and comes once.
        """
        self._no_travel = bool(int(samples["flags"][-1]) & SampleFlag.TRAVEL_ABSENT)
        if not self._standing:
            return []
        usable = samples["t_us"][(samples["flags"] & UNUSABLE) == 0]
        newest_us = int(usable[-1]) if usable.size else -1
        said = ((code, self._standing.get(code)) for code in _SETTLING)
        return self._over([code for code, at in said if at is not None and newest_us > at])

    def _over(self, codes: list[int]) -> list[Event]:
        for code in codes:
            del self._standing[code]
        return [Event.of(EventKind.FAULT, "rig_fault_over", code=code) for code in codes]
