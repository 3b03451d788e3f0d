"""`coilbench rig check`: a check weight, the history of checks, or the rig's health."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from functools import partial
from itertools import compress
from pathlib import Path
from typing import Any

import click
import msgspec
import numpy as np
from msgspec.structs import asdict, replace
from numpy.typing import NDArray

from coilbench.analysis.cli.common import print_document, say_aside, show_warnings, units
from coilbench.analysis.cli.known_rig import KnownRig
from coilbench.analysis.cli.overload import (
    ALARMS,
    alarm_words,
    overload_watch,
    refuse_overload,
    say_alarms,
)
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.inputs.rig_record import calibration_if_any, past_checks, rig_warnings
from coilbench.analysis.report.card_text import health_document, health_lines
from coilbench.analysis.report.document import describe, picked
from coilbench.analysis.report.drift_text import drift_words
from coilbench.analysis.report.phrases import CAUTION
from coilbench.analysis.rig.check import (
    MassReading,
    MassVerdict,
    PastCheck,
    Trend,
    ZeroDrift,
    gravity_of,
    judge_mass,
    judge_zeros,
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
    mass_checks,
    newest_part,
    set_good_for_days,
)
from coilbench.capture.book.connection import Database
from coilbench.capture.book.locks import hold_port
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.zeros import keep_zero
from coilbench.capture.calibration.known_points import ASSUMED_MASS_U_RELATIVE
from coilbench.capture.calibration.model import Calibration
from coilbench.capture.calibration.polynomial import slope
from coilbench.capture.calibration.weigh_guide import WeighGuide
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.running.guided import SILENCE_S, follow, sample_stream
from coilbench.capture.sources import open_source
from coilbench.capture.sources.base import Source, SourceEnded, identify
from coilbench.capture.unit_factors import KGF_N
from coilbench.capture.units import parse_fraction, parse_load_n, parse_weight_n

_PRESS = "Now press the quill down some millimetres on something springy, and let it up."
POLL_S = 0.1
PRESS_S = 20.0
PIECE_S = 0.5
MOST_SETTLING = 8  # samples at a start whose filter has not filled: no fault, and left out


def _show_history(as_json: bool) -> None:
    with open_book(book_path()) as db:
        history = _check_history(db)
    if as_json:
        checks = [_check_document(record) for record in history.records]
        print_document({"checks": checks, **picked(history, "trend warnings")})
        return
    if not history.records:
        click.echo("No check yet. Make one with: coilbench rig check --port PORT --mass 20kg")
    for record, past, current in zip(history.records, history.past, history.current, strict=True):
        why = "" if current else "   (an earlier calibration)"
        why = why if record.counts else "   (another bench's, which does not count)"
        click.echo(describe(past, units()) + why)
    if history.trend is not None:
        click.echo(f"{describe(history.trend, units())}.")
    show_warnings(history.warnings)


def _check_document(record: CheckRecord) -> dict[str, Any]:
    known = {"check_id": record.check_id, "made_utc": record.made_utc, "counts": record.counts}
    return known | asdict(record.check)


def _check_health(port: str, seconds: float, hands_off: bool, as_json: bool) -> bool:
    with hold_port(port), open_source(port) as source:
        hello, seen = identify(source)
        calibration = calibration_if_any(book_path(), hello.device_id)
        say_aside(f"Leave the rig alone for {seconds:g} s.")
        press = f"{CAUTION} Never exceed the press's or the cell's rating.\n{_PRESS}"
        ask = None if hands_off else partial(say_aside, press)
        watch = overload_watch(KnownRig.look(hello))
        listener = _Listener(source, hello, seen, lambda samples: say_alarms(watch, samples))
        health = _check_rig(listener, seconds, calibration, ask)
    drift = _zero_drift(book_path(), hello, health)
    if as_json:
        print_document({**health_document(hello, health), "zero": drift})
    else:
        for line in health_lines(hello, health, units()):
            click.echo(line)
        if drift is not None:
            click.echo(f"{drift_words(drift, units())}.")
    return not health.findings


def check_command(
    port: str | None,
    mass: str | None,
    mass_u: str | None,
    tolerance: str | None,
    history: bool,
    good_for: float | None,
    seconds: float,
    hands_off: bool,
    as_json: bool,
) -> None:
    """Check the rig: with a known weight, or without one its health."""
    if good_for is not None:
        _set_limit(good_for)
    if history:
        _show_history(as_json)
        return
    if port is None:
        if good_for is not None:
            return
        raise CoilbenchError(
            "a check needs the rig's port", hint="Give --port (see: coilbench rig find)"
        )
    if mass is None:
        sound = _check_health(port, seconds, hands_off, as_json)
    else:
        sound = _check_mass(port, _parse_mass_kg(mass), mass_u, tolerance, as_json)
    if not sound:
        raise click.exceptions.Exit(1)


def _parse_mass_kg(text: str) -> float:
    """Read a mass with its unit, kg, g, lb or oz; a force is refused."""
    if text.strip().lower().endswith("n"):
        raise CoilbenchError(f"{text!r} is a load, not a mass", hint="Write it like 20kg or 44lb")
    return parse_weight_n(text) / KGF_N


def _set_limit(days: float) -> None:
    if not math.isfinite(days):
        raise CoilbenchError("a number of days must be finite", hint="For example --good-for 60")
    with open_book(book_path(), create=True) as db:
        set_good_for_days(db, days)
    click.echo(f"A calibration and a check are now valid for {days:g} days.", err=True)


def _check_mass(
    port: str, mass_kg: float, mass_u: str | None, tolerance: str | None, as_json: bool
) -> bool:
    known = KnownRig.look()
    part = known.calibrated("load", "weigh")
    refuse_overload(known.ratings, mass_kg * gravity_of(part), "--mass", pressed=False)
    tolerance_n = None if tolerance is None else _tolerance_n(tolerance, mass_kg * gravity_of(part))
    u_relative = ASSUMED_MASS_U_RELATIVE if mass_u is None else _parse_mass_kg(mass_u) / mass_kg
    with hold_port(port), open_source(port) as source:
        hello, seen = identify(source)
        known = KnownRig.look(hello)
        part = known.own(part, hello, "weigh")
        guide = WeighGuide((0.0, mass_kg))
        stream = sample_stream(source, seen)
        follow(stream, guide, _say, watch=overload_watch(known, pressed=False))
    zero, loaded = guide.holds
    reading = MassReading(
        mass_kg, zero.load_counts, loaded.load_counts, loaded.load_sd_counts, loaded.n
    )
    with open_book(book_path()) as db:
        record, verdict = _judge_check(
            db, part, hello.device_id, reading, u_relative / 2.0, tolerance_n
        )
        history = _check_history(db, hello.device_id)
    if as_json:
        told = {"check": _check_document(record), **picked(verdict, "expected_n load_n")}
        print_document(told | picked(history, "trend warnings"))
    else:
        for finding in (verdict, history.trend):
            if finding is not None:
                click.echo(f"{describe(finding, units())}.")
    return verdict.passed


def _say(step: Finding) -> None:
    say_aside(alarm_words(step) if step.kind in ALARMS else describe(step, units()))


def _tolerance_n(text: str, expected_n: float) -> float:
    is_share = text.strip().endswith("%")
    tolerance_n = parse_fraction(text) * expected_n if is_share else parse_load_n(text)
    if tolerance_n <= 0.0:
        raise CoilbenchError(
            f"a tolerance of {text} lets nothing pass", where="--tolerance", hint="Give one above 0"
        )
    return tolerance_n


class _CheckHistory(msgspec.Struct, frozen=True):
    """The checks with a weight, oldest first, in the book and as the trend sees them.

    Attributes:
        current: whether each counts for the load calibration in force; the trend is of those.
    """

    records: tuple[CheckRecord, ...]
    past: tuple[PastCheck, ...]
    current: tuple[bool, ...]
    trend: Trend | None
    warnings: tuple[Finding, ...]


def _check_history(db: Database, device_id: str | None = None) -> _CheckHistory:
    """Return every check in the book; the trend is of a rig, None for the one in force."""
    part, records = newest_part(db, "load", device_id), mass_checks(db)
    past = past_checks(records)
    current = [
        one.counts and part is not None and one.check.load_part_id == part.part_id
        for one in records
    ]
    goes = Trend.of([*compress(past, current)])
    return _CheckHistory(records, past, tuple(current), goes, rig_warnings(db))


def _judge_check(
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


def _zero_drift(path: Path, hello: Hello, health: Health) -> ZeroDrift | None:
    """Keep a resting rig's zero in the book, and say how it goes since the first after a pause.

    None where there is no book, no calibration that makes a load of it, or the rig did not rest.
    """
    if health.rest_counts is None or not path.exists():
        return None
    with open_book(path) as db:
        load = newest_part(db, "load", hello.device_id)
        if load is None:
            return None
        zeros = keep_zero(db, hello.device_id, health.rest_counts)
        per_count_n = float(slope(load.fit, health.rest_counts))
        u_n = abs(per_count_n) * (health.rest_u_counts or 0.0)
        return judge_zeros(zeros, per_count_n, health.running_min, u_n)


def _check_rig(
    listener: _Listener,
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


class _Listener:
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
