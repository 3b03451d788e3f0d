"""Sets and their springs in the book."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from functools import cached_property
from typing import Any, Literal
from weakref import WeakKeyDictionary

import msgspec

from coilbench.capture.book.connection import Database
from coilbench.capture.book.merge_names import has_figures, row_in_full
from coilbench.capture.book.nominals import SetNominal
from coilbench.capture.book.ratings import rests_of_set, tell_set_rests
from coilbench.capture.book.rows import first_row, insert, new_id, utc_now, writing
from coilbench.capture.book.vouching import refuse_damaged_names, refuse_damaged_set
from coilbench.capture.choices import CONDITIONING_STROKES, MEASURED_STROKES
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.plain import as_typed
from coilbench.capture.tables.dimensions import Sizes, refuse_sizes

Role = Literal["outer", "inner", "single"]
MOST_SPRINGS = 999
LONGEST_NAME = 60
_MEASURED = """
SELECT 1 AS found FROM sessions WHERE set_id = ?
UNION ALL
SELECT 1 FROM sweeps JOIN springs ON springs.id = spring_id WHERE set_id = ? LIMIT 1
"""
_OF_A_SET = (
    "hand_entries",
    "set_rests",
    "label_swaps",
    "springs",
)  # in an order that their references allow


class SpringRecord(msgspec.Struct, frozen=True):
    """One spring of a set."""

    spring_id: str
    label: str
    turn: int
    solid_height_mm: float | None  # of this spring: by hand, else as found; None: the set's holds
    solid_reason: str | None  # how it was found
    solid_by_hand_u_mm: float | None = None  # standard uncertainty (k = 1); None: not by hand
    free_length_mm: float | None = None  # measured by hand; None where it was not
    free_length_u_mm: float | None = None  # standard uncertainty (k = 1)
    mark: str | None = None
    note: str | None = None


class SetPlan(msgspec.Struct, frozen=True):
    """A set as the user asks for it; lengths in mm, dimensions None where not given.

    Raises:
        CoilbenchError: an invalid name or label, a duplicate label, an impossible dimension or
            count. So a plan is valid before any book is opened for it.
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
    note: str | None = None
    mark: str | None = None
    solid_height_u_mm: float | None = None  # standard (k = 1); None where none was stated
    rests_n: float | None = None  # on its springs, unseen by the cell; None: as told of the rig

    def __post_init__(self) -> None:
        refuse_set_name(self.name)
        _check_labels(self.labels)
        check_dimensions(self)
        if self.conditioning_strokes < 0 or self.measured_strokes < 1:
            raise CoilbenchError(
                f"{self.conditioning_strokes} conditioning presses and {self.measured_strokes} "
                "measured strokes per spring are not possible",
                hint="Give 0 or more conditioning presses and at least 1 measured stroke",
            )


_APART = ("labels", "nominal", "note", "mark", "rests_n")  # not columns of these names
_COLUMNS = [name for name in SetPlan.__struct_fields__ if name not in _APART]


class SetRecord(SetPlan, frozen=True, kw_only=True, dict=True):
    """A set as the book has it, its springs in turn order."""

    set_id: str
    springs: tuple[SpringRecord, ...]

    def __post_init__(self) -> None:
        pass  # checked when it was planned

    def spring(self, label: str) -> SpringRecord:
        """Return the spring of that label; CoilbenchError where there is none."""
        for spring in self.springs:
            if spring.label == label:
                return spring
        raise CoilbenchError(
            f"the set {self.name!r} has no spring {label!r}",
            hint=f"Its springs are {_shortened(self.labels)}",
        )

    def solid_of_mm(self, label: str) -> float | None:
        """Return a spring's solid height, else the highest known; None where none is."""
        own = self.spring(label).solid_height_mm
        return self.highest_solid_mm if own is None else own

    @cached_property  # asked for many times a second
    def highest_solid_mm(self) -> float | None:
        """The highest solid height known, as registered or of any spring; None where none is."""
        known = [self.solid_height_mm, *(spring.solid_height_mm for spring in self.springs)]
        return max((height_mm for height_mm in known if height_mm is not None), default=None)

    def free_of_mm(self, label: str) -> float | None:
        """Return a spring's free length as measured by hand, else its set's; None for neither."""
        own = self.spring(label).free_length_mm
        return self.free_length_mm if own is None else own

    def keep_nominal(self, db: Database, nominal: SetNominal | None) -> SetRecord:
        """Store a set's nominal in place of the one it had; None removes it.

        Raises:
            CoilbenchError: one of its heights is not between solid height and free length.
        """
        _check_nominal(nominal, self.solid_height_mm, self.free_length_mm)
        row = [_nominal_json(nominal), self.set_id]
        with writing(db):
            db.execute("UPDATE sets SET nominal_json = ? WHERE id = ?", row)
        return find_set(db, self.name)

    def rename_spring(self, db: Database, label: str, new_label: str) -> SetRecord:
        """Give a spring another label; its sweeps stay with it. Returns the changed set.

        Raises:
            CoilbenchError: the set has no such spring, or cannot have that label.
        """
        spring_id = self.spring(label).spring_id
        labels = tuple(new_label if one == label else one for one in self.labels)
        SetPlan(self.name, self.role, labels)  # refuses an invalid or duplicate label
        with writing(db):
            db.execute("UPDATE springs SET label = ? WHERE id = ?", [new_label, spring_id])
        return find_set(db, self.name)

    def swap_springs(self, db: Database, label: str, other: str) -> SetRecord:
        """Exchange two springs' labels; all that hangs on the springs goes along.

        Kept as a ruling; the same again takes it back. Returns the changed set. What stays with a
        label: see capture/book/by_hand.py.

        Raises:
            CoilbenchError: the set has no such spring, or both labels are the same.
        """
        one, two = self.spring(label), self.spring(other)
        if one == two:
            raise CoilbenchError(
                f"{label!r} can't be swapped with itself", hint="Give two springs' labels"
            )
        row = {"set_id": self.set_id, "one_id": one.spring_id, "other_id": two.spring_id}
        with writing(db):
            insert(db, "label_swaps", row | {"id": new_id(), "swapped_utc": utc_now()})
            # by way of a stand-in, since a label belongs to one spring of the set
            for spring, new_label in ((one, one.spring_id), (two, label), (one, other)):
                sql = "UPDATE springs SET label = ? WHERE id = ?"
                db.execute(sql, [new_label, spring.spring_id])
        return find_set(db, self.name)


