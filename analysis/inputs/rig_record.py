"""What is known of the rig: from the book its card and warnings, from the rig what it sends."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from itertools import compress
from pathlib import Path

import msgspec
import numpy as np
from msgspec.structs import asdict, replace
from numpy.typing import NDArray

from coilbench.analysis.curves.load_budget import typical_budget
from coilbench.analysis.inputs.rig_warnings import other_parts, past_checks, rig_warnings
from coilbench.analysis.rig.card import Card
from coilbench.analysis.rig.check import (
    MassReading,
    MassVerdict,
    PastCheck,
    Trend,
    ZeroDrift,
    days_between,
    gravity_of,
    judge_mass,
    judge_zeros,
    moves,
)
from coilbench.analysis.rig.health import Health, Heard, judge_health, press_findings
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
    NewCheck,
    PartRecord,
    current_calibration,
    mass_checks,
    newest_part,
)
from coilbench.capture.book.connection import Database
from coilbench.capture.book.gains import Gains
from coilbench.capture.book.in_force import InForce
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.ratings import Ratings
from coilbench.capture.book.rests import rests_beside
from coilbench.capture.book.rows import utc_now
from coilbench.capture.book.scales import part_points
from coilbench.capture.book.zeros import keep_zero, rest_zeros, session_zeros
from coilbench.capture.calibration.model import Calibration
from coilbench.capture.calibration.polynomial import slope
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.running.guided import SILENCE_S
from coilbench.capture.sources.base import Source, SourceEnded

POLL_S = 0.1
PRESS_S = 20.0
PIECE_S = 0.5
MOST_SETTLING = 8  # samples at a start whose filter has not filled: no fault, and left out


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
    others = other_parts(db)
    records = mass_checks(db, load.part_id)
    checks = past_checks(records)
    complete = any(part.kind == "travel" for part in others)
    whole = current_calibration(db) if complete else None
    zeros = session_zeros(db)
    told = Ratings.of_book(db)
    holds = InForce.of(db)
    of_sets, kept = rests_beside(db, told.rests_n)
    card = Card.of(
        None if whole is None else whole.calibration_id,
        [
            (part.part_id, part.made_utc, replace(part, points=part_points(db, part.part_id)))
            for part in (load, *others)
        ],
        utc_now(),
        noise_counts=records[-1].check.load_sd_counts if records else None,
        budget=None
        if whole is None
        else typical_budget(
            whole.calibration,
            rests_n=told.rests_n,
            gain_u_relative=Gains(db).u_relative(whole.calibration_id, utc_now(), 0.0),
        ),
        check=checks[-1] if checks else None,
        trend=Trend.of(checks),
        warnings=rig_warnings(db),
        zeros=moves(zeros, float(slope(load.fit, zeros[0].counts))) if zeros else (),
    )
    return replace(
        card,
        rests_n=told.rests_n,
        rests_of_sets=of_sets,
        kept_rests=kept,
        cups_meet_mm=told.cups_meet_mm,
        other_rigs=holds.others,
        calibrated_here=holds.here,
    )


def calibration_if_any(path: Path, device_id: str) -> Calibration | None:
    """Return the calibration in force on a rig; None where there is no book or none in it."""
    if not path.exists():
        return None
    with open_book(path) as db:
        try:
            return current_calibration(db, device_id).calibration
        except CoilbenchError:
            return None  # counts are still worth looking at


class CheckHistory(msgspec.Struct, frozen=True):
    """The checks with a weight, oldest first, in the book and as the trend sees them.

    Attributes:
        current: whether each counts for the load calibration in force; the trend is of those.
    """

    records: tuple[CheckRecord, ...]
    past: tuple[PastCheck, ...]
    current: tuple[bool, ...]
    trend: Trend | None
    warnings: tuple[Finding, ...]


def check_history(db: Database, device_id: str | None = None) -> CheckHistory:
    """Return every check in the book; the trend is of a rig, None for the one in force."""
    part, records = newest_part(db, "load", device_id), mass_checks(db)
    past = past_checks(records)
    current = [
        one.counts and part is not None and one.check.load_part_id == part.part_id
        for one in records
    ]
    goes = Trend.of([*compress(past, current)])
    return CheckHistory(records, past, tuple(current), goes, rig_warnings(db))


def judge_check(
    db: Database,
    part: PartRecord,
    device_id: str,
    reading: MassReading,
    mass_u_relative: float,
    tolerance_n: float | None,
) -> tuple[CheckRecord, MassVerdict]:
    """Judge a check weight by the load calibration in force, and keep that in the book.

    Raises:
        CoilbenchError: as judge_mass.
    """
    gravity_m_s2 = gravity_of(part)
    verdict = judge_mass(
        part.fit,
        reading,
        gravity_m_s2=gravity_m_s2,
        mass_u_relative=mass_u_relative,
        tolerance_n=tolerance_n,
    )
    known = {"load_part_id": part.part_id, "device_id": device_id, "gravity_m_s2": gravity_m_s2}
    found = asdict(reading) | asdict(verdict) | known | {"passed": verdict.passed}
    check = NewCheck(**{name: found[name] for name in NewCheck.__struct_fields__})
    return check.store(db), verdict


def calibration_state(db: Database, now_utc: str) -> Finding | None:
    """Return how old the rig's calibration and its last check are, and the warnings on it.

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


