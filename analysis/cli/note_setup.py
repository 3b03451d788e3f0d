"""How the readings that are keyed in were taken: as given, else as the last time, which is said."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from coilbench.analysis.cli.common import units
from coilbench.analysis.cli.hand_options import NO_SCALE, NOTE_FLAGS
from coilbench.analysis.cli.rig_ratings import refuse_heavy_rests
from coilbench.analysis.report.reading_text import TARE_RIGHT
from coilbench.analysis.report.slip_text import setup_text
from coilbench.capture.book.connection import Database
from coilbench.capture.book.keyed_readings import last_setup
from coilbench.capture.book.scales import find_scale, newer_elsewhere
from coilbench.capture.book.sets import SetRecord
from coilbench.capture.calibration.give import GivePoint, fit_give
from coilbench.capture.calibration.keyed_setup import Give, KeyedSetup
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.plain import as_typed

if TYPE_CHECKING:
    from coilbench.analysis.engine.build_file import ScaleGiven


def given_give(points: Sequence[GivePoint | None], step_mm: float) -> Give | None:
    """Return what --give says, on a quill of that step; None where it was not given.

    Raises:
        CoilbenchError: an impossible give, or one that is none too.
    """
    known = [point for point in points if point is not None]
    if known and len(known) < len(points):
        raise CoilbenchError(
            "a give cannot be none beside a point", where="--give", hint="Give the one or the other"
        )
    if known:
        return fit_give(known, step_mm)
    return Give() if points else None


class Given:
    """What was given of how readings are taken; the rest is as the last time.

    Args:
        options: of setup_options, None where not given.
        sure: an unlikely value is taken as it is.

    Raises:
        CoilbenchError: an impossible value.
    """

    def __init__(self, options: Mapping[str, Any], *, sure: bool = False) -> None:
        self._numbers = {name: options[name] for name in NOTE_FLAGS if options[name] is not None}
        self._scale_name: str | None = options["scale_name"]
        self._give: Sequence[GivePoint | None] = options["give"]
        self._first: dict[str, Any] = {}  # as the build file has it, before any reading
        if not sure:
            refuse_heavy_rests(self._numbers.get("rests_n", 0.0))
        for name in ("scale_resolution_n", "quill_resolution_mm"):
            if self._numbers.get(name, 1.0) <= 0.0:
                raise CoilbenchError(
                    "the smallest step of a scale or quill is not above 0",
                    where="--resolution, --quill",
                    hint="Give the smallest step that it shows, like 0.1kg and 0.1mm",
                )

    def on_scale(self, scale: ScaleGiven | None) -> None:
        """Take readings as a build file says, if any, where nothing was keyed in before."""
        if scale is None:
            return
        known = {"tare_n": scale.tare_n, "scale_resolution_n": scale.step_n}
        self._first = {name: float(value) for name, value in known.items() if value is not None}
        if scale.give_mm is not None and scale.give_at_n is not None:
            step_mm = KeyedSetup().quill_resolution_mm
            point = GivePoint(float(scale.give_mm), float(scale.give_at_n))
            self._first |= fit_give([point], step_mm)._asdict()

    def lacks_tare(self, db: Database, record: SetRecord) -> bool:
        """Tell whether nobody said yet what the scale shows with no spring pressed."""
        known = "tare_n" in self._numbers or "tare_n" in self._first
        return not known and last_setup(db, record) is None

    def take_tare(self, tare_n: float) -> None:
        """Take what somebody answered."""
        self._numbers["tare_n"] = tare_n

    def of_set(self, db: Database, record: SetRecord) -> tuple[KeyedSetup, list[str]]:
        """Return how a set's readings are taken; and sentences: what is as before, what is not.

        What is not given is as it was when readings of the set, else of any, were keyed in last.

        Raises:
            CoilbenchError: a scale that the book does not have.
        """
        last, of = last_setup(db, record) or (KeyedSetup(**self._first), "")
        scale = last.scale
        if self._scale_name is not None:
            none = self._scale_name == NO_SCALE
            scale = None if none else find_scale(db, self._scale_name)
        elif scale is not None:
            scale = _newest(db, scale.name) or scale
        numbers = self._numbers
        step_mm = numbers.get("quill_resolution_mm", last.quill_resolution_mm)
        if (give := given_give(self._give, step_mm)) is not None:
            numbers = numbers | give._asdict()
        now = KeyedSetup(**{**_numbers(last), **numbers}, scale=scale)
        carried = setup_text(_left(now, numbers, self._scale_name), units())
        said = []
        newer = None if self._scale_name is None else newer_elsewhere(db, self._scale_name)
        if newer is not None:
            said.append(
                f"A scale {self._scale_name} was weighed later than this one: at another bench, or "
                f"here before this book was put back. If it is that very scale: --scale "
                f"{as_typed(newer)}."
            )
        if "tare_n" not in numbers and now.tare_n == 0.0:
            if of:
                carried = f"{carried}, no tare" if carried else "no tare"
            elif "tare_n" not in self._first:
                zero = units().load_text(0.0)
                said.append(
                    f"Tare taken as {zero}: {TARE_RIGHT}. If not, key them again with --tare."
                )
        if of and carried:
            whose = "" if of == record.name else f" with {of}"
            said.append(f"As the last time{whose}: {carried}.")
        if of == record.name and _facts(now) != _facts(last):
            texts = (setup_text(one.to_document(), units()) for one in (last, now))
            before, after = (text or "no tare, no lever, no give" for text in texts)
            said.append(f"Earlier readings of {of} were taken otherwise: {before}; now: {after}.")
        return now, said


def _newest(db: Database, name: str) -> Any:
    try:
        return find_scale(db, name)
    except CoilbenchError:  # came with the readings of another book
        return None


def _numbers(setup: KeyedSetup) -> dict[str, float]:
    return {name: getattr(setup, name) for name in (*NOTE_FLAGS, *Give._fields)}


def _facts(setup: KeyedSetup) -> tuple[object, ...]:
    name = None if setup.scale is None else setup.scale.name
    return (name, *(round(value, 6) for value in _numbers(setup).values()))


def _left(now: KeyedSetup, given: Mapping[str, float], scale_name: str | None) -> dict[str, Any]:
    """Return a setup's document with the usual in place of what was given."""
    kept = _numbers(KeyedSetup()) | {
        name: value for name, value in _numbers(now).items() if name not in given
    }
    scale = None if scale_name is not None else now.to_document()["scale"]
    return {**kept, "scale": scale}
