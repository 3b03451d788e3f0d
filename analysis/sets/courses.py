"""Readings of a set beside each other: a course of each spring on each way, by height. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

SAME_MM = 0.05  # heights nearer than this are one height; our choice, no source

_Array = NDArray[np.float64]


class ReadAt(NamedTuple):
    """A reading of a spring.

    Attributes:
        u_n, height_u_mm: its standard uncertainties, k = 1.
        name: how the book calls it; none where it was not keyed.
    """

    label: str
    height_mm: float
    load_n: float
    loading: bool
    u_n: float
    height_u_mm: float
    name: str = ""


class Course:
    """One spring's readings on one way, in the order of their heights.

    Attributes:
        height_mm, load_n, u_n, height_u_mm: shape (n,), heights ascending.
    """

    def __init__(self, reads: Iterable[ReadAt]) -> None:
        self._reads = sorted(reads, key=lambda one: one.height_mm)
        self._places = np.arange(len(self._reads))  # of those that are in it
        rows = [(one.height_mm, one.load_n, one.u_n, one.height_u_mm) for one in self._reads]
        columns = np.array(rows, dtype=np.float64).reshape(-1, 4).T
        self.height_mm, self.load_n, self.u_n, self.height_u_mm = columns
        self._known: dict[float, float | None] = {}

    def __len__(self) -> int:
        """How many readings there are."""
        return len(self._places)

    def __iter__(self) -> Iterator[ReadAt]:
        """Yield its readings, the lowest first."""
        return (self._reads[place] for place in self._places)

    def __getitem__(self, place: int) -> ReadAt:
        """Return a reading by its place, the lowest first."""
        return self._reads[int(self._places[place])]

    def without(self, read: ReadAt) -> Course:
        """Return it without one reading, this very one; itself where that is none of it."""
        for place in range(int(np.searchsorted(self.height_mm, read.height_mm)), len(self)):
            if self[place] is read:
                return self.only(np.delete(np.arange(len(self)), place))
            if self.height_mm[place] > read.height_mm:
                break
        return self

    def only(self, places: NDArray[np.intp]) -> Course:
        """Return it with some of its readings, by their places in ascending order."""
        part = Course.__new__(Course)
        part._reads, part._places, part._known = self._reads, self._places[places], {}
        part.height_mm, part.load_n = self.height_mm[places], self.load_n[places]
        part.u_n, part.height_u_mm = self.u_n[places], self.height_u_mm[places]
        return part

    def nearest(self, height_mm: float, most: int) -> list[ReadAt]:
        """Return the readings nearest to a height, the nearest first."""
        order = np.argsort(np.abs(self.height_mm - height_mm), kind="stable")[:most]
        return [self[place] for place in order]

    def loads_at(self, height_mm: float) -> _Array:
        """Return the loads that were read at a height."""
        first, last = np.searchsorted(self.height_mm, (height_mm - SAME_MM, height_mm + SAME_MM))
        while last < len(self) and self.height_mm[last] <= height_mm + SAME_MM:
            last += 1
        return self.load_n[first:last]

    def there(self, height_mm: float) -> float | None:
        """Mean load of the readings at a height, else straight between the two around it."""
        if height_mm not in self._known:
            self._known[height_mm] = self._there(height_mm)
        return self._known[height_mm]

    def _there(self, height_mm: float) -> float | None:
        loads_n = self.loads_at(height_mm)
        if loads_n.size:
            return float(loads_n.mean())
        place = int(np.searchsorted(self.height_mm, height_mm))
        if not 0 < place < len(self):
            return None
        ends = [(float(self.height_mm[at]), float(self.load_n[at])) for at in (place - 1, place)]
        return straight(height_mm, ends[0], ends[1])


class Held:
    """The readings of a set that others are weighed beside."""

    def __init__(self, reads: Iterable[ReadAt]) -> None:
        found: dict[tuple[bool, str], list[ReadAt]] = {}
        for one in reads:
            found.setdefault((one.loading, one.label), []).append(one)
        self._courses = {key: Course(own) for key, own in found.items()}

    @classmethod
    def of(cls, reads: Iterable[ReadAt] | Held) -> Held:
        """Return readings as such, where they are not yet."""
        return reads if isinstance(reads, Held) else cls(reads)

    def own(self, read: ReadAt) -> Course:
        """Return the other readings of its spring on its way."""
        course = self._courses.get((read.loading, read.label))
        return Course(()) if course is None else course.without(read)

    def mates(self, read: ReadAt) -> list[Course]:
        """Return the courses of the other springs on its way."""
        return [
            course
            for (loading, label), course in self._courses.items()
            if loading == read.loading and label != read.label
        ]

    def heights_mm(self, label: str) -> list[float]:
        """Return where a spring was read on the way down, ascending."""
        course = self._courses.get((True, label))
        return [] if course is None else [float(mm) for mm in course.height_mm]

    def loads_at(self, height_mm: float) -> dict[str, float]:
        """Return the load of each spring at a height on the way down, as Course.there."""
        return {
            label: load_n
            for (loading, label), course in self._courses.items()
            if loading and (load_n := course.there(height_mm)) is not None
        }

    def joined(self, reads: Iterable[ReadAt], label: str) -> Held:
        """Return them with others: those of one spring, and of springs that have none here."""
        both, others = Held(()), Held(reads)
        both._courses = others._courses | self._courses
        for key, course in others._courses.items():
            if key[1] == label and key in self._courses:
                both._courses[key] = Course([*self._courses[key], *course])
        return both

    def leave_out(self, read: ReadAt) -> None:
        """Hold a reading no longer."""
        key = read.loading, read.label
        self._courses[key] = self._courses[key].without(read)


def straight(height_mm: float, one: tuple[float, float], other: tuple[float, float]) -> float:
    """Return the load at a height, straight through two of height and load."""
    share = (height_mm - one[0]) / (other[0] - one[0])
    return one[1] + share * (other[1] - one[1])
