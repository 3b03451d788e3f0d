"""Sets and their springs in the book.

Give a spring another label.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal, cast

from sqlite_utils import Database

from coilbench.capture.book.nominals import SetNominal
from coilbench.capture.book.rows import insert, new_id, utc_now, writing
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes.judging import Done, Purpose, TurnOrder

Role = Literal["outer", "inner", "single"]
CONDITIONING_STROKES = 2  # common practice, no source: work a spring a few times before reading it
MEASURED_STROKES = 3
MOST_SPRINGS = 999
LONGEST_NAME = 60


@dataclass(frozen=True)
class SpringRecord:
    """One spring of a set.

    Attributes:
        solid_height_mm: measured for this spring; None falls back on the set's.
        solid_reason: how that was found, in words.
    """

    spring_id: str
    label: str
    turn: int
    solid_height_mm: float | None
    solid_reason: str | None


@dataclass(frozen=True)
class SetRecord:
    """A set and its springs in turn order; dimensions are None where not given."""

    set_id: str
    name: str
    role: Role
    free_length_mm: float | None
    solid_height_mm: float | None
    wire_mm: float | None
    coil_diameter_mm: float | None
    active_coils: float | None
    conditioning_strokes: int
    measured_strokes: int
    springs: tuple[SpringRecord, ...]
    nominal: SetNominal | None = None

    @property
    def labels(self) -> tuple[str, ...]:
        """The springs' labels in turn order."""
        return tuple(spring.label for spring in self.springs)

    def spring(self, label: str) -> SpringRecord:
        """Return the spring of that label.

        Raises:
            CoilbenchError: the set has no such spring.
        """
        for spring in self.springs:
            if spring.label == label:
                return spring
        raise CoilbenchError(
            f"the set {self.name!r} has no spring {label!r}",
            hint=f"Its springs are {_shortened(self.labels)}",
        )


@dataclass(frozen=True)
class SetPlan:
    """A set as the user asks for it; lengths in mm, dimensions None where not given.

    Raises:
        CoilbenchError: a name or label that cannot be one, a label that stands twice, an
            impossible dimension or count. So a plan is sound before any book is opened for it.
    """

    name: str
    role: Role
    labels: tuple[str, ...]
    free_length_mm: float | None = None
    solid_height_mm: float | None = None
    wire_mm: float | None = None
    coil_diameter_mm: float | None = None
    active_coils: float | None = None
    conditioning_strokes: int = CONDITIONING_STROKES
    measured_strokes: int = MEASURED_STROKES
    nominal: SetNominal | None = None

    def __post_init__(self) -> None:
        _check_name(self.name, "set name")
        _check_labels(self.labels)
        _check_dimensions(self)
        if self.conditioning_strokes < 0 or self.measured_strokes < 1:
            raise CoilbenchError(
                f"{self.conditioning_strokes} conditioning presses and {self.measured_strokes} "
                "measured strokes a spring are not possible",
                hint="Give 0 or more conditioning presses and at least 1 measured stroke",
            )


def labels_for(name: str, count: int) -> tuple[str, ...]:
    """Return `name-01` … `name-12`, wide enough for all to sort as text.

    Raises:
        CoilbenchError: a count that is not 1 to 999.
    """
    _check_count(count)
    width = max(2, len(str(count)))
    return tuple(f"{name}-{number:0{width}d}" for number in range(1, count + 1))


def _check_name(name: str, what: str) -> None:
    if not 1 <= len(name) <= LONGEST_NAME or not name.isprintable() or set(name) & set(",;"):
        raise CoilbenchError(
            f"{name[: 2 * LONGEST_NAME]!r} cannot be a {what}",
            hint=f"Use 1 to {LONGEST_NAME} printable characters, no commas or semicolons",
        )
    if name != name.strip():
        raise CoilbenchError(f"the {what} {name!r} has a blank at an end", hint="Take it away")
    if name.startswith("-"):
        raise CoilbenchError(
            f"the {what} {name!r} begins with a dash, like an option", hint="Begin with a letter"
        )


def _check_labels(labels: Sequence[str]) -> None:
    _check_count(len(labels))
    for label in labels:
        _check_name(label, "label")
    seen: set[str] = set()
    for label in labels:
        if label in seen:
            raise CoilbenchError(
                f"the label {label!r} stands twice", hint="Give every spring a label of its own"
            )
        seen.add(label)


def _check_count(count: int) -> None:
    if not 1 <= count <= MOST_SPRINGS:
        raise CoilbenchError(
            f"a set of {count} springs is not possible", hint=f"Give 1 to {MOST_SPRINGS}"
        )


def _check_dimensions(plan: SetPlan) -> None:
    for what, value in (
        ("free length", plan.free_length_mm),
        ("solid height", plan.solid_height_mm),
        ("wire", plan.wire_mm),
        ("coil diameter", plan.coil_diameter_mm),
        ("active coils", plan.active_coils),
    ):
        if value is not None and not 0.0 < value < math.inf:
            raise CoilbenchError(f"the {what} of {value:g} is not above 0", hint="Correct it")
    _check_less("solid height", plan.solid_height_mm, "free length", plan.free_length_mm)
    _check_less("wire", plan.wire_mm, "coil diameter", plan.coil_diameter_mm)
    _check_nominal(plan.nominal, plan.solid_height_mm, plan.free_length_mm)


def _check_nominal(
    nominal: SetNominal | None, solid_mm: float | None, free_mm: float | None
) -> None:
    for load in () if nominal is None else nominal.loads:
        _check_less("nominal's height", load.height_mm, "free length", free_mm)
        _check_less("solid height", solid_mm, "nominal's height", load.height_mm)


