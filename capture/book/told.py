"""What another bench told of a set by hand, and so changed here: it is said, as numbers follow.

Lengths, coils, notes and marks, the nominal, and what rests on the springs.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping

import msgspec

from coilbench.capture.book.connection import Database
from coilbench.capture.book.hand_columns import OF_SETS, OF_SPRINGS
from coilbench.capture.book.ratings import rests_of_set

MOST_SPRINGS_TOLD = 3  # each by itself; of more in one set, how many
Value = float | str | None
_Of = tuple[str, str | None, str]  # a set's id, a spring's or none, and what is told of it
_Standing = Mapping[_Of, Value]
RESTS, NOMINAL, NAME, SPRINGS = "rests_n", "nominal_json", "name", "springs"
_VALUE = "coalesce({}.length_mm, {}.active_coils, {}.words)"


class Told(msgspec.Struct, frozen=True):
    """What is told of a set, or of one spring, has another value than it had, or than was told.

    Attributes:
        of: the set, and the spring's label.
        what: as `hand_columns` calls it, or RESTS, NOMINAL, NAME or SPRINGS.
        values: what holds and the other, in the unit that `what` names, a nominal as it is stored;
            None where none is told. Of SPRINGS: how many the set has, and those that joined it.
        at_once: told at two benches, neither knowing of the other.
        springs: of how many springs of the set, where they are not named one by one.
        set_id: the set's.
    """

    of: str
    what: str
    values: tuple[Value, Value] = (None, None)
    at_once: bool = False
    springs: int = 1
    set_id: str = ""


class Before:
    """What stood of some of the book's sets before the words of other books came in.

    Args:
        set_ids: the sets'.
    """

    def __init__(self, db: Database, set_ids: Collection[str]) -> None:
        self._db = db
        self._stood = _standing(db, set_ids)
        self._at_once: dict[_Of, tuple[Value, Value]] = {}

    def hear(self, other: str) -> None:
        """Keep what this book and another say at once, neither knowing of the other's word.

        Args:
            other: the name that it is attached under, before its rows come in.
        """
        self._at_once |= _told_at_once(self._db, other)

    def told_since(self) -> Iterator[Told]:
        """Yield what has another value than before, and what was told twice, whichever holds."""
        db, before, at_once = self._db, self._stood, self._at_once
        now = _standing(db, dict.fromkeys(set_id for set_id, _, _ in before))
        yield from _joined(db, before, now)
        many: dict[tuple[str, str], list[Told]] = {}
        for of in dict.fromkeys([*before, *now, *at_once]):
            set_id, spring_id, what = of
            if spring_id is not None and of not in before:
                continue  # it came in just now
            holds, was = now.get(of), before.get(of)
            if of in at_once:
                was = next((said for said in at_once[of] if said != holds), was)
            if of in at_once or holds != was:
                one = Told(
                    _named(db, set_id, spring_id), what, (holds, was), of in at_once, set_id=set_id
                )
                many.setdefault((set_id, what if spring_id else f"{what} of all"), []).append(one)
        for told in many.values():
            set_id, what = told[0].set_id, told[0].what
            if len(told) > MOST_SPRINGS_TOLD:
                once = any(one.at_once for one in told)
                named = _named(db, set_id, None)
                yield Told(named, what, at_once=once, springs=len(told), set_id=set_id)
            else:
                yield from told


def _standing(db: Database, set_ids: Collection[str]) -> dict[_Of, Value]:
    """Return what stands of the book's sets and their springs."""
    found: dict[_Of, Value] = {}
    for set_id in set_ids:
        for row in db.query("SELECT * FROM main.sets WHERE id = ?", [set_id]):
            found |= {(set_id, None, what): row[names[0]] for what, names in OF_SETS.items()}
            found[set_id, None, NOMINAL] = row[NOMINAL]
            found[set_id, None, RESTS] = rests_of_set(db, set_id)
        for row in db.query("SELECT * FROM main.springs WHERE set_id = ?", [set_id]):
            own = {what: row[names[0]] for what, names in OF_SPRINGS.items()}
            found |= {(set_id, row["id"], what): value for what, value in own.items()}
    return found


def _told_at_once(db: Database, other: str) -> dict[_Of, tuple[Value, Value]]:
    """Return what this book and another say of a thing, neither knowing of the other's word.

    Args:
        other: the name that the other book is attached under, before its rows come in.
    """
    ours, theirs = (_VALUE.format(*[book] * 3) for book in "mo")
    rows = db.execute(
        f"SELECT o.set_id, o.spring_id, o.what, {ours}, {theirs} FROM {other}.hand_entries AS o"  # noqa: S608  our own
        " JOIN main.hand_entries AS m ON m.set_id = o.set_id AND m.spring_id IS o.spring_id"
        " AND m.what = o.what AND m.edits = o.edits AND m.id <> o.id"
        f" WHERE {ours} IS NOT {theirs} AND o.id NOT IN (SELECT id FROM main.hand_entries)"
        " UNION ALL SELECT o.set_id, NULL, :rests, m.rests_n, o.rests_n"
        f" FROM {other}.set_rests AS o JOIN main.set_rests AS m ON m.set_id = o.set_id"
        " AND m.edits = o.edits AND m.id <> o.id WHERE m.rests_n IS NOT o.rests_n"
        " AND o.id NOT IN (SELECT id FROM main.set_rests)"
        " UNION ALL SELECT o.id, NULL, :nominal, m.nominal_json, o.nominal_json"
        f" FROM {other}.sets AS o JOIN main.sets AS m ON m.id = o.id"
        " AND m.nominal_edits = o.nominal_edits WHERE m.nominal_json IS NOT o.nominal_json"
        " ORDER BY 1, 2, 3",
        {"rests": RESTS, "nominal": NOMINAL},
    ).fetchall()
    return {(set_id, spring_id, what): (m, o) for set_id, spring_id, what, m, o in rows}


def _joined(db: Database, before: _Standing, now: _Standing) -> Iterator[Told]:
    """Yield which springs others added to sets: a head may have a valve for each of a set."""
    had = {spring_id for _, spring_id, _ in before}
    springs: dict[str, dict[str, None]] = {}
    for set_id, spring_id, _ in now:
        if spring_id is not None:
            springs.setdefault(set_id, {})[spring_id] = None
    for set_id, own in springs.items():
        if labels := ", ".join(_label(db, one) for one in own if one not in had):
            count = float(len(own))
            yield Told(_named(db, set_id, None), SPRINGS, (count, labels), set_id=set_id)


def _named(db: Database, set_id: str, spring_id: str | None) -> str:
    (name,) = db.execute("SELECT name FROM main.sets WHERE id = ?", [set_id]).fetchone()
    return str(name) if spring_id is None else f"{name}, {_label(db, spring_id)}"


def _label(db: Database, spring_id: str) -> str:
    sql = "SELECT label FROM main.springs WHERE id = ?"
    return str(db.execute(sql, [spring_id]).fetchone()[0])
