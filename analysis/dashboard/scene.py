"""What a frame is drawn from: a capture's snapshot, the set's table, units, keys. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace

from coilbench.analysis.dashboard.drawing import HeightBar
from coilbench.analysis.report.units import Units
from coilbench.capture.running.commands import Snapshot


@dataclass(frozen=True)
class SpringRow:
    """One spring's line: loads at the table's heights, kinds of its flags, a sentence for each."""

    label: str
    strokes: int
    loads_n: tuple[float | None, ...]
    flags: tuple[str, ...]
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True)
class SetTable:
    """The set's table: the heights it reads at, and a row a spring in turn order.

    Attributes:
        solid_mm: the expected solid height: the set's own, else the highest that was measured.
        nominal_mm: heights at which the set has a nominal load.
        band: (height_mm, lowest_n, highest_n) over the springs measured so far.
    """

    heights_mm: tuple[float, ...]
    strokes_wanted: int
    rows: tuple[SpringRow, ...]
    solid_mm: float | None = None
    nominal_mm: tuple[float, ...] = ()
    band: tuple[tuple[float, float, float], ...] = ()


@dataclass(frozen=True)
class Scene:
    """Everything a frame is drawn from.

    Attributes:
        heights_mm: the heights asked for, seat and open; without, those of the set's nominal.
        standing: how old the calibration is and what the last check said.
        keys: what the keys do, or what is being typed.
    """

    snapshot: Snapshot
    table: SetTable
    units: Units
    heights_mm: tuple[float, ...] = ()
    standing: str = ""
    keys: str = ""

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
