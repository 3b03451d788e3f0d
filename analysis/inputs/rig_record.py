"""What is known of the rig: from the book its card and warnings, from the rig what it sends."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray
from sqlite_utils import Database

from coilbench.analysis.rig.card import Card, make_card
from coilbench.analysis.rig.check import PastCheck, days_between, mixed_rigs, trend, warnings
from coilbench.analysis.rig.health import Heard
from coilbench.capture.blocks import (
    RAW_DTYPE,
    Fault,
    Finding,
    Hello,
    Item,
    RawBlock,
    Restarted,
    SampleFlag,
    Tally,
)
from coilbench.capture.book.calibrations import (
    CheckRecord,
    current_calibration,
    mass_checks,
    newest_part,
)
from coilbench.capture.book.rows import utc_now
from coilbench.capture.book.state import good_for_days
from coilbench.capture.calibration.model import PartKind
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.sources.base import Source, SourceEnded

OTHER_KINDS: tuple[PartKind, ...] = ("travel", "flex")
SILENCE_S = 3.0
POLL_S = 0.1
MOST_SETTLING = 8  # samples at a start whose filter has not filled: no fault, and left out


def rig_warnings(db: Database, now_utc: str | None = None) -> tuple[Finding, ...]:
    """Return what speaks against the rig's figures: a failed check, a calibration over its age.

    Args:
        db: the open book.
        now_utc: now, ISO 8601; None asks the clock.
    """
    load = newest_part(db, "load")
    if load is None:
        return ()
    checks = past_checks(mass_checks(db, load.part_id))
    mixed = rigs_mixed(db)
    now_utc = utc_now() if now_utc is None else now_utc
    aged = warnings(load.made_utc, checks, now_utc, good_for_days(db))
    return aged if mixed is None else (mixed, *aged)


def rigs_mixed(db: Database) -> Finding | None:
    """Return that the parts in force were made on different rigs; None where they were not."""
    kinds: tuple[PartKind, ...] = ("load", *OTHER_KINDS)
    parts = {kind: newest_part(db, kind) for kind in kinds}
    return mixed_rigs({kind: part.device_id for kind, part in parts.items() if part is not None})


def calibration_card(db: Database) -> Card:
    """Return the card of the calibration in force.

    Raises:
        CoilbenchError: the load is not calibrated.
    """
    load = newest_part(db, "load")
    if load is None:
        raise CoilbenchError(
            "the rig's load is not calibrated in this book", hint="First: coilbench rig weigh"
        )
    others = [part for kind in OTHER_KINDS if (part := newest_part(db, kind)) is not None]
    records = mass_checks(db, load.part_id)
    checks = past_checks(records)
    complete = any(part.kind == "travel" for part in others)
    return make_card(
        current_calibration(db).calibration_id if complete else None,
        [(part.part_id, part.made_utc, part) for part in (load, *others)],
        utc_now(),
        noise_counts=records[-1].check.load_sd_counts if records else None,
        check=checks[-1] if checks else None,
        trend=trend(checks),
        warnings=rig_warnings(db),
    )


def past_checks(records: tuple[CheckRecord, ...]) -> list[PastCheck]:
    """Return stored checks as the trend and the warnings see them."""
    return [
        PastCheck(
            record.made_utc,
            record.check.mass_kg,
            record.check.gravity_m_s2,
            record.check.error_n,
            record.check.error_u_n,
            record.check.tolerance_n,
            record.check.passed,
        )
        for record in records
    ]


def calibration_state(db: Database, now_utc: str) -> Finding | None:
    """Return how old the rig's calibration and its last check are, and what speaks against it.

    None where the load was never calibrated.
    """
    load = newest_part(db, "load")
    if load is None:
        return None
    checks = mass_checks(db, load.part_id)
    last = checks[-1] if checks else None
    warned = rig_warnings(db, now_utc)
    return Finding.of(
        "calibrated",
        age_days=days_between(load.made_utc, now_utc),
        check_kg=None if last is None else last.check.mass_kg,
        check_passed=None if last is None else last.check.passed,
        check_age_days=None if last is None else days_between(last.made_utc, now_utc),
        warning=warned[0].to_document() if warned else None,
    )


class Listener:
    """Listens to a source piece after piece, by the rig's own clock.

    Args:
        source: open.
        hello: who it is.
        seen: what came while it was asked who it is.
        clock: monotonic, s.
    """

    def __init__(
        self,
        source: Source,
        hello: Hello,
        seen: Sequence[Item] = (),
        *,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._source = source
        self._hello = hello
        self._clock = clock
        self._kept: NDArray[np.void] = np.empty(0, dtype=RAW_DTYPE)
        self._standing: dict[int, bool] = {}
        self._stood: set[int] = set()  # since the present listening began
        self._impossible_steps: int | None = None
        self._restarts = 0
        self._ended = False
        self._take(seen)

    @property
    def ended(self) -> bool:
        """Whether the source is at its end."""
        return self._ended

    def listen(self, seconds: float) -> Heard:
        """Take so many seconds of samples; fewer where the source falls silent or ends."""
        restarts, lines_bad = self._restarts, self._source.counters.lines_bad
        steps = self._impossible_steps
        self._stood = {code for code, stands in self._standing.items() if stands}
        self._fill(round(seconds * 1e6))
        t_us = self._kept["t_us"]
        cut = int(np.searchsorted(t_us, t_us[0] + round(seconds * 1e6))) if t_us.size else 0
        samples, self._kept = self._kept[:cut], self._kept[cut:]
        steps_now = self._impossible_steps
        return Heard(
            samples=_settled(samples),
            nominal_hz=self._hello.rate_hz,
            um_per_count=self._hello.um_per_count,
            has_travel=self._hello.travel != "none",
            samples_lost=int((np.diff(samples["seq"]) - 1).sum()),
            lines_bad=self._source.counters.lines_bad - lines_bad,
            restarts=self._restarts - restarts,
            impossible_steps=0 if steps is None or steps_now is None else steps_now - steps,
            faults=tuple(sorted(self._stood)),
        )

    def _fill(self, least_us: int) -> None:
        heard_s = self._clock()
        while not self._ended and self._span_us() < least_us:
            before = self._kept.size
            try:
                self._take(self._source.poll(POLL_S))
            except SourceEnded:
                self._ended = True
            if self._kept.size != before:
                heard_s = self._clock()
            elif self._clock() - heard_s > SILENCE_S:
                return

    def _span_us(self) -> int:
        t_us = self._kept["t_us"]
        return int(t_us[-1] - t_us[0]) if t_us.size else 0

    def _take(self, items: Sequence[Item]) -> None:
        for item in items:
            match item:
                case RawBlock():
                    self._kept = np.concatenate([self._kept, item.samples])
                case Restarted():
                    self._restarts += 1
                    self._kept = self._kept[:0]  # clock and sequence begin anew
                    self._impossible_steps = None
                case Fault():
                    self._standing[item.code] = item.standing
                    self._stood |= {item.code} if item.standing else set()
                case Tally():
                    self._impossible_steps = item.impossible_steps
                case _:
                    pass


def _settled(samples: NDArray[np.void]) -> NDArray[np.void]:
    """Leave out the first samples after a start, which the rig marks as not settled."""
    suspect = (samples["flags"][:MOST_SETTLING] & SampleFlag.LOAD_SUSPECT) != 0
    return samples[int(np.argmin(np.append(suspect, False))) :]
