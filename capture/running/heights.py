"""Whether heights are known: by a datum that stands, that was lost, or that is in doubt."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.blocks import Finding, Hello, usable_of, usable_rows
from coilbench.capture.book.calibrations import (
    CalibrationRecord,
    current_calibration,
    store_part,
)
from coilbench.capture.book.connection import Database
from coilbench.capture.book.heights_kept import HeightsKept, stop_known
from coilbench.capture.book.notes import CLOSING_DIFFERS
from coilbench.capture.book.ratings import Ratings
from coilbench.capture.book.sessions import DatumTrust, LeftPresses
from coilbench.capture.calibration.model import NewPart, datum_moved, datum_part
from coilbench.capture.calibration.polynomial import evaluate, slope
from coilbench.capture.calibration.standing import (
    STOP_REPEATS_MM,
    StandingTravel,
    heights_moved,
    stop_note,
)
from coilbench.capture.running.against import Against
from coilbench.capture.running.commands import Event
from coilbench.capture.running.datum import LastSecond, OnGauge
from coilbench.capture.running.kinds import EventKind
from coilbench.capture.running.new_datum import NewDatum
from coilbench.capture.running.not_possible import NotPossible
from coilbench.capture.running.stop_watch import StopWatch
from coilbench.capture.strokes.jump_watch import JumpWatch

DATUM_LOST = Finding("datum_lost")
Confirmed = Literal["datum_said", "datum_at_stop", "datum_holds", "press_was_another"]
AWAIT_S = 60.0  # so long a gauge is waited for; ours, no source


class Heights:
    """Follows what heights are read by.

    Used by the thread that owns the book.

    Attributes:
        record: the calibration in force.
        lost: an incremental scale counts from another zero since the rig started again.
        doubted: why the scale may have slipped; no stroke counts until a datum is set or confirmed.
        contradicted: a gauge contradicts the datum: the question that is not answered yet.
        against: what stands against the heights by which presses count all the same, until a datum
            is set: doubts that a person set aside, or a stop that was lower at first. With an open
            doubt it is kept in the book: another capture goes on with both.
        left: presses of which nobody said yet whether they count, of any set.
        said: whether a person said that the scale did not slip, and it was not doubted since.
        lost_open: what was open when the datum was lost.
        low: that the quill stood below its stop, and was not seen there since.
        off_stop_mm: how far from its stop the quill last stood; None where that is not known.
        at_stop: whether the quill stands there now, with nothing pressed.
        on_gauge: whether the gauge of a datum that was read is still there.
        all_at_stop: whether the newest samples are all there, whatever the load.
    """

    def __init__(
        self,
        db: Database,
        record: CalibrationRecord,
        say: Callable[[Event], None],
        keep: Callable[[DatumTrust], None],
    ) -> None:
        self._db = db
        self._report = say
        self._store = keep
        self._hello: Hello | None = None
        self._stood, self._jumps = LastSecond(), JumpWatch()
        self.on_gauge = OnGauge()
        self._now_us = 0
        self._gauge_us: int | None = None  # since when a gauge is waited for
        self._stops = StopWatch()
        self._stop_before: StandingTravel | None = None  # of a datum that a restart lost
        self.lost = False
        self.lost_open: Finding | None = None
        self._kept = trust = DatumTrust.last(db, record.travel.part_id)
        self.doubted = trust.doubted
        self.contradicted: Finding | None = None
        self.against, self.left = Against(trust.against), trust.left
        self.said = False
        self._asked: Finding | None = None  # of a press: whether heights are right
        self._stop_then: float | None = None  # when that was doubted
        self.at_stop = self.all_at_stop = False
        self._adopt(record)
        self._know_stop(stop_known(db, record.travel))
        self._unshown = None if self.stop_known else record.travel.part_id

    def _adopt(self, record: CalibrationRecord) -> None:
        self.record = record
        self._boot_id = record.travel.boot_id
        fit = record.travel.fit
        self._per_count_mm = float(slope(fit, fit.x_min))

    @property
    def unknown(self) -> Finding | None:
        """Why no height is known; None where they are."""
        if self.lost:
            return DATUM_LOST
        if self.contradicted is not None:  # nobody knows which of them is right
            return Finding.of("datum_doubted", why=self.contradicted.to_document())
        return self.doubted

    @property
    def waits(self) -> bool:
        """Whether what is pressed counts for good only once the quill is seen at its stop."""
        return self.low is not None and not self.lost

    @property
    def open(self) -> Finding | None:
        """Why nobody knows whether the scale slipped since the quill was at its stop; or None."""
        return self.unknown or self.low

    @property
    def stop_known(self) -> bool:
        """Whether it is known where the quill's stop is."""
        return self._stops.counts is not None

    def kept(self, *, unclosed: bool | None, shown: Iterable[str]) -> HeightsKept:
        """Return what is to be known of them later."""
        by, stop = self.record.travel.part_id, None if self.lost else self._stops.sure_counts
        return HeightsKept(by, stop, self._unshown, unclosed, tuple(sorted(shown)))

    @property
    def jump_settled(self) -> bool:
        """Whether it is only in doubt by a jump, and the quill is at the stop that it had before.

        A quill that a hand lets go jumps as a scale does that slips.
        """
        why = None if self.doubted is None else self.doubted["why"]["kind"]
        before = self._stop_then
        return why == "travel_jumped" and self.at_stop and before == self._stops.counts

    @property
    def stop_holds(self) -> bool:
        """Whether the quill last stood at its stop."""
        return self.off_stop_mm == 0.0

    @property
    def read_with(self) -> tuple[str, int | None]:
        """The travel calibration's id, and the start of the rig that its datum holds for."""
        return self.record.travel.part_id, self._boot_id

    @property
    def _incremental(self) -> bool:
        """Whether a restart of the rig loses the datum."""
        return self._hello is not None and self._hello.travel == "quadrature"

    def heard(self, hello: Hello) -> bool:
        """Take who the rig is; returns whether its datum is newly lost."""
        self._hello = hello
        if not self._incremental:
            return False
        if self._boot_id is None:  # a calibration from a file doesn't say
            self._boot_id = hello.boot_id
        return self._lose(lost=hello.boot_id != self._boot_id)

    def restarted(self) -> bool:
        """The rig started again; returns whether its datum is newly lost."""
        return self._incremental and self._lose(lost=True)

    def _lose(self, *, lost: bool) -> bool:
        newly = lost and not self.lost
        self.lost_open = self.open if newly else self.lost_open
        self.lost = lost
        if newly:
            self.doubted = self.contradicted = None
            self._stop_before = StandingTravel(self.record.travel.fit, self._stops.counts)
            self._know_stop(None)
            self.on_gauge.forget()
            self._report(Event(EventKind.FAULT, DATUM_LOST))
        return newly

    def forget(self) -> None:
        """The stream broke."""
        self._stood.forget()
        self._jumps.forget()

    def _know_stop(self, counts: float | None, slack_mm: float = 0.0) -> None:
        self._stops.forget(counts, slack_mm)
        self.low: Finding | None = None
        self.off_stop_mm: float | None = None

    @property
    def let_up(self) -> bool:
        """Whether the quill is at its stop; true where that is not known."""
        return self.at_stop or self._stops.counts is None

    def at_rest(self, samples: NDArray[np.void], *, idle: bool) -> Finding | None:
        """Take the next samples; return that the quill rests above its stop, so far up.

        `stop_risen` where it had rested only once where its stop was taken to be.
        """
        usable = usable_of(samples)
        travel, mm = usable["travel_counts"].astype(np.float64), self._per_count_mm
        self.on_gauge.follow(travel, mm)
        stood = self._stops.look(usable["t_us"], travel, mm, idle=idle)
        self.all_at_stop = self._stops.stands(travel, mm)
        self.at_stop = stood is not None and stood[0] == "stop" and not self.lost
        if stood is None or self.lost or stood[0] == "unknown":
            return None
        place, off_mm = stood
        self.off_stop_mm = 0.0 if place in ("stop", "risen") else off_mm
        self.low = Finding.of("quill_low", moved_mm=off_mm) if place == "low" else None
        kind = {"high": "stop_moved", "risen": "stop_risen"}.get(place)
        return None if kind is None else Finding.of(kind, moved_mm=off_mm)

    def look(self, samples: NDArray[np.void], height_mm: NDArray[np.float64]) -> Finding | None:
        """Take the next samples and their heights, shape (n,); return that the scale jumped."""
        self._stood.take(samples)
        self._now_us = int(samples["t_us"][-1])
        rows = usable_rows(samples)
        jump = self._jumps.look(samples["t_us"][rows], height_mm[rows])
        if jump is None or self.lost:
            return None
        self._report(Event(EventKind.FAULT, jump))
        return jump

    def doubt(self, why: Finding, label: str | None) -> None:
        """Something was seen that a scale which slipped does.

        Args:
            label: of a spring whose next press may show that it did not.
        """
        self.doubted = Finding.of("datum_doubted", why=why.to_document(), label=label)
        self.said = False
        self._stop_then = self._stops.counts
        self._keep()

    def contradict(self, new: NewDatum) -> None:
        """A gauge contradicts the datum: nobody said yet which of them is right."""
        self.contradicted = new.contradiction
        self._keep()

    def asks(self, question: Finding | None) -> None:
        """A question stands now, or none does: one of heights stays open in the book."""
        moved = question is not None and question.kind == "datum_moved"
        self._asked = question if moved else None
        self._keep()

    def confirm(self, how: Confirmed) -> Finding | None:
        """A person said, else a press or the quill's stop showed, that the scale did not slip.

        Where a person says it of a quill above its stop, nobody knows any more where that is. Of
        one below it nothing was asked: it is still to be let up.

        Returns:
            What stands against heights from here on, by that word; None where it was shown.
        """
        doubted, self.doubted = self.doubted, None
        if doubted is None:
            return None
        word = None
        if how == "datum_said":
            word, self.said = self.against.set_aside(doubted["why"]), True
            if doubted["why"]["kind"] == "stop_moved":
                self._know_stop(None)
        self._keep()
        self._report(Event.of(EventKind.TURN, how))
        return word

    def keep_left(self, left: tuple[LeftPresses, ...]) -> None:
        """These presses are asked about from here on, or those that are left of them."""
        self.left = left
        self._keep()

    def closing_aside(self, *, taken_back: bool = False) -> None:
        """A person let presses count all the same that a closing press put in doubt.

        Args:
            taken_back: that press was of another spring, and nothing stands against heights.
        """
        doubted = self.doubted
        if doubted is not None and doubted["why"]["kind"] == CLOSING_DIFFERS:
            self.doubted = None
            if not taken_back:
                self.against.set_aside(doubted["why"])
            self._keep()

    def bear_out(self, but: Collection[Finding]) -> None:
        """A closing press agreed: nothing stands against heights but what did at first."""
        self.against.bear_out(but)
        self._keep()

    def keep_datum(self) -> None:
        """A person said that the datum is right, and not the gauge that contradicts it."""
        contradicted, self.contradicted = self.contradicted, None
        if contradicted is not None:
            self.against.set_aside(contradicted.to_document())
            self._keep()

    def was_lower(self, high: Finding) -> Finding:
        """The quill's stop was lower at first; returns what stands against heights so."""
        lower = self.against.was_lower(high)
        self._keep()
        return lower

    def _keep(self) -> None:
        """Store what speaks against the datum: what was answered, and what was not."""
        open_ = self.unknown
        if open_ is None and self._asked is not None:
            open_ = Finding.of("datum_doubted", why=self._asked.to_document(), label=None)
        if self.lost:
            open_ = None
        now = DatumTrust(self.record.travel.part_id, self.against.found, open_, self.left)
        if now != self._kept:
            self._store(now)
            self._kept = now

    def await_gauge(self, *, comes: bool) -> None:
        """A gauge comes between the faces: that nothing pushes on the way to it is as it must be.

        Args:
            comes: else none does after all, and nothing is changed.

        Raises:
            NotPossible: this scale's datum is not set so.
        """
        self._refuse_absolute()
        self._gauge_us = self._now_us if comes else None
        self._report(Event.of(EventKind.TURN, "gauge_awaited" if comes else "gauge_not_awaited"))

    def pressed(self) -> None:
        """A spring is pressed: no gauge is waited for."""
        self._gauge_us = None

    @property
    def gauge_awaited(self) -> bool:
        """Whether a gauge is on its way."""
        if self._gauge_us is None:
            return False
        return 0 <= self._now_us - self._gauge_us < AWAIT_S * 1e6

    @property
    def no_spring(self) -> bool:
        """Whether what the quill touches now is a gauge."""
        return self.gauge_awaited or self.on_gauge.leaving

    def _refuse_absolute(self) -> Hello:
        if self._hello is None or not self._incremental:
            raise NotPossible("datum_refused", reason="absolute")
        return self._hello

    def read_datum(self, length_mm: float, zero_n: float | None) -> NewDatum:
        """Return the datum that the gauge under the quill makes; nothing is changed.

        Args:
            zero_n: as LastSecond.require_light_touch.

        Raises:
            NotPossible: the quill does not stand lightly on a gauge, the cups meet above its
                length, or the scale keeps its own datum.
        """
        hello = self._refuse_absolute()
        meet_mm = Ratings.of_book(self._db).cups_meet_mm
        if meet_mm and length_mm <= meet_mm:
            raise NotPossible("datum_refused", reason="below_cups")
        travel = self.record.travel.fit
        per_count_mm = abs(self._per_count_mm)
        point = self._stood.gauge(length_mm, per_count_mm)
        self._stood.require_light_touch(point, per_count_mm, self.record.load.fit, zero_n)
        self.on_gauge.forget(point.counts)
        self._gauge_us = None
        part = datum_part(travel, point).on(hello)
        if self.lost:
            return self._beside_the_stop(part, point.counts, length_mm)
        new = NewDatum(part, length_mm, *datum_moved(travel, part.fit, point.counts))
        return new if new.differs else new.noted("heights_agree")

    def _beside_the_stop(self, part: NewPart, gauge_counts: float, length_mm: float) -> NewDatum:
        """Compare a datum with the one that a restart lost, as `coilbench rig gauge --datum` does.

        By where the quill's stop is, if the quill stood there in both starts of the rig. That it
        stood lower in this one says nothing, for a hand may have held it: then its stop is where it
        was before, and where it stands next tells more.
        """
        counts, before = self._stops.counts, self._stop_before
        unknown = NewDatum(part, length_mm, None, None)
        elsewhere = self._stops.elsewhere(gauge_counts, float(slope(part.fit, gauge_counts)))
        if counts is None or before is None or not elsewhere:
            return unknown
        found = heights_moved(StandingTravel(part.fit, counts), before, same_counts=False)
        if found is None or found["moved_mm"] < -found["allowed_mm"]:
            return unknown
        noted = part.noted(stop_note(part.fit, counts))
        return NewDatum(noted, length_mm, found["moved_mm"], found["allowed_mm"], by_stop=True)

    def stands_off_by(self, moved_mm: float, u_mm: float) -> bool:
        """Whether the quill last stood off its stop by just what a spring's heights moved by."""
        off_mm = self.off_stop_mm
        return bool(off_mm) and abs(moved_mm - (off_mm or 0.0)) <= STOP_REPEATS_MM + u_mm

    def moved_with_stop(self, new: NewDatum) -> bool:
        """Whether a gauge says that the scale slipped by just what the quill's stop says."""
        if self.doubted is None and self.low is None:
            return False
        off_mm, moved_mm = self.off_stop_mm, new.moved_mm
        if not off_mm or moved_mm is None or new.u_mm is None:
            return False
        return abs(moved_mm + off_mm) <= STOP_REPEATS_MM + new.u_mm

    def take_datum(self, new: NewDatum) -> None:
        """Store a datum, as `coilbench rig gauge --datum` does; it holds from here on.

        The stop is a place, which no datum moves. It is not found anew where the quill happens to
        stand, for a hand may hold it there; only where the datum says that it was none: it is
        another one, or the same, and the quill last stood off what was taken for its stop. Where it
        contradicts and neither stop nor closing press bears it out, it holds by a person's word.
        """
        by_word = new.differs and not (new.as_closed or self.moved_with_stop(new))
        if self.lost:
            self._know_stop(*self._stop_by(new))
        elif new.differs or self.off_stop_mm:
            self._know_stop(None)
        store_part(self._db, new.part)
        self._adopt(current_calibration(self._db, new.part.device_id))
        self._stop_before = None
        self.lost, self.doubted, self.contradicted, self._gauge_us = False, None, None, None
        self.against = Against((Finding("gauge_said", new.facts),) if by_word else ())
        self.said = False
        self._keep()
        self.forget()

    def _stop_by(self, new: NewDatum) -> tuple[float | None, float]:
        """Return the counts by a new datum where the stop was before, and how well known, mm."""
        before = self._stop_before
        if before is None or before.stop_counts is None or new.differs:
            return None, 0.0
        then_mm, then_u_mm = evaluate(before.fit, before.stop_counts)
        intercept_mm, per_count_mm = new.part.fit.coefficients
        counts = (float(then_mm) - intercept_mm) / per_count_mm
        _, now_u_mm = evaluate(new.part.fit, counts)
        return counts, 2.0 * float(np.hypot(then_u_mm, now_u_mm))
