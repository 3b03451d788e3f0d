"""A set at the bench while its readings are typed: what the book holds, what a new one means."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from typing import NamedTuple

from msgspec.structs import replace

from coilbench.analysis.inputs.free_lengths import LengthsContradicted, lengths_contradicted
from coilbench.analysis.inputs.stroke_reads import Unkeyed, read_of_row
from coilbench.analysis.limits.stress import STEEL_MODULUS_MPA, rate_from_dimensions
from coilbench.analysis.sets.courses import SAME_MM, ReadAt
from coilbench.analysis.sets.foretelling import NEAR_MM, Given, by_rate, foretold
from coilbench.analysis.sets.slips import Slip, Weighed, slips
from coilbench.capture.book.connection import Database
from coilbench.capture.book.entries import KEYED, Entry
from coilbench.capture.book.keyed_readings import (
    KeyedRow,
    count_again,
    refuse_below_solid,
    remove_readings,
    spring_named,
    store_readings,
)
from coilbench.capture.book.rows import new_id
from coilbench.capture.book.sets import SetRecord
from coilbench.capture.calibration.keyed_setup import KeyedSetup
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.tables.keyed import SOLID_KEPT_MM, KeyedReading, with_units
from coilbench.capture.units import LENGTH_IN_MM, LOAD_IN_N

LIKELY = 0.5  # of how far nothing is asked: what is offered in place of a slip; our choice
CLEARLY = 2.0  # times as far from what the others foretell; our choice, no source
STRANGE_MM = 2.0  # a height farther than this from all that are read is strange
DEEP_SHARE = 0.4  # of the free length: a height below it may be a depth, where none was read


class _Stored(NamedTuple):
    """An entry of this person's: one reading of a spring."""

    entry_id: str
    label: str
    height_mm: float


