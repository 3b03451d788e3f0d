"""What is wrong with a rig, each thing with its cure. Pure.

Every limit is common practice, no source, with its reason beside it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.blocks import SampleFlag
from coilbench.capture.messages import FaultCode

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
LEAST_SAMPLES = 20  # fewer show neither noise nor a stuck code


FAULT_WORDS = {
    FaultCode.ADC_SILENT: (
        "the amplifier makes no conversions",
        "Check its power and the data and clock wires",
    ),
    FaultCode.ADC_STUCK: (
        "the amplifier's data line is stuck low",
        "Look for a short or a loose data wire",
    ),
    FaultCode.TRAVEL_SILENT: (
        "the scale gives no valid reading",
        "Check its wires, its battery and that it is switched on",
    ),
    FaultCode.WATCHDOG_RESTART: (
        "the rig was restarted by its watchdog",
        "If it happens again, check its power and flash the firmware anew",
    ),
}


class Finding(NamedTuple):
    """Something wrong.

    Attributes:
        kind: one word for programs.
        what: a clause without a full stop.
        hint: what to do, an imperative sentence without a full stop.
    """

    kind: str
    what: str
    hint: str


def rate_finding(nominal_hz: float, measured_hz: float | None) -> Finding | None:
    """Say that a rig is slower or faster than it says, beyond what chips differ by."""
    if measured_hz is None or abs(measured_hz / nominal_hz - 1.0) <= RATE_TOLERANCE:
        return None
    slow = measured_hz < nominal_hz
    cause = (
        "Set the HX711's RATE pin high (many boards tie it low, which means 10 a second)"
        if slow
        else "Set the rate in the firmware's configuration to what the amplifier does"
    )
    return Finding(
        "rate",
        f"{measured_hz:.1f} samples a second come where the rig says {nominal_hz:g}",
        cause,
    )


def gap_finding(gap_s: float) -> Finding:
    """Say that no sample came for a while."""
    return Finding(
        "gap",
        f"no sample came for {gap_s:.1f} s",
        "Check the amplifier's supply and wires for a loose contact",
    )


def load_findings(samples: NDArray[np.void]) -> list[Finding]:
    """Say that no cell is behind the amplifier, that it is at its end, or that words come torn."""
    if samples.size < LEAST_SAMPLES:
        return []
    flags, codes = samples["flags"], np.unique(samples["load_counts"])
    saturated = flagged(flags, SampleFlag.LOAD_SATURATED)
    if saturated == samples.size:
        return [
            Finding(
                "no cell",
                "every load reading is at the end of the amplifier's range: no cell is connected, "
                "a wire of it is broken, or it is far overloaded",
                "Take all load off, then check the cell's four wires",
            )
        ]
    if codes.size == 1:
        return [
            Finding(
                "no cell",
                f"the load code never changes ({codes[0]}): the cell does not respond",
                "Check the cell's four wires and the amplifier's supply; a living cell is never "
                "without noise",
            )
        ]
    findings = []
    if saturated:
        findings.append(
            Finding(
                "saturated",
                f"{saturated} of {samples.size} load readings are at the end of the amplifier's "
                "range",
                "Look for a loose wire, or press less hard",
            )
        )
    suspect = flagged(flags, SampleFlag.LOAD_SUSPECT)
    if suspect > max(SUSPECT_SHARE * samples.size, SETTLING_SAMPLES):
        findings.append(
            Finding(
                "torn words",
                f"{suspect} of {samples.size} load readings came torn",
                "Keep the amplifier's wires short and away from the mains",
            )
        )
    return findings


def fault_findings(codes: Sequence[int]) -> list[Finding]:
    """Say which faults the rig itself reports as standing."""
    findings = []
    for code in codes:
        known = code in FAULT_WORDS
        what, hint = (
            FAULT_WORDS[FaultCode(code)]
            if known
            else (f"it reports a fault {code:02X}", "Update coilbench to know it")
        )
        findings.append(Finding("fault", what, hint))
    return findings


def disturbed_finding() -> Finding:
    """Say that something was done to a rig that should have been left alone."""
    return Finding(
        "disturbed",
        "load or travel moved while nothing should have: neither noise nor drift can be told",
        "Keep hands off until asked, then check again; if nobody touched it, look for a loose wire",
    )


def noise_findings(sd_counts: float, drift_counts: float, drift_u_counts: float) -> list[Finding]:
    """Say that a resting load is too unsteady.

    Args:
        sd_counts: standard deviation of one sample.
        drift_counts, drift_u_counts: how far it moved in DRIFT_S, and the standard uncertainty.
    """
    findings = []
    if sd_counts > NOISY_COUNTS:
        findings.append(
            Finding(
                "noise",
                f"the load's noise is {sd_counts:.0f} counts, {NOISY_COUNTS:.0f} is much",
                "Check the cell's wires and shield, and that nothing touches the rig",
            )
        )
    if abs(drift_counts) > max(DRIFT_COUNTS, DRIFT_SDS * drift_u_counts):
        findings.append(
            Finding(
                "drift",
                f"the load drifts by {drift_counts:+.0f} counts in {DRIFT_S:g} s with nothing done",
                "Let the rig warm up for some minutes; keep draught and sun off the cell",
            )
        )
    return findings


def link_findings(samples: int, lost: int, lines_bad: int, restarts: int) -> list[Finding]:
    """Say what was lost or damaged between the rig and here."""
    findings = []
    whole = samples + lost
    if samples < LEAST_SAMPLES:
        findings.append(
            Finding(
                "silent",
                f"only {samples} samples came",
                "Check the amplifier's wires, then press the rig's reset button",
            )
        )
    if lost > LOST_SHARE * whole:
        findings.append(
            Finding(
                "lost",
                f"{lost} of {whole} samples were lost on the way",
                "Try another cable or port, and close what else is busy on this computer",
            )
        )
    if lines_bad > LOST_SHARE * whole:
        findings.append(
            Finding(
                "bad lines",
                f"{lines_bad} lines came damaged",
                "Try another cable or port, and check the baud rate",
            )
        )
    if restarts:
        findings.append(Finding("restarts", f"it restarted {restarts} times", "Check its power"))
    return findings


def travel_findings(samples: int, absent: int, impossible_steps: int) -> list[Finding]:
    """Say what is wrong with the scale."""
    findings = []
    if impossible_steps:
        findings.append(
            Finding(
                "encoder",
                f"the scale made {impossible_steps} impossible steps while at rest",
                "Check its wires and its reading head",
            )
        )
    if absent:
        findings.append(
            Finding(
                "no travel",
                f"{absent} of {samples} samples have no travel reading",
                "Check the scale's wires and battery",
            )
        )
    return findings


def flagged(flags: NDArray[np.uint8], flag: SampleFlag) -> int:
    """Count the samples with a flag."""
    return int(np.count_nonzero(flags & flag))
