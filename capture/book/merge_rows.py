"""Merge rows of one book into another by SQL: new ones go in, differing ones are settled.

Raw counts, calibrations and readings never change once stored, so rows of one id must be equal in
both books, or the merge is refused. Columns that may differ, since both copies stay in use, are
settled by an order that does not depend on which book is which: so merging gives the same in any
order, and merging again changes nothing. Where one change was made knowing of the other, it wins:
it was counted (`edits.py`).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Literal

import msgspec

from coilbench.capture.book.connection import Database
from coilbench.capture.book.digests import DIGESTS, covers
from coilbench.capture.book.edits import STROKE_WORDS
from coilbench.capture.book.hand_columns import SET_COLUMNS, SPRING_COLUMNS
from coilbench.capture.book.rows import first_row
from coilbench.capture.errors import CoilbenchError

Row = Mapping[str, Any]
# How a column decides which of two rows holds: the larger, the smaller, the one that says anything.
Deciding = Literal["more", "less", "said"]
_SQL: dict[Deciding, str] = {"more": "{} DESC NULLS LAST", "less": "{}", "said": "{} IS NULL"}


class Settled(msgspec.Struct, frozen=True):
    """A row that differed in its mutable columns: this book's, the other's, and the winner."""

    table: str
    row_id: str
    ours: Row
    theirs: Row
    taken: Row


class TableRule(msgspec.Struct, frozen=True):
    """How a table is merged."""

    table: str
    keys: tuple[str, ...] = ("id",)  # the columns that identify a row
    mutable: tuple[str, ...] = ()  # may differ, all taken from the row that wins
    rank: Mapping[str, Deciding] = msgspec.field(default_factory=dict)  # by column, the first first
    filled: tuple[str, ...] = ()  # of the mutable texts, those that are never empty
    has_rowid: bool = True  # whether its rows have an order of storing
    unique: str | None = None  # settled by `merging`; the id is a stand-in until then
    derived: tuple[str, ...] = ()  # columns that follow from other tables
    placed: str | None = None  # as `unique`: SQL of the stand-in for the column `turn`
    # columns that follow from hand_entries once there is one on them, and what it calls them
    by_hand: Mapping[str, str] = msgspec.field(default_factory=dict)

    def insert_new(self, db: Database, other: str) -> int:
        """Insert the rows of another book that this one lacks; returns how many.

        They come before the book's own in the order of storing, at rowids below 1, so that the last
        stroke and the rig of this bench stay its own, also where it has none yet.
        """
        columns = self._columns(db)
        if self.unique is not None:  # with a stand-in for a name it gets a digest of its own
            columns = [column for column in columns if column not in DIGESTS]
        names = ", ".join(columns)
        values = {column: f"o.{column}" for column in columns}
        if self.unique is not None:
            values[self.unique] = "o.id"
        if self.placed is not None:
            values["turn"] = self.placed.format(other=other)
        if self.has_rowid:
            names = f"rowid, {names}"
            rowid = f"o.rowid - {self._room(db, other)}"
            values = {"rowid": rowid, **values, **self._digests_at(db, rowid, columns)}
        cursor = db.execute(
            f"INSERT INTO main.{self.table} ({names})"  # noqa: S608  our own names
            f" SELECT {', '.join(values.values())} FROM {other}.{self.table} AS o"
            f" WHERE NOT EXISTS (SELECT 1 FROM main.{self.table} AS m WHERE {self._same_key})"
        )
        return int(cursor.rowcount)

    def _digests_at(self, db: Database, rowid: str, columns: Sequence[str]) -> dict[str, str]:
        """Return SQL for the digests that cover the rowid: a right one for the new, else as is."""
        return {
            cover.digest: f"CASE o.{cover.digest} WHEN {cover.sql('o.')}"
            f" THEN {cover.sql('o.', rowid)} ELSE o.{cover.digest} END"
            for cover in covers(db.conn, self.table)
            if cover.ordered and cover.digest in columns
        }

    def refuse_unlike(self, db: Database, other: str, name: str) -> None:
        """Refuse a book with another value in a column that never changes.

        Raises:
            CoilbenchError: it names the table, the row and the column.
        """
        settled = {*self.keys, *self.mutable, *self.derived, *DIGESTS, self.unique}
        fixed = [column for column in self._columns(db) if column not in settled]
        if not fixed:
            return
        unlike = {column: self._unlike_unless_by_hand(column, other) for column in fixed}
        flags = ", ".join(f"{sql} AS {column}" for column, sql in unlike.items())
        keys = " || ' ' || ".join(f"m.{key}" for key in self.keys)
        sql = (
            f"SELECT {flags}, {keys} AS of_row FROM {self._pairs(other)}"  # noqa: S608
            f" WHERE {' OR '.join(unlike.values())} LIMIT 1"
        )
        row = first_row(db, sql)
        if row is not None:
            which = next(column for column in fixed if row[column])
            raise CoilbenchError(
                f"{self.table} {row['of_row']} has another {which} than in this book, though it "
                "never changes: one of the two was changed by another program, or is damaged",
                where=name,
                hint="Look for damage in each with: coilbench book check",
            )

    def _unlike_unless_by_hand(self, column: str, other: str) -> str:
        unlike = f"m.{column} IS NOT o.{column}"
        if column not in self.by_hand:
            return unlike
        what = self.by_hand[column]
        entries = " UNION ALL ".join(
            f"SELECT 1 FROM {book}.hand_entries WHERE set_id = m.id AND spring_id IS NULL"  # noqa: S608
            f" AND what = '{what}'"
            for book in ("main", other)
        )
        return f"({unlike} AND NOT EXISTS ({entries}))"

    def settle(self, db: Database, other: str) -> Iterator[Settled]:
        """Settle the rows of both books that differ in their mutable columns."""
        if not self.mutable:
            return
        columns = [f"{book}.{column}" for book in ("m", "o") for column in self.mutable]
        rows = db.execute(
            f"SELECT m.id, {', '.join(columns)} FROM {self._pairs(other)}"  # noqa: S608
            f" WHERE {self._unlike(self.mutable)}"
        ).fetchall()
        for row_id, *values in rows:
            half = len(self.mutable)
            ours = dict(zip(self.mutable, values[:half], strict=True))
            theirs = dict(zip(self.mutable, values[half:], strict=True))
            taken = self.winner(ours, theirs)
            if taken is theirs:
                db.execute(
                    f"UPDATE main.{self.table}"  # noqa: S608
                    f" SET {', '.join(f'{column} = ?' for column in self.mutable)} WHERE id = ?",
                    [*theirs.values(), row_id],
                )
            yield Settled(self.table, row_id, ours, theirs, taken)

    def winner(self, *words: Row) -> Row:
        """Return which holds of what is said of a row's mutable columns; the first of equals."""
        return max(words, key=self._key)

    def _key(self, row: Row) -> list[tuple[bool, Any]]:
        """Return what decides: the rank, then the columns in turn, empty ones and bytes last."""
        key = [_deciding(how, row[column]) for column, how in self.rank.items()]
        return key + [_in_bytes(row[column]) for column in self.mutable]

    def order_sql(self) -> str:
        """Return the same order as PostgreSQL's, of texts and counts: what holds is the first."""
        terms = [_SQL[how].format(column) for column, how in self.rank.items()]
        for column in self.mutable:
            if self.rank.get(column, "said") == "said":  # else it is decided
                if column not in (*self.filled, *self.rank):
                    terms.append(f"{column} IS NOT NULL")
                terms.append(f'{column} COLLATE "C" DESC')
        return ", ".join(terms)

    def _columns(self, db: Database) -> list[str]:
        return [row[1] for row in db.execute(f"PRAGMA main.table_info({self.table})")]

    def _room(self, db: Database, other: str) -> int:
        first, last = db.execute(
            f"SELECT (SELECT min(rowid) FROM main.{self.table}),"  # noqa: S608
            f" (SELECT max(rowid) FROM {other}.{self.table})"
        ).fetchone()
        return 0 if last is None else int(last) - min(1 if first is None else int(first), 1) + 1

    @property
    def _same_key(self) -> str:
        return " AND ".join(f"m.{key} = o.{key}" for key in self.keys)

    def _pairs(self, other: str) -> str:
        # CROSS: SQLite then looks up in this book what the other one has, and not the reverse
        return f"{other}.{self.table} AS o CROSS JOIN main.{self.table} AS m ON {self._same_key}"

    @staticmethod
    def _unlike(columns: Sequence[str]) -> str:
        return " OR ".join(f"m.{column} IS NOT o.{column}" for column in columns)