class Desk:
    """A set whose readings are typed.

    Args:
        setup: how they are taken.
        units: of a number without one, of length and of load.
        heights_mm: where the set is to be read, besides where it was, as the quill tells them.
    """

    def __init__(
        self,
        db: Database,
        record: SetRecord,
        setup: KeyedSetup,
        units: tuple[str, str] = ("mm", "kg"),
        heights_mm: Sequence[float] = (),
    ) -> None:
        self.db, self.record, self.setup, self.units = db, record, setup, units
        self.asked_mm = list(dict.fromkeys(heights_mm))
        self.lengths_doubt: LengthsContradicted | None = None
        self._done: list[_Stored | KeyedRow] = []  # what this person stored, or removed
        self.look()

    def look(self) -> None:
        """Read the set's readings from the book again."""
        self.rows = KeyedRow.of_set(self.db, self.record)
        self._unkeyed = Unkeyed(self.db, self.record)
        self.lengths_doubt = lengths_contradicted(self.record, self.rows)

    @property
    def counting(self) -> list[KeyedRow]:
        """The keyed readings that count."""
        return [row for own in self.rows.values() for row in own if row.counts]

    @property
    def heights_mm(self) -> list[float]:
        """Where the set is read: as asked, else its nominal's; and wherever it was; high to low."""
        nominal = self.record.nominal
        asked = self.asked_mm or ([] if nominal is None else [n.height_mm for n in nominal.loads])
        heights = list(asked)
        for row in self.counting:
            if not any(abs(row.quill_mm - one) <= SAME_MM for one in heights):
                heights.append(row.quill_mm)
        return sorted(heights, reverse=True)

    def height_by_depth_mm(self, number_mm: float) -> float | None:
        """Return the height where a number that is typed as one is as likely a depth; else None."""
        free_mm, known_mm = self.record.free_length_mm, self.heights_mm
        if free_mm is None or not strange_height(number_mm, known_mm, free_mm):
            return None
        by_depth_mm = free_mm - number_mm
        return None if strange_height(by_depth_mm, known_mm, free_mm) else by_depth_mm

    def stop_mm(self, height_mm: float) -> float:
        """Return where the quill must stand for the faces to be at a height, by the steps it has.

        That is lower by the give under the load that the set's readings foretell there; the same
        where no give is known, or nothing foretells a load.
        """
        if not self.setup.give_known:
            return height_mm
        held = [self._by_quill(row) for row in self.counting]
        read = ReadAt("", height_mm, 0.0, True, 0.0, 0.0)
        near = foretold(read, held, given_of(self.record, self.record.labels[0]))
        if near is None:
            return height_mm
        step_mm = self.setup.quill_resolution_mm
        stop_mm = height_mm - self.setup.under_load_mm(near.load_n)
        return round(round(stop_mm / step_mm) * step_mm, 6)

    def cell(self, label: str, height_mm: float, *, loading: bool = True) -> list[KeyedRow]:
        """Return a spring's readings at a height that count, oldest first."""
        return [
            row
            for row in self.rows[label]
            if row.counts
            and row.reading.loading == loading
            and abs(row.quill_mm - height_mm) <= SAME_MM
        ]

    def line(self, text: str) -> KeyedReading:
        """Read a line: a spring's label may be short, units may be left out.

        Raises:
            CoilbenchError: it cannot be read, or names no spring of the set.
        """
        reading = KeyedReading.parse(with_units(text, *self.units))
        return replace(reading, label=spring_named(self.record, reading.label))

    def weigh(
        self,
        reading: KeyedReading,
        also: Sequence[KeyedReading] = (),
        without: Sequence[KeyedRow] = (),
    ) -> Weighed:
        """Judge a reading before it is stored.

        Args:
            also: readings that will be stored with it, taken to be right.
            without: readings that will no longer count.
        """
        left = {row.name for row in without}
        held = list(self._held(reading, left))
        held += [self._read(each) for each in also]
        heights_mm = [*self.heights_mm, *(each.height_mm for each in held if each.name == "")]
        weighed = self._judged(reading, held, heights_mm)
        if weighed.sound:
            return weighed
        for other in self._others_meant(reading):
            if self._judged(other, held, heights_mm).sound and self._supported(
                other, reading, held, heights_mm
            ):
                weighed = replace(weighed, meant=other)
                break
        strange = all(one.kind == "strange height" for one in weighed.found)
        if strange and not weighed.refusal and weighed.meant is None:
            return Weighed(reading)  # strange alone is no slip: springs may be read anywhere
        if any(one.kind == "far" for one in weighed.found):
            return replace(weighed, earlier=self._earlier(reading, held, heights_mm))
        return weighed

    def _earlier(
        self, reading: KeyedReading, held: Sequence[ReadAt], heights_mm: Sequence[float]
    ) -> str | None:
        """Return the spring's own reading without which nothing would be asked of this one."""
        own = [one for one in held if one.label == reading.label and one.name]
        alone = [one for one in own if self._judged(reading, _but(held, [one]), heights_mm).sound]
        mates = [one for one in held if one.label != reading.label]
        return max(alone, key=lambda one: _off_mates(one, mates)).name if alone else None

    def _judged(
        self, reading: KeyedReading, held: Sequence[ReadAt], heights_mm: Sequence[float]
    ) -> Weighed:
        try:
            read = self._read(reading)
            faces_mm = reading.true_height_mm(self.setup, self.record.free_of_mm(reading.label))
            refuse_below_solid(self.record, reading.label, faces_mm, read.height_u_mm)
        except CoilbenchError as error:
            return Weighed(reading, refusal=error)
        found = self._slips(read, held, faces_mm)
        if reading.height_mm is not None and strange_height(
            read.height_mm, heights_mm, self.record.free_length_mm
        ):
            found = (*found, Slip("strange height", read))
        if reading.depth_mm is not None and self.lengths_doubt is not None:
            found = (*found, Slip("free length", read))
        return Weighed(reading, found)

    def _supported(
        self,
        other: KeyedReading,
        typed: KeyedReading,
        held: Sequence[ReadAt],
        heights_mm: Sequence[float],
    ) -> bool:
        """Tell whether something speaks for a reading that was not typed so.

        At the same height it is enough that what was typed can't be at all.
        """
        read, given = self._read(other), given_of(self.record, other.label)
        if not _likely(read, held, given):
            return False
        if other.height_mm == typed.height_mm:
            impossible = self._judged(typed, held, heights_mm).refusal is not None
            return impossible or foretold(read, held, given) is not None
        if heights_mm:
            return meant_height(read.height_mm, heights_mm)
        is_depth = other.depth_mm is not None
        return is_depth and not strange_height(read.height_mm, (), given.free_length_mm)

    def _others_meant(self, reading: KeyedReading) -> Iterator[KeyedReading]:
        """Yield what a slip of the pen or the key may have made of it."""
        height_mm, shown_n = reading.height_mm, reading.shown_load_n
        if height_mm is not None:
            if self.record.free_length_mm is not None:
                yield replace(reading, height_mm=None, depth_mm=height_mm)
            mm, newton = LENGTH_IN_MM[self.units[0]], LOAD_IN_N[self.units[1].lower()]
            yield replace(
                reading, height_mm=shown_n / newton * mm, shown_load_n=height_mm / mm * newton
            )
        yield replace(reading, shown_load_n=shown_n / 10.0)
        yield replace(reading, shown_load_n=shown_n * 10.0)

    def _read(self, reading: KeyedReading) -> ReadAt:
        return ReadAt(
            reading.label,
            reading.spring_height_mm(self.record.free_of_mm(reading.label)),
            reading.spring_load_n(self.setup),
            reading.loading,
            self.setup.load_u_at(reading.shown_load_n),
            self.setup.height_u_mm,
        )

    def _by_quill(self, row: KeyedRow) -> ReadAt:
        """Return a stored reading where the quill of today would stand."""
        read = read_of_row(row)
        return read._replace(height_mm=read.height_mm - self.setup.under_load_mm(read.load_n))

    def _held(self, reading: KeyedReading, left: set[str]) -> Iterator[ReadAt]:
        for row in self.counting:
            if row.name not in left:
                yield self._by_quill(row)
        try:
            height_mm = reading.spring_height_mm(self.record.free_of_mm(reading.label))
        except CoilbenchError:  # no height that it could have
            return
        sampled = self._unkeyed.sampled_at(height_mm, loading=reading.loading)
        for read in [*self._unkeyed.points(), *sampled]:
            give_mm = self.setup.under_load_mm(read.load_n)
            yield read._replace(height_mm=read.height_mm - give_mm)

    def keep(self, reading: KeyedReading, instead_of: Sequence[KeyedRow] = ()) -> None:
        """Store a reading; it is on the disk when this returns."""
        run = new_id()
        store_readings(
            self.db, self.record, [reading], self.setup, instead_of=instead_of, entry_id=run
        )
        height_mm = reading.spring_height_mm(self.record.free_of_mm(reading.label))
        self._done.append(_Stored(run, reading.label, height_mm))
        self.look()

    def remove(self, row: KeyedRow) -> None:
        """Stop counting a reading."""
        remove_readings(self.db, [row])
        self._done.append(row)
        self.look()

    def odd(self, row: KeyedRow, without: Sequence[KeyedRow] = ()) -> tuple[Slip, ...]:
        """Return what makes a stored reading doubtful, as it was taken, beside all others.

        Args:
            without: readings to pass over.
        """
        held = list(self._held(row.reading, {row.name, *(one.name for one in without)}))
        return self._slips(self._by_quill(row), held, row.height_mm)

    def _slips(self, read: ReadAt, held: Sequence[ReadAt], faces_mm: float) -> tuple[Slip, ...]:
        """Return what makes a reading doubtful: heights by the quill, near solid by the faces."""
        given = given_of(self.record, read.label)
        solid_mm = given.solid_height_mm
        clear = solid_mm is None or faces_mm >= solid_mm + SOLID_KEPT_MM
        return slips(read, held, replace(given, solid_height_mm=None) if clear else given)

    def suspects(self, label: str) -> dict[str, tuple[KeyedReading, tuple[Slip, ...]]]:
        """Return the one reading of a spring that its neighbours contradict, by name, and why.

        Nothing where none is, or where the others contradict each other without it, too. Of two
        that contradict each other it is the one that lies farther from what all others foretell.
        """
        own = [row for row in self.rows[label] if row.counts]
        found: dict[str, tuple[KeyedRow, tuple[Slip, ...]]] = {}
        for row in own:
            why = tuple(one for one in self.odd(row) if one.kind in ("far", "falls"))
            if not why:
                continue
            others = [one for one in own if one is not row]
            if not any(self.odd(one, [row]) for one in others):
                found[row.name] = row, why
            for one in others:  # without which it isn't odd: the other of two suspects
                if not self.odd(row, [one]):
                    found.setdefault(one.name, (one, why))
        rows = [row for row, _ in found.values()]
        far = sorted(((self._misfit_n(row, rows), row.name) for row in rows), reverse=True)
        if not far or (len(far) > 1 and far[0][0] < CLEARLY * far[1][0]):
            return {}
        name = far[0][1]
        return {name: (found[name][0].reading, found[name][1])}

    def _misfit_n(self, row: KeyedRow, without: Sequence[KeyedRow]) -> float:
        """Return how far a reading is from what others than these foretell; 0 where nothing."""
        held = list(self._held(row.reading, {row.name, *(one.name for one in without)}))
        read = self._by_quill(row)
        at = by_rate(read, held) or foretold(read, held)
        return 0.0 if at is None else abs(row.load_n - at.load_n)

    @property
    def typed_labels(self) -> list[str]:
        """The springs of which this person stored readings."""
        return list(dict.fromkeys(one.label for one in self._done if isinstance(one, _Stored)))

    def take_back(self) -> tuple[str, float] | None:
        """Undo what this person did last.

        Returns:
            The spring and the height of its reading; None where nothing is left.
        """
        if not self._done:
            return None
        last = self._done.pop()
        if isinstance(last, _Stored):
            Entry.undo(self.db, last.entry_id, KEYED, self.record.name)
            of = last.label, last.height_mm
        else:
            count_again(self.db, last)
            of = last.stroke.label, last.quill_mm
        self.look()
        return of


