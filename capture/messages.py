"""What the rig says beside samples, one frozen dataclass a kind (firmware/PROTOCOL.md)."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

from coilbench.capture.blocks import RawBlock

PROTOCOL_VERSION = 1


class FaultCode(IntEnum):
    """Codes of the fault line."""

    ADC_SILENT = 0x01
    ADC_STUCK = 0x02
    TRAVEL_SILENT = 0x03
    WATCHDOG_RESTART = 0x04


@dataclass(frozen=True)
class Hello:
    """Who the rig is.

    Attributes:
        protocol: version of the wire protocol.
        firmware: name and version.
        device_id: the rig's own id, the same for ever.
        boot_id: this start's id, another at every start.
        rate_hz: nominal samples a second.
        travel: `quadrature`, `caliper`, `potentiometer` or `none`.
        um_per_count: nominal travel of a count, micrometres, where told.
        extra: the other keys as they came.
    """

    protocol: int
    firmware: str
    device_id: str
    boot_id: int
    rate_hz: float
    travel: str
    um_per_count: float | None
    extra: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class Tally:
    """The rig's own counters since its start."""

    boot_id: int
    t_us: int
    offered: int
    dropped: int
    impossible_steps: int
    requests_refused: int


@dataclass(frozen=True)
class Fault:
    """A fault stands or has cleared.

    Attributes:
        code: the number on the wire; a FaultCode where known.
        standing: False when it has cleared.
        count: how often it was raised since the start.
    """

    boot_id: int
    t_us: int
    code: int
    standing: bool
    count: int


@dataclass(frozen=True)
class Answer:
    """The rig's answer to a request."""

    tag: int
    word: str
    ok: bool


@dataclass(frozen=True)
class Restarted:
    """The rig began anew: clock, sequence and an incremental scale's count start from 0."""

    boot_id: int | None


Item = RawBlock | Hello | Tally | Fault | Answer | Restarted


@dataclass(frozen=True)
class LinkCounters:
    """What a source has seen since it was opened; every number only grows.

    bytes_in == bytes_good + bytes_bad + bytes_pending, always.
    """

    bytes_in: int = 0
    bytes_good: int = 0
    bytes_bad: int = 0
    bytes_pending: int = 0
    lines_bad: int = 0
    samples: int = 0
    samples_lost: int = 0
    restarts: int = 0