def _deciding(how: Deciding, cell: Any) -> tuple[bool, Any]:
    if how == "said":
        return cell is not None, 0
    if how == "less":
        return True, -(cell or 0)
    return cell is not None, 0 if cell is None else cell


def _in_bytes(cell: Any) -> tuple[bool, Any]:
    """Return what a cell is ordered by: text by its bytes in UTF-8, as a server does anywhere."""
    text = isinstance(cell, str)
    return cell is None, cell.encode("utf-8", "surrogatepass") if text else (cell or 0)


# Of a spring that was added to its set: behind all others, until `settle_called`.
_ADDED_LAST = (
    "CASE WHEN o.added_utc IS NULL THEN o.turn ELSE 1000 + o.rowid"
    " - (SELECT min(rowid) FROM {other}.springs) + coalesce("
    "(SELECT max(turn) FROM main.springs AS before WHERE before.set_id = o.set_id), 0) END"
)
_RULES = (  # in the order in which foreign keys allow them in
    TableRule("calibration_parts"),
    TableRule("calibration_points", keys=("part_id", "point")),
    TableRule("calibrations"),
    TableRule("scales"),
    TableRule("scale_points", keys=("scale_id", "point")),
    TableRule("mass_checks"),
    TableRule("rest_zeros"),
    TableRule(
        "sets",
        mutable=("nominal_edits", "nominal_json"),
        rank={"nominal_edits": "more", "nominal_json": "said"},
        unique="name",
        derived=("name_edits", "label_edits"),  # settled with what they count
        by_hand=SET_COLUMNS,
    ),
    TableRule(
        "springs",
        unique="label",
        derived=("solid_height_mm", "solid_reason", *SPRING_COLUMNS, "turn"),
        placed=_ADDED_LAST,
    ),
    TableRule("label_swaps"),
    TableRule("hand_entries"),
    TableRule("set_rests"),
    TableRule(
        "sessions",
        mutable=(
            "seen_utc",
            "ended_utc",
            "ended_reason",
            "samples",
            "samples_lost",
            "lines_bad",
            "restarts",
            "live_json",
        ),
        rank={"ended_utc": "said", "seen_utc": "more"},
    ),
    TableRule(
        "sweeps",
        mutable=("edits", *STROKE_WORDS),
        rank={"edits": "more", "counted": "less", "ruling": "said"},
        filled=("status",),
    ),
    TableRule("curve_rows", keys=("sweep_id", "branch", "point"), has_rowid=False),
)
RULES = {rule.table: rule for rule in _RULES}