def labels_for(name: str, count: int) -> tuple[str, ...]:
    """Return `name-01` … `name-12`, with enough digits to sort as text.

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
        raise CoilbenchError(f"the {what} {name!r} begins or ends with a blank", hint="Remove it")
    if name.startswith("-"):
        raise CoilbenchError(
            f"the {what} {name!r} begins with a dash, like an option", hint="Begin with a letter"
        )


def refuse_set_name(name: str) -> None:
    """Refuse what can't be a set's name."""
    _check_name(name, "set name")


def _refuse_new_name(name: str) -> None:
    """Refuse what nobody may call a set, though a merge does."""
    refuse_set_name(name)
    if has_figures(name):
        raise CoilbenchError(
            f"{name!r} names a set by the first characters of its id, at every bench",
            hint="Choose a name that does not end in ~ and such characters",
        )


def _check_labels(labels: Sequence[str]) -> None:
    _check_count(len(labels))
    for label in labels:
        _check_name(label, "label")
    for label, count in Counter(labels).items():
        if count > 1:
            raise CoilbenchError(
                f"duplicate label {label!r}", hint="Give every spring of a set a different label"
            )


def _check_count(count: int) -> None:
    if not 1 <= count <= MOST_SPRINGS:
        raise CoilbenchError(f"a set cannot have {count} springs", hint=f"Give 1 to {MOST_SPRINGS}")


def check_dimensions(plan: SetPlan) -> None:
    """Refuse dimensions that no spring can have, one alone or together."""
    refuse_sizes(sizes_of(plan), sure=True)
    _check_nominal(plan.nominal, plan.solid_height_mm, plan.free_length_mm)


def sizes_of(plan: SetPlan) -> Sizes:
    """Return a set's dimensions."""
    size = plan.wire_mm, plan.coil_diameter_mm, plan.active_coils
    return Sizes(plan.free_length_mm, plan.solid_height_mm, *size)


def _check_nominal(
    nominal: SetNominal | None, solid_mm: float | None, free_mm: float | None
) -> None:
    for load in () if nominal is None else nominal.loads:
        _check_less("nominal's height", load.height_mm, "free length", free_mm)
        _check_less("solid height", solid_mm, "nominal's height", load.height_mm)


def _check_less(small: str, small_mm: float | None, large: str, large_mm: float | None) -> None:
    """Refuse a length that is not below another; either may be unknown."""
    if small_mm is not None and large_mm is not None and small_mm >= large_mm:
        raise CoilbenchError(
            f"the {small} of {{small_mm}} is not below the {large} of {{large_mm}}",
            hint="Check both values",
            small_mm=small_mm,
            large_mm=large_mm,
        )


def new_set(db: Database, plan: SetPlan) -> SetRecord:
    """Register a set and its springs; CoilbenchError where the name is taken, or by an id."""
    _refuse_new_name(plan.name)
    set_id = new_id()
    with writing(db):
        if first_row(db, "SELECT id FROM sets WHERE name = ?", [plan.name]) is not None:
            raise CoilbenchError(
                f"there is already a set {plan.name!r}", hint="Choose another name for the new set"
            )
        insert(
            db,
            "sets",
            {name: getattr(plan, name) for name in _COLUMNS}
            | {"set_note": plan.note, "set_mark": plan.mark}
            | {"id": set_id, "made_utc": utc_now(), "nominal_json": _nominal_json(plan.nominal)},
        )
        for turn, label in enumerate(plan.labels, start=1):
            insert(
                db,
                "springs",
                {"id": new_id(), "set_id": set_id, "label": label, "turn": turn},
            )
        if plan.rests_n is not None:
            tell_set_rests(db, set_id, plan.rests_n)
    return find_set(db, plan.name)


