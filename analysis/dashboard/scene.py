"""What a frame is drawn from: a capture's snapshot, the set's table, units, keys. Pure."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cached_property

import msgspec
from msgspec.structs import replace

from coilbench.analysis.report.units import Units
from coilbench.capture.running.commands import Snapshot
from coilbench.capture.strokes.judging import NEAR_SOLID_MM

REACHED_MM = 0.05  # as the recorder's own slack
WARN_MM = 2.0  # so near to solid a stroke is warned of; common practice keeps 1 to 1.5 mm free
ROOM_SHARE = 0.06  # of the way from free to the lowest mark: shown beyond it
_EIGHTHS = " ▏▎▍▌▋▊▉"  # a character filled by so many eighths from its left


class _Mark(msgspec.Struct, frozen=True):
    letter: str
    name: str
    height_mm: float


class HeightBar(msgspec.Struct, frozen=True, dict=True):
    """What the bar shows; what is None is not known.

    Attributes:
        height_mm, free_mm: where the press is, and where the spring is free.
        solid_mm: the expected solid height.
        heights_mm: as the user asked for them: the highest is the seat's, the lowest the open
            one's; a single one is a target.
        reach_mm: what every stroke must be pressed down to.
    """

    height_mm: float | None
    free_mm: float | None
    solid_mm: float | None
    heights_mm: Sequence[float]
    reach_mm: float | None = None

    @cached_property
    def marks(self) -> tuple[_Mark, ...]:
        """The marks, from the highest down."""
        ordered = sorted(set(self.heights_mm), reverse=True)
        marks = [_Mark("|", "check", height) for height in ordered[1:-1]]
        if len(ordered) > 1:
            marks += [_Mark("S", "seat", ordered[0]), _Mark("O", "open", ordered[-1])]
        elif ordered:
            marks.append(_Mark("T", "target", ordered[0]))
        if self.reach_mm is not None and self.reach_mm not in ordered:
            marks.append(_Mark("T", "target", self.reach_mm))
        return tuple(sorted(marks, key=lambda mark: -mark.height_mm))

    def lines(self, width: int, units: Units, *, ascii_only: bool) -> tuple[str, str]:
        """Return the bar and the line of its marks' heights below it, each width wide."""
        ends = self._ends()
        if ends is None or width < 20:
            return "", ""
        top_mm, low_mm = ends
        inner = width - 2

        def share(height_mm: float) -> float:
            return min(1.0, max(0.0, (top_mm - height_mm) / (top_mm - low_mm)))

        def place(height_mm: float) -> int:
            return round(share(height_mm) * (inner - 1))

        empty, solid = ("-", "X") if ascii_only else ("·", "▒")
        cells = [empty] * inner
        if self.solid_mm is not None:
            first = place(self.solid_mm)
            cells[first:] = solid * (inner - first)
        if self.height_mm is not None:
            pressed = share(self.height_mm)
            filled = _arrow(pressed, inner) if ascii_only else _eighths(pressed, inner)
            cells[: len(filled)] = filled
        for mark in self.marks:
            cells[place(mark.height_mm)] = mark.letter
        return f"[{''.join(cells)}]", self._named(width, place, units)

    def _named(self, width: int, place: Callable[[float], int], units: Units) -> str:
        below = [" "] * width
        free_at = 0
        for mark in self.marks:
            text = f"{mark.letter} {mark.name} {units.length_text(mark.height_mm)}"
            at = min(max(free_at, 1 + place(mark.height_mm) - len(text) // 2), width - len(text))
            if at < free_at:
                continue
            below[at : at + len(text)] = text
            free_at = at + len(text) + 2
        return "".join(below)

    def words(self, units: Units) -> str:
        """Say how far it is to the next mark; never to press near the expected solid height."""
        if not self.marks:
            return "no height is asked for: give --at for the seat and the open height"
        if self.height_mm is None:
            return ""
        left = [mark for mark in self.marks if self.height_mm - mark.height_mm > REACHED_MM]
        if not left:
            return "far enough: let it up"
        mark = left[0]
        where = f"{mark.name} at {units.length_text(mark.height_mm)}"
        if self.solid_mm is not None and mark.height_mm - self.solid_mm < NEAR_SOLID_MM:
            return f"{where} lies too near the expected solid height: don't press that far"
        return f"{units.length_text(self.height_mm - mark.height_mm)} to {where}"

    @property
    def near_bind(self) -> bool:
        """Whether the coils are about to touch: the press must stop."""
        if self.solid_mm is None or self.height_mm is None:
            return False
        return self.height_mm - self.solid_mm <= WARN_MM

    def bind_warning(self, units: Units) -> str | None:
        """Say how far it is to the expected solid height; None where one is not known."""
        if self.solid_mm is None or self.height_mm is None:
            return None
        left_mm, solid = self.height_mm - self.solid_mm, units.length_text(self.solid_mm)
        if left_mm <= 0.0:
            return f"at the expected solid height of {solid}: let the quill up"
        far = f"{units.length_text(left_mm)} to the expected solid height of {solid}"
        return f"near coil bind, {far}: let the quill up" if self.near_bind else far

    def _ends(self) -> tuple[float, float] | None:
        """Return the heights at the bar's left and right end; None where there is nothing."""
        known = [mark.height_mm for mark in self.marks]
        if self.solid_mm is not None:
            known.append(self.solid_mm)
        if not known:
            return None
        top_mm = max(known) * 1.2 if self.free_mm is None else max(self.free_mm, *known)
        low_mm = min(known)
        low_mm -= ROOM_SHARE * (top_mm - low_mm)
        return (top_mm, low_mm) if top_mm > low_mm else None


def _arrow(share: float, inner: int) -> str:
    return "=" * round(share * (inner - 1)) + ">"


def _eighths(share: float, inner: int) -> str:
    whole, part = divmod(round(share * inner * 8), 8)
    return "█" * whole + (_EIGHTHS[part] if part else "")


class SpringRow(msgspec.Struct, frozen=True):
    """One spring's line: loads at the table's heights, kinds of its flags, a sentence for each.

    Attributes:
        strokes: that count or wait.
        waits: how many of them do.
    """

    label: str
    strokes: int
    loads_n: tuple[float | None, ...]
    flags: tuple[str, ...]
    reasons: tuple[str, ...] = ()
    waits: int = 0


class SetTable(msgspec.Struct, frozen=True):
    """The set's table: the heights it reads at, and a row a spring in turn order.

    Attributes:
        solid_mm: the expected solid height: the highest that is known of the set or a spring, else
            the highest that was measured.
        nominal_mm: heights at which the set has a nominal load.
        band: (height_mm, lowest_n, highest_n) over the springs measured so far.
    """

    heights_mm: tuple[float, ...]
    strokes_wanted: int
    rows: tuple[SpringRow, ...]
    solid_mm: float | None = None
    nominal_mm: tuple[float, ...] = ()
    band: tuple[tuple[float, float, float], ...] = ()


class Scene(msgspec.Struct, frozen=True):
    """Everything a frame is drawn from.

    Attributes:
        heights_mm: the heights asked for, seat and open; without, those of the set's nominal.
        standing: how old the calibration is and what the last check said.
        keys: what the keys do.
        said: what is being typed, or why a key did nothing.
    """

    snapshot: Snapshot
    table: SetTable
    units: Units
    heights_mm: tuple[float, ...] = ()
    standing: str = ""
    keys: str = ""
    said: str = ""

    @property
    def bar(self) -> HeightBar:
        """The height bar: where the press is on its way to the marks."""
        snapshot = self.snapshot
        return HeightBar(
            snapshot.height_mm,
            snapshot.free_length_mm,
            self.table.solid_mm,
            self.heights_mm or self.table.nominal_mm,
            snapshot.reach_height_mm,
        )

    @property
    def stop(self) -> bool:
        """Whether the press must stop now: an alarm, or the coils are about to touch."""
        pressed = self.snapshot.phase != "idle"  # a quill that touches nothing binds nothing
        return self.snapshot.stop or (pressed and self.bar.near_bind)


def known_now(snapshot: Snapshot) -> Snapshot:
    """Return the snapshot without what is not known now, whoever made it.

    A lost link, an old sample and a lost datum leave no number behind, and nothing is called free
    where the load is not known.
    """
    now = snapshot.aged(0.0)
    if now.link != "up":
        now = replace(now, load_n=None, height_mm=None)
    if now.load_n is None:
        now = replace(now, phase="unknown", curve=())
    if now.datum is not None:
        now = replace(now, height_mm=None, turn=None, curve=())
    return now