def _but(held: Sequence[ReadAt], left: Sequence[ReadAt]) -> list[ReadAt]:
    return [one for one in held if one not in left]


def _off_mates(read: ReadAt, mates: Sequence[ReadAt]) -> float:
    """Return how far a reading is from what other springs foretell, as a share; 0 where nothing."""
    at = foretold(read, mates)
    return 0.0 if at is None else abs(read.load_n / at.load_n - 1.0)


def _likely(read: ReadAt, held: Sequence[ReadAt], given: Given) -> bool:
    """Tell whether a reading that was not typed so fits well enough to be offered.

    A spring pushes more when it is pressed deeper, and not just within what makes one ask.
    """
    at = foretold(read, held, given)
    near = at is None or abs(read.load_n - at.load_n) <= LIKELY * at.allowed_n
    own = [one for one in held if one.label == read.label and one.loading == read.loading]
    apart = [one for one in own if abs(one.height_mm - read.height_mm) > SAME_MM]
    rises = all(
        (one.load_n - read.load_n) * (read.height_mm - one.height_mm) > 0.0 for one in apart
    )
    return near and rises


def given_of(record: SetRecord, label: str) -> Given:
    """Return what is known of a spring beside its readings."""
    rate_n_per_mm = None
    size = record.wire_mm, record.coil_diameter_mm, record.active_coils
    if None not in size:
        wire_mm, coil_mm, coils = (one or 0.0 for one in size)
        rate_n_per_mm = rate_from_dimensions(wire_mm, coil_mm, coils, STEEL_MODULUS_MPA)
    solid_mm = record.solid_of_mm(label)
    return Given(record.nominal, record.free_length_mm, solid_mm, rate_n_per_mm)


def strange_height(
    height_mm: float, read_mm: Collection[float], free_length_mm: float | None = None
) -> bool:
    """Tell whether a height is far from all that a set is read at; where it has none, too deep."""
    if read_mm:
        return min(abs(height_mm - one) for one in read_mm) > STRANGE_MM
    return free_length_mm is not None and height_mm < DEEP_SHARE * free_length_mm


def meant_height(height_mm: float, read_mm: Collection[float]) -> bool:
    """Tell whether a height is one of those that a set is read at."""
    return any(abs(height_mm - one) <= NEAR_MM for one in read_mm)
