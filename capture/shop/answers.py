"""Answers that a bench worked out of its sets, kept in the store for those who read it by SQL.

They are never pulled: each bench works out its own from the strokes. Each says with which program,
from what and how it was worked out, and which pushes it knew of.
"""

from __future__ import annotations

import hashlib
import json
import uuid
from collections.abc import Callable
from typing import Any

import msgspec

from coilbench.capture.book.connection import Database
from coilbench.capture.book.digests import covers
from coilbench.capture.book.rows import utc_now
from coilbench.capture.book.sets import SetRecord, find_set, set_names
from coilbench.capture.shop.shape import ANSWERS, SCHEMA, VERSION
from coilbench.capture.shop.store import Store
from coilbench.capture.shop.views import STILL_TRUE


class Answer(msgspec.Struct, frozen=True):
    """What was worked out of a set.

    Attributes:
        springs: each with label, rate, free length and solid height, readings and flags, as
            `set check --json` has them.
        strokes_kept: how many strokes it rests on.
    """

    program_version: str
    branch: str
    tolerance_relative: float
    strokes_kept: int
    springs: list[dict[str, Any]]


Judge = Callable[[Database, SetRecord], "Answer | str"]


class Answered(msgspec.Struct):
    """What came of working sets out.

    Attributes:
        added: the names of the sets of which an answer was added.
        left: the names of those that can't be judged, each with why.
    """

    added: list[str] = msgspec.field(default_factory=list)
    left: dict[str, str] = msgspec.field(default_factory=dict)


def add_answers(db: Database, store: Store, judge: Judge, program_version: str) -> Answered:
    """Work out the sets of which the store has no answer that is still true of the book.

    Args:
        judge: for a set that can't be judged it says why.
    """
    known = {
        (set_id, inputs)
        for set_id, inputs in store.query(
            f"SELECT set_id, inputs FROM {SCHEMA}.answers a WHERE program_version = %s"  # noqa: S608
            f" AND {STILL_TRUE}",
            [program_version],
            (str, bytes),
        )
    }
    there = {set_id for (set_id,) in store.query(f"SELECT id FROM {SCHEMA}.sets")}  # noqa: S608
    done, seen = Answered(), _seen(db)
    for name in set_names(db):
        record = find_set(db, name)
        inputs = _inputs(db, record)
        if record.set_id in there and (record.set_id, inputs) not in known:
            ids = {spring.spring_id for spring in record.springs}
            whole = len(store.digests("springs", "digest", sorted(ids))) == len(ids)
            answer = judge(db, record) if whole else "the store has not all of its springs"
            if isinstance(answer, str):
                done.left[name] = answer
                continue
            _add(store, record, inputs, answer, seen)
            done.added.append(name)
    return done


def _seen(db: Database) -> str:
    """Return by bench the last push that the book holds all of, as JSON: its own, those it read."""
    known = dict(db.execute("SELECT bench_id, push FROM shop_seen").fetchall())
    known.update(db.execute("SELECT bench_id, pushed FROM shop").fetchall())
    return json.dumps(known)


_OF_SET = (
    "role, nominal_json, free_length_mm, solid_height_mm, solid_height_u_mm, wire_mm,"
    " coil_diameter_mm, active_coils"
)
_OF_SPRING = (
    "own_free_length_mm, own_free_length_u_mm, solid_height_mm, solid_by_hand_mm,"
    " solid_by_hand_u_mm"
)
_LOAD_PARTS = (
    "SELECT load_part_id FROM calibrations JOIN sweeps ON sweeps.calibration_id = calibrations.id"
)


def _inputs(db: Database, record: SetRecord) -> bytes:
    """Return SHA-256 over all that a set's answer follows from, the same in every bench's book.

    A stroke's own digest isn't, nor that of a check with a mass: they cover the order of storing.
    """
    fixed, state = (", ".join(cover.cells()) for cover in covers(db.conn, "sweeps"))
    stroke = f"id, coil_digest({fixed}), coil_digest({state}), content_digest"
    of_set = "spring_id IN (SELECT id FROM springs WHERE set_id = :id)"
    parts = [
        db.execute(f"SELECT {columns} FROM {table} WHERE {where} ORDER BY 1", values).fetchall()  # noqa: S608
        for table, columns, where in (
            ("sweeps", stroke, of_set),
            ("hand_entries", "id, digest", "set_id = :id"),
            ("set_rests", "id, digest", "set_id = :id"),
            ("springs", f"id, label, {_OF_SPRING}", "set_id = :id"),
            ("sets", _OF_SET, "id = :id"),
            ("rig_ratings", "rests_n", "true"),
            ("mass_checks", "id", f"load_part_id IN ({_LOAD_PARTS} WHERE {of_set})"),
        )
        for values in ({"id": record.set_id} if ":id" in where else {},)
    ]
    return hashlib.sha256(repr(parts).encode()).digest()


def _add(store: Store, record: SetRecord, inputs: bytes, answer: Answer, seen: str) -> None:
    answer_id = str(uuid.uuid4())
    ids = {spring.label: spring.spring_id for spring in record.springs}
    head = [
        *(answer_id, record.set_id, utc_now(), answer.program_version, VERSION, answer.branch),
        *(answer.tolerance_relative, answer.strokes_kept, inputs, seen),
    ]
    springs: list[list[object]] = []
    loads: list[list[object]] = []
    flags: list[list[object]] = []
    for spring in answer.springs:
        spring_id = ids[spring["label"]]
        names = list(ANSWERS["answer_springs"])[2:]
        springs.append([answer_id, spring_id, *(spring[name] for name in names)])
        loads += [
            [answer_id, spring_id, one["height_mm"], one["load_n"], one["load_u_n"]]
            for one in spring["readings"]
        ]
        flags += [
            [answer_id, spring_id, number, one["kind"], one["reason"]]
            for number, one in enumerate(spring["flags"], 1)
        ]
    with store.transaction():
        store.add("answers", [head])
        for table, rows in (
            ("answer_springs", springs),
            ("answer_loads", loads),
            ("answer_flags", flags),
        ):
            if rows:
                store.add(table, rows)