def _check_less(small: str, small_mm: float | None, large: str, large_mm: float | None) -> None:
    if small_mm is not None and large_mm is not None and small_mm >= large_mm:
        raise CoilbenchError(
            f"the {small} of {small_mm:g} mm is not below the {large} of {large_mm:g} mm",
            hint="Check the two",
        )


def new_set(db: Database, plan: SetPlan) -> SetRecord:
    """Register a set and its springs.

    Raises:
        CoilbenchError: the name is taken.
    """
    set_id = new_id()
    with writing(db):
        if db.execute("SELECT 1 FROM sets WHERE name = ?", [plan.name]).fetchone():
            raise CoilbenchError(
                f"there is a set {plan.name!r} already", hint="Choose another name for the new set"
            )
        insert(
            db,
            "sets",
            {
                "id": set_id,
                "name": plan.name,
                "role": plan.role,
                "made_utc": utc_now(),
                "free_length_mm": plan.free_length_mm,
                "solid_height_mm": plan.solid_height_mm,
                "wire_mm": plan.wire_mm,
                "coil_diameter_mm": plan.coil_diameter_mm,
                "active_coils": plan.active_coils,
                "conditioning_strokes": plan.conditioning_strokes,
                "measured_strokes": plan.measured_strokes,
                "nominal_json": None if plan.nominal is None else plan.nominal.to_json(),
            },
        )
        for turn, label in enumerate(plan.labels, start=1):
            insert(
                db,
                "springs",
                {"id": new_id(), "set_id": set_id, "label": label, "turn": turn},
            )
    return find_set(db, plan.name)


def set_names(db: Database) -> list[str]:
    """Return all sets' names in the order they were made."""
    return [row["name"] for row in db.query("SELECT name FROM sets ORDER BY made_utc, rowid")]


def find_set(db: Database, name: str) -> SetRecord:
    """Return a set by its name.

    Raises:
        CoilbenchError: there is no such set.
    """
    rows = list(db.query("SELECT * FROM sets WHERE name = ?", [name]))
    if not rows:
        known = set_names(db)
        hint = (
            f"Known sets: {_shortened(known)}"
            if known
            else f"Start it with: coilbench set new {name} --role outer --count 12"
        )
        raise CoilbenchError(f"there is no set {name!r} in this book", hint=hint)
    return _record(db, rows[0])


def _record(db: Database, row: dict[str, Any]) -> SetRecord:
    springs = tuple(
        SpringRecord(
            spring_id=spring["id"],
            label=spring["label"],
            turn=spring["turn"],
            solid_height_mm=spring["solid_height_mm"],
            solid_reason=spring["solid_reason"],
        )
        for spring in db.query("SELECT * FROM springs WHERE set_id = ? ORDER BY turn", [row["id"]])
    )
    return SetRecord(
        set_id=row["id"],
        name=row["name"],
        role=cast(Role, row["role"]),
        free_length_mm=row["free_length_mm"],
        solid_height_mm=row["solid_height_mm"],
        wire_mm=row["wire_mm"],
        coil_diameter_mm=row["coil_diameter_mm"],
        active_coils=row["active_coils"],
        conditioning_strokes=row["conditioning_strokes"],
        measured_strokes=row["measured_strokes"],
        springs=springs,
        nominal=SetNominal.from_json(row["nominal_json"]),
    )


def keep_nominal(db: Database, record: SetRecord, nominal: SetNominal | None) -> SetRecord:
    """Keep a nominal with a set, in place of the one it had; None takes it away.

    Raises:
        CoilbenchError: a height of it is not between solid height and free length.
    """
    _check_nominal(nominal, record.solid_height_mm, record.free_length_mm)
    text = None if nominal is None else nominal.to_json()
    with writing(db):
        db.execute("UPDATE sets SET nominal_json = ? WHERE id = ?", [text, record.set_id])
    return find_set(db, record.name)


def turn_order(db: Database, record: SetRecord) -> TurnOrder:
    """Return how far a set has come, from the strokes that count."""
    done: dict[str, Done] = {}
    for row in db.query(
        """
        SELECT springs.label AS label,
          sum(sweeps.purpose = 'conditioning') AS conditioning,
          sum(sweeps.purpose = 'measured') AS measured
        FROM sweeps JOIN springs ON springs.id = sweeps.spring_id
        WHERE springs.set_id = ? AND sweeps.counted
        GROUP BY springs.id
        """,
        [record.set_id],
    ):
        done[row["label"]] = Done(row[Purpose.CONDITIONING], row[Purpose.MEASURED])
    return TurnOrder(record.labels, record.conditioning_strokes, record.measured_strokes, done)


def _shortened(names: Sequence[str], most: int = 8) -> str:
    shown = ", ".join(names[:most])
    return shown if len(names) <= most else f"{shown} and {len(names) - most} more"


def rename_spring(db: Database, record: SetRecord, label: str, new_label: str) -> SetRecord:
    """Give a spring another label; its sweeps stay with it. Returns the set as it is then.

    Raises:
        CoilbenchError: the set has no such spring, or can't have a spring of that label.
    """
    spring_id = record.spring(label).spring_id
    labels = tuple(new_label if one == label else one for one in record.labels)
    SetPlan(record.name, record.role, labels)  # refuses what no set may have
    with writing(db):
        db.execute("UPDATE springs SET label = ? WHERE id = ?", [new_label, spring_id])
    return find_set(db, record.name)