def set_names(db: Database) -> list[str]:
    """Return all sets' names in the order they were made.

    Raises:
        CoilbenchError: a row of a set is damaged, or gone.
    """
    refuse_damaged_names(db.conn)
    return [row["name"] for row in db.query("SELECT name FROM sets ORDER BY made_utc, id")]


def name_in_book(db: Database, name: str) -> str:
    """Return what the book calls a set, which may be asked for by its full name.

    Raises:
        CoilbenchError: there is none.
    """
    return str(_row_called(db, name)["name"])


def _row_called(db: Database, name: str) -> dict[str, Any]:
    row = first_row(db, "SELECT * FROM sets WHERE name = ?", [name])
    if row is None:
        row = row_in_full(db, "sets", name)
    if row is None:
        known = set_names(db)
        hint = (
            f"Known sets: {_shortened(known)}"
            if known
            else f"Register it with: coilbench set new {as_typed(name)} --role outer --count 12"
        )
        raise CoilbenchError(f"there is no set {name!r} in this book", hint=hint)
    return row


_whole: WeakKeyDictionary[Database, dict[int, bytes]] = WeakKeyDictionary()  # strokes looked at


def find_set(db: Database, name: str, *, strokes: bool = True) -> SetRecord:
    """Return a set by its name, after a look at all of its rows: what is read of a set is whole.

    A name with the first characters of its id, like larch~380d, always names the same set.

    Args:
        strokes: False to let damaged ones be, where none is read or one is left out.

    Raises:
        CoilbenchError: there is none, or a row or a stroke of it is damaged, or gone.
    """
    row = _row_called(db, name)
    refuse_damaged_set(db.conn, row["id"], _whole.setdefault(db, {}) if strokes else None)
    found = db.query(
        """
        SELECT id AS spring_id, label, turn,
          coalesce(solid_by_hand_mm, solid_height_mm) AS solid_height_mm,
          CASE WHEN solid_by_hand_mm IS NULL THEN solid_reason ELSE 'by hand' END AS solid_reason,
          solid_by_hand_u_mm, own_free_length_mm AS free_length_mm,
          own_free_length_u_mm AS free_length_u_mm, spring_mark AS mark, spring_note AS note
        FROM springs WHERE set_id = ? ORDER BY turn
        """,
        [row["id"]],
    )
    springs = tuple(SpringRecord(**spring) for spring in found)
    _check_count(max(len(springs), 1))  # another program may have written the book
    return SetRecord(
        **{column: row[column] for column in _COLUMNS},
        set_id=row["id"],
        springs=springs,
        labels=tuple(spring.label for spring in springs),
        nominal=SetNominal.from_json(row["nominal_json"]),
        note=row["set_note"],
        mark=row["set_mark"],
        rests_n=rests_of_set(db, row["id"]),
    )


def _nominal_json(nominal: SetNominal | None) -> str | None:
    return None if nominal is None else nominal.to_json()


def _shortened(names: Sequence[str], most: int = 8) -> str:
    shown = ", ".join(names[:most])
    return shown if len(names) <= most else f"{shown} and {len(names) - most} more"


def rename_set(db: Database, record: SetRecord, name: str) -> SetRecord:
    """Give a set another name; its springs keep their labels.

    Raises:
        CoilbenchError: the name is taken, or can't be one.
    """
    _refuse_new_name(name)
    with writing(db):
        if first_row(db, "SELECT id FROM sets WHERE name = ?", [name]) is not None:
            raise CoilbenchError(f"there is already a set {name!r}", hint="Choose another name")
        db.execute("UPDATE sets SET name = ? WHERE id = ?", [name, record.set_id])
        return find_set(db, name)


def remove_set(db: Database, record: SetRecord) -> None:
    """Remove a set of which nothing was pressed, with what was entered of it by hand.

    Raises:
        CoilbenchError: it has strokes or readings, counted or not; they stay in the book.
    """
    with writing(db):
        if first_row(db, _MEASURED, [record.set_id] * 2) is not None:
            raise CoilbenchError(
                f"the set {record.name!r} has strokes or readings, which stay in the book",
                hint="To call it otherwise: coilbench set edit "
                f"{as_typed(record.name)} --rename NEW",
            )
        for table in _OF_A_SET:
            db.execute(f"DELETE FROM {table} WHERE set_id = ?", [record.set_id])  # noqa: S608
        db.execute("DELETE FROM sets WHERE id = ?", [record.set_id])
