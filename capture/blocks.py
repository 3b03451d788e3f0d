"""The shapes that travel from the rig to the analysis: samples, messages, findings. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from enum import IntEnum, IntFlag
from itertools import groupby
from typing import Any, ClassVar

import msgspec
import numpy as np
from numpy.typing import NDArray

PROTOCOL_VERSION = 1

RAW_DTYPE = np.dtype(
    [
        ("seq", "<i8"),  # sample number since the rig's start, unwrapped: a step above 1 is a loss
        ("t_us", "<i8"),  # the rig's clock, unwrapped, microseconds
        ("load_counts", "<i4"),
        ("travel_counts", "<i4"),  # positive is down
        ("flags", "u1"),
    ]
)

LOAD_DTYPE = np.dtype(
    [
        ("t_s", "<f8"),
        ("load_n", "<f8"),
        ("height_mm", "<f8"),
        ("flags", "u1"),
    ]
)


class SampleFlag(IntFlag):
    """Bits of a sample's flag field, as on the wire (firmware/PROTOCOL.md)."""

    LOAD_SATURATED = 0x01
    LOAD_SUSPECT = 0x02
    TRAVEL_SUSPECT = 0x04
    TRAVEL_ABSENT = 0x08
    ACCEPT_PRESSED = 0x10
    REDO_PRESSED = 0x20
    FAULT_LATCHED = 0x40
    QUEUE_OVERRUN = 0x80


# A plain number: NumPy asks an enum for what it may be, which takes longer than the rest.
UNUSABLE = int(SampleFlag.LOAD_SATURATED | SampleFlag.LOAD_SUSPECT | SampleFlag.TRAVEL_ABSENT)


def usable_rows(samples: NDArray[np.void]) -> NDArray[np.bool_] | slice:
    """Return which samples, shape (n,), have a load and a travel that can be used.

    As a rule all have, and what is taken by a slice is not copied.

    Args:
        samples: dtype RAW_DTYPE or LOAD_DTYPE.
    """
    flags = samples["flags"].tobytes()
    if flags.count(0) == len(flags):  # sooner found than by an array
        return slice(None)
    bad = samples["flags"] & UNUSABLE
    return bad == 0 if np.count_nonzero(bad) else slice(None)


def usable_of(samples: NDArray[np.void]) -> NDArray[np.void]:
    """Return the samples of which load and travel can be used; see usable_rows."""
    return samples[usable_rows(samples)]


class RawBlock(msgspec.Struct, frozen=True):
    """Raw samples in order, all from one start of the rig.

    Attributes:
        samples: shape (n,), dtype RAW_DTYPE.
        boot_id: which start of the rig they belong to; None where the source cannot tell.
    """

    samples: NDArray[np.void]
    boot_id: int | None = None

    def __len__(self) -> int:
        return int(self.samples.shape[0])


class LoadBlock(msgspec.Struct, frozen=True):
    """Calibrated samples.

    Attributes:
        samples: shape (n,), dtype LOAD_DTYPE; t_s counts from the first sample's clock.
    """

    samples: NDArray[np.void]

    def __len__(self) -> int:
        return int(self.samples.shape[0])


class FaultCode(IntEnum):
    """Codes of the fault line."""

    ADC_SILENT = 0x01
    ADC_STUCK = 0x02
    TRAVEL_SILENT = 0x03
    WATCHDOG_RESTART = 0x04


class Hello(msgspec.Struct, frozen=True):
    """Who the rig is.

    Attributes:
        device_id: the rig's own id, which never changes.
        rate_hz: nominal samples a second.
        travel: `quadrature`, `caliper`, `potentiometer` or `none`.
        um_per_count: nominal travel of a count, micrometres, where told.
    """

    protocol: int
    firmware: str
    device_id: str
    boot_id: int
    rate_hz: float
    travel: str
    um_per_count: float | None
    extra: tuple[tuple[str, str], ...] = ()

    @property
    def mm_per_count(self) -> float | None:
        """Height over counts by the nominal step, negative: counts rise as the height falls."""
        return None if self.um_per_count is None else -1e-3 * self.um_per_count


class Tally(msgspec.Struct, frozen=True):
    """The rig's own counters since its start."""

    boot_id: int
    t_us: int
    offered: int
    dropped: int
    impossible_steps: int
    requests_refused: int


class Fault(msgspec.Struct, frozen=True):
    """A fault stands or has cleared."""

    boot_id: int
    t_us: int
    code: int  # the number on the wire; a FaultCode where known
    standing: bool  # False when it has cleared
    count: int  # how often it was raised since the start


class Answer(msgspec.Struct, frozen=True):
    """The rig's answer to a request."""

    tag: int
    word: str
    ok: bool


class Restarted(msgspec.Struct, frozen=True):
    """The rig restarted: clock, sequence and an incremental scale's count start from 0."""

    boot_id: int | None


Item = RawBlock | Hello | Tally | Fault | Answer | Restarted


def samples_joined(parts: Iterable[NDArray[np.void]]) -> NDArray[np.void]:
    """Put samples, dtype RAW_DTYPE, behind each other, not to be written to.

    np.concatenate takes twenty times as long for such records.
    """
    return np.frombuffer(b"".join([part.tobytes() for part in parts]), RAW_DTYPE)


def blocks_joined(items: Iterable[Item]) -> list[Item]:
    """Return items with blocks of one start of the rig that follow each other made one."""
    joined: list[Item] = []
    for _, run in groupby(items, lambda one: (one.boot_id,) if isinstance(one, RawBlock) else None):
        some = [*run]
        blocks = [one for one in some if isinstance(one, RawBlock)]
        if len(blocks) > 1:
            some = [RawBlock(samples_joined(one.samples for one in blocks), blocks[0].boot_id)]
        joined += some
    return joined


class LinkCounters(msgspec.Struct, frozen=True):
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


class Finding(msgspec.Struct, frozen=True):
    """What was found or what happened, as data; `analysis/report` describes it in a sentence.

    Attributes:
        kind: which of the report's phrases describes it.
        facts: JSON values by name: names, and numbers in N, mm, kg, s, with the unit at the end of
            the name; may hold the document of a finding or a list of them. In a document they are
            keys beside the kind.
    """

    in_json: ClassVar = {"facts": "*"}
    kind: str
    facts: Mapping[str, Any] = msgspec.field(default_factory=dict)

    @classmethod
    def of(cls, kind: str, **facts: Any) -> Finding:
        """Return a finding with these facts."""
        return cls(kind, facts)

    def __getitem__(self, name: str) -> Any:
        return self.facts[name]

    def to_document(self) -> dict[str, Any]:
        """Return it as plain values for JSON."""
        return {"kind": self.kind, **self.facts}

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> Finding:
        """Return the finding that to_document wrote; KeyError where it has no kind."""
        facts = dict(document)
        return cls(str(facts.pop("kind")), facts)
