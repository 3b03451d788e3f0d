"""How many rows there are of a set, of the rig, of the store, and the sum of their digests.

A row's digest shows what was changed in it, and not that it is gone, or that an index no longer
leads to it. So the triggers that keep the digests keep a tally too: the number of rows of one
whole, and the sum of their digests (bit by bit, without carry: the order doesn't matter). Who
reads a whole compares.

Light to import: nothing heavy is loaded here.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping
from typing import NamedTuple

TABLE = "tallies"
RIG, SHOP, SETS = "rig", "shop", "sets"
_SUM = "coil_sum"
POINTS = "points of "
_OF_RIG, _OF_SHOP, _OF_SETS = f"'{RIG}'", f"'{SHOP}'", f"'{SETS}'"
_SET, _OF_SET = "{row}id", "{row}set_id"
_OF_SPRING = "coalesce((SELECT set_id FROM springs WHERE id = {row}spring_id), '')"
# What each table's rows are of, as SQL in a row called so: a whole's name, or a set's id.
OF: dict[str, tuple[str, ...]] = {
    "calibration_parts": (_OF_RIG,),
    "calibration_points": (f"'{POINTS}' || {{row}}part_id",),
    "calibrations": (_OF_RIG,),
    "scales": (_OF_RIG,),
    "scale_points": (f"'{POINTS}' || {{row}}scale_id",),
    "mass_checks": (_OF_RIG,),
    "rest_zeros": (_OF_RIG,),
    "rig_settings": (_OF_RIG,),
    "rig_ratings": (_OF_RIG,),
    "shop": (_OF_SHOP,),
    "shop_seen": (_OF_SHOP,),
    "shop_news": (_OF_SHOP,),
    "sets": (_OF_SETS, _SET),
    "springs": (_OF_SET,),
    "label_swaps": (_OF_SET,),
    "hand_entries": (_OF_SET,),
    "set_rests": (_OF_SET,),
    "sessions": (_OF_SET,),
    "sweeps": (_OF_SPRING,),
}
OF_RIG = tuple(table for table, wholes in OF.items() if _OF_RIG in wholes)
OF_SHOP = tuple(table for table, wholes in OF.items() if _OF_SHOP in wholes)
OF_POINTS = ("calibration_points", "scale_points")
OF_SETS = tuple(table for table in OF if table not in OF_RIG + OF_SHOP + OF_POINTS)


class Tally(NamedTuple):
    """How many rows a whole has, and the sum of their digests; of nothing: 0 and 0."""

    rows: int = 0
    total: int = 0

    @classmethod
    def of(cls, digests: Iterable[object]) -> Tally:
        """Return the tally of rows with these digests; what is none counts as a row alone."""
        rows = total = 0
        for digest in digests:
            rows += 1
            total ^= _number(digest)
        return cls(rows, total)

    def is_that_of(self, kept: Tally, damaged: Iterable[tuple[object, object]]) -> bool:
        """Return whether rows are those of the tally that was kept, some digests being damaged.

        That is where the sums differ by what damage did to some of those digests: by a combination
        of their changes, bit by bit without carry, as Gauss's elimination finds it.

        Args:
            damaged: such digests, as they are and as they should be by their rows.
        """
        changes: list[int] = []
        for is_now, by_its_row in damaged:
            change = _reduced(_number(is_now) ^ _number(by_its_row), changes)
            changes += [change] if change else []
        return self.rows == kept.rows and _reduced(self.total ^ kept.total, changes) == 0


def _number(digest: object) -> int:
    return int.from_bytes(digest, "big") if isinstance(digest, bytes) else 0


def _reduced(total: int, changes: Iterable[int]) -> int:
    """Return what of a sum is no combination of changes, of which each has its own first bit."""
    for change in changes:
        total = min(total, total ^ change)
    return total


def register_tallies(connection: sqlite3.Connection) -> None:
    """Give a connection the function that the triggers call."""
    connection.create_function(_SUM, 2, _sum, deterministic=True)


def _sum(one: bytes | None, other: bytes | None) -> bytes:
    total = int.from_bytes(one or b"", "big") ^ int.from_bytes(other or b"", "big")
    return total.to_bytes(16, "big")


def tallying(table: str) -> Mapping[str, str]:
    """Return the triggers' SQL that keep the tallies of a table, by what is done to its rows.

    Their text holds our function, so that no other program inserts, changes or deletes.
    """
    wholes = OF[table]
    put = "".join(_step(one.format(row="new."), "+ 1", "new.digest") for one in wholes)
    take = "".join(_step(one.format(row="old."), "- 1", "old.digest") for one in wholes)
    gone = f" DELETE FROM {TABLE} WHERE of = old.id;" if table == "sets" else ""  # noqa: S608
    return {
        "INSERT": f"WHEN new.digest IS NOT NULL BEGIN{put} END",
        "UPDATE": f"WHEN old.digest IS NOT new.digest BEGIN{take}{put} END",
        "DELETE": f"BEGIN{take}{gone} END",
    }


def _step(whole: str, rows: str, digest: str) -> str:
    return (  # our own words
        f" INSERT INTO {TABLE} (of, rows, total)"
        f" SELECT {whole}, 0 {rows}, {_SUM}({digest}, NULL)"
        f" WHERE {digest} IS NOT NULL ON CONFLICT (of) DO UPDATE"
        f" SET rows = rows {rows}, total = {_SUM}(total, {digest});"
    )


def tally_again(connection: sqlite3.Connection) -> None:
    """Make all tallies of what is there; it trusts that."""
    connection.execute(f"DELETE FROM {TABLE}")  # noqa: S608  our own name
    connection.executemany(
        f"INSERT INTO {TABLE} (of, rows, total) VALUES (?, ?, ?)",  # noqa: S608
        [
            (of, tally.rows, tally.total.to_bytes(16, "big"))
            for of, tally in found_tallies(connection).items()
        ],
    )


def found_tallies(
    connection: sqlite3.Connection, tables: Iterable[str] = tuple(OF)
) -> dict[str, Tally]:
    """Return the tallies of the rows that these tables hold, by what they are of."""
    digests: dict[str, list[object]] = {}
    for table in tables:
        for whole in OF[table]:
            of = f"CAST({whole.format(row=f'{table}.')} AS BLOB)"
            for name, digest in connection.execute(f"SELECT {of}, digest FROM {table} NOT INDEXED"):  # noqa: S608
                digests.setdefault(_text(name), []).append(digest)
    return {of: Tally.of(own) for of, own in digests.items()}


def kept_tally(connection: sqlite3.Connection, of: str) -> Tally:
    """Return the tally that was kept of a whole."""
    return kept_tallies(connection, "WHERE of = ?", [of]).get(of, Tally())


def kept_tallies(
    connection: sqlite3.Connection, where: str = "", values: Iterable[str] = ()
) -> dict[str, Tally]:
    """Return the tallies that were kept, by what they are of."""
    sql = f"SELECT CAST(of AS BLOB), rows, total FROM {TABLE} {where}"  # noqa: S608  our own SQL
    return {
        _text(of): Tally(rows, int.from_bytes(total, "big") if isinstance(total, bytes) else -1)
        for of, rows, total in connection.execute(sql, list(values))
    }


def _text(name: bytes | None) -> str:
    return (name or b"").decode(errors="backslashreplace")