def zero_drift(path: Path, hello: Hello, health: Health) -> ZeroDrift | None:
    """Keep a resting rig's zero in the book, and say how it goes since the first after a pause.

    None where there is no book, no calibration that makes a load of it, or the rig did not rest.
    """
    if health.rest_counts is None or not path.exists():
        return None
    with open_book(path) as db:
        load = newest_part(db, "load", hello.device_id)
        if load is None:
            return None
        keep_zero(db, hello.device_id, health.rest_counts)
        zeros = rest_zeros(db, hello.device_id)
        per_count_n = float(slope(load.fit, health.rest_counts))
        u_n = abs(per_count_n) * (health.rest_u_counts or 0.0)
        return judge_zeros(zeros, per_count_n, health.running_min, u_n)


def check_rig(
    listener: Listener,
    seconds: float,
    calibration: Calibration | None,
    ask_press: Callable[[], None] | None,
) -> Health:
    """Judge an open rig's health at rest and, where it can be, its response to a press.

    Args:
        listener: at the rig.
        seconds: how long to listen to the resting rig, by its own clock.
        calibration: the one in force; None judges raw counts.
        ask_press: asks the person for a press; None leaves that out.
    """
    heard = listener.listen(seconds)
    health = judge_health(heard, calibration)
    pieces = [heard.samples[:0]]
    found = press_findings(heard, pieces[0], calibration)
    if ask_press is None or health.disturbed or listener.ended or found is None:
        return health  # where it rests is not known
    ask_press()
    for _ in range(round(PRESS_S / PIECE_S)):
        pieces.append(listener.listen(PIECE_S).samples)
        found = press_findings(heard, np.concatenate(pieces), calibration) or []
        responded = all(finding.kind == "backwards" for finding in found)
        if responded or listener.ended or pieces[-1].size == 0:
            break
    return replace(health, findings=(*health.findings, *found), pressed=True)


class Listener:
    """Listens to a source piece after piece, by the rig's own clock.

    Args:
        seen: what came while it was asked who it is.
        look: called at once with all samples that come, shape (n,), RAW_DTYPE.
    """

    def __init__(
        self,
        source: Source,
        hello: Hello,
        seen: Sequence[Item],
        look: Callable[[NDArray[np.void]], None],
    ) -> None:
        self._look = look
        self.ended = False
        self._source = source
        self._hello = hello
        self._kept: NDArray[np.void] = np.empty(0, dtype=RAW_DTYPE)
        self._standing: dict[int, bool] = {}
        self._stood: set[int] = set()  # since the present listening began
        self._tally: Tally | None = None  # the newest of this start
        self._restarts = 0
        self._take(seen)

    def listen(self, seconds: float) -> Heard:
        """Take samples for a number of seconds; fewer where the source stops sending or ends."""
        restarts, lines_bad = self._restarts, self._source.counters.lines_bad
        before = self._tally
        self._stood = {code for code, stands in self._standing.items() if stands}
        self._fill(round(seconds * 1e6))
        t_us = self._kept["t_us"]
        cut = int(np.searchsorted(t_us, t_us[0] + round(seconds * 1e6))) if t_us.size else 0
        samples, self._kept = self._kept[:cut], self._kept[cut:]
        now = self._tally
        return Heard(
            samples=_settled(samples),
            nominal_hz=self._hello.rate_hz,
            um_per_count=self._hello.um_per_count,
            has_travel=self._hello.travel != "none",
            samples_lost=int((np.diff(samples["seq"]) - 1).sum()),
            lines_bad=self._source.counters.lines_bad - lines_bad,
            restarts=self._restarts - restarts,
            impossible_steps=0
            if before is None or now is None
            else now.impossible_steps - before.impossible_steps,
            faults=tuple(sorted(self._stood)),
            tally=now,
        )

    def _fill(self, least_us: int) -> None:
        heard_s = time.monotonic()
        while not self.ended and self._span_us() < least_us:
            before = self._kept.size
            try:
                self._take(self._source.poll(POLL_S))
            except SourceEnded:
                self.ended = True
            if self._kept.size != before:
                heard_s = time.monotonic()
            elif time.monotonic() - heard_s > SILENCE_S:
                return

    def _span_us(self) -> int:
        t_us = self._kept["t_us"]
        return int(t_us[-1] - t_us[0]) if t_us.size else 0

    def _take(self, items: Sequence[Item]) -> None:
        for item in items:
            match item:
                case RawBlock():
                    self._look(item.samples)
                    self._kept = np.concatenate([self._kept, item.samples])
                case Restarted():
                    self._restarts += 1
                    self._kept = self._kept[:0]  # clock and sequence start again
                    self._tally = None
                case Fault():
                    self._standing[item.code] = item.standing
                    self._stood |= {item.code} if item.standing else set()
                case Tally():
                    self._tally = item
                case _:
                    pass


def _settled(samples: NDArray[np.void]) -> NDArray[np.void]:
    """Leave out the first samples after a start, which the rig marks as not settled."""
    suspect = (samples["flags"][:MOST_SETTLING] & SampleFlag.LOAD_SUSPECT) != 0
    return samples[int(np.argmin(np.append(suspect, False))) :]
