"""All springs of a role in the book, as a build would have them: first readings, what is out."""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import cached_property

import msgspec
import numpy as np

from coilbench.analysis.engine.build_file import BuildFile, Where
from coilbench.analysis.engine.shims import Role, SeatChoice
from coilbench.analysis.engine.three_index import Array, Index
from coilbench.analysis.engine.valve_loads import Place, Standing
from coilbench.analysis.inputs.first_loads import FirstLoads
from coilbench.capture.book.connection import Database
from coilbench.capture.book.sets import find_set
from coilbench.capture.errors import CoilbenchError


class Wanted(msgspec.Struct, frozen=True):
    """What a build wants of its springs.

    Attributes:
        build: the file; its sets may still be open.
        choices: what may be done under the springs.
        places: where valves stand, with the valves of each.
    """

    build: BuildFile
    choices: tuple[SeatChoice, ...]
    places: Mapping[Place, list[int]]


class Shelf(msgspec.Struct, frozen=True, dict=True):
    """All springs of a role in the book, and what became of them.

    Attributes:
        springs, sets: how many there are, with the mark that was asked for.
        unmeasured: springs without a stroke that counts.
        outside: springs not pressed over the heights that `where` asks for.
        not_read: springs that no first reading has at any height they would have.
        partly_read: springs read over some of the choices alone, which count there alone.
        judged: names of the sets whose loads are those of a judgement.
        first: first readings of the others and of the judged, K places, S choices as `standing`.
        loads_at: where in `first` the loads are, shut and at full lift, shape (K, S, 2).
    """

    role: Role
    springs: int
    sets: int
    unmeasured: int
    outside: int
    not_read: int
    partly_read: int
    judged: tuple[str, ...]
    first: FirstLoads
    loads_at: Index

    @property
    def only_looked_at(self) -> int:
        """Springs that were read, and not judged."""
        return sum(spring.set_name not in self.judged for spring in self.first.springs)

    @cached_property
    def labels(self) -> dict[str, set[str]]:
        """Labels by set."""
        found: dict[str, set[str]] = {}
        for spring in self.first.springs:
            found.setdefault(spring.set_name, set()).add(spring.label)
        return found


def read_shelf(db: Database, wanted: Wanted, role: Role) -> Shelf:
    """Read a role's springs at every height that they would have.

    Raises:
        CoilbenchError: there is none, or a named set is not in the book.
    """
    build, named = wanted.build, getattr(wanted.build.springs, role)
    every = role in build.springs.every
    where = build.springs.where if every else Where()
    for name in () if every else named:
        find_set(db, name, strokes=False)  # refuses one that is not in the book
    sets: tuple[str, str] = (role, role)
    if role == "outer" and not build.springs.paired:
        sets = ("outer", "single")
    standing = Standing.of(build, wanted.choices, role)
    at_mm = np.array([place.height_mm for place in wanted.places])[:, None]
    seat_mm = at_mm + np.asarray(standing.changes_mm)[None, :]
    lift_mm = np.array([place.cam.valve_lift_mm for place in wanted.places])[:, None]
    stand_mm = np.round(np.stack([seat_mm, seat_mm - lift_mm], axis=-1), 6)
    heights_mm, loads_at = np.unique(stand_mm, return_inverse=True)
    first = FirstLoads.read(db, sets, where.mark, heights_mm)
    if not every:  # named sets beside every set of the other role
        first = first.of([n for n, one in enumerate(first.springs) if one.set_name in named])
    loads_at = loads_at.reshape(stand_mm.shape)
    low_mm, high_mm = where.read_down_to_mm, where.read_up_to_mm
    measured = ~np.isnan(first.lowest_mm)
    over = measured.copy()
    over &= first.lowest_mm <= (math.inf if low_mm is None else low_mm)
    over &= first.highest_mm >= (-math.inf if high_mm is None else high_mm)
    both_ends = ~np.isnan(first.load_n[:, loads_at]).any(axis=3)
    read = over & np.any(both_ends, axis=(1, 2))
    if not read.any():
        _refuse_empty(build, role, len(first.springs), int(measured.sum()), heights_mm)
    return Shelf(
        role,
        len(first.springs),
        len(first.sets),
        int(np.sum(~measured)),
        int(np.sum(measured & ~over)),
        int(np.sum(over & ~read)),
        int(np.sum(read & ~np.all(both_ends, axis=(1, 2)))),
        (),
        first.of(np.flatnonzero(read)),
        loads_at,
    )


def _refuse_empty(
    build: BuildFile, role: Role, springs: int, measured: int, heights_mm: Array
) -> None:
    mark = build.springs.where.mark
    marked = "" if mark is None else f" marked {mark!r}"
    where = f"{build.name}, springs.{'outer' if role == 'outer' else 'inner'}"
    if not springs:
        hint = "See the sets, their roles and marks: coilbench set list"
        raise CoilbenchError(f"the book has no {role} spring{marked}", where=where, hint=hint)
    what = f"none of the book's {springs} {role} springs{marked} "
    if not measured:
        raise CoilbenchError(
            f"{what}is measured yet", where=where, hint="Measure one: coilbench live"
        )
    raise CoilbenchError(
        f"{what}was pressed as far as is asked for, between {{low_mm}} and {{high_mm}}",
        where=where,
        hint="Measure some there, or ask for less under springs.where",
        low_mm=float(heights_mm[0]),
        high_mm=float(heights_mm[-1]),
    )
