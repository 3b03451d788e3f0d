"""Sessions in the book: one run of a capture, its counters, the stroke under way, and recovery.

After a crash the chunks of an unfinished stroke become a sweep marked as interrupted.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

from coilbench.capture.blocks import Finding, RawBlock
from coilbench.capture.book.calibrations import find_calibration
from coilbench.capture.book.connection import Database
from coilbench.capture.book.counting import leave_out, waiting_of
from coilbench.capture.book.digests import stored_rows
from coilbench.capture.book.heights_kept import HeightsKept
from coilbench.capture.book.notes import note_of, remarks_of
from coilbench.capture.book.rows import first_row, insert, new_id, utc_now, writing
from coilbench.capture.book.sweeps import NewSweep, store_sweep
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes import stored as sample_blob
from coilbench.capture.strokes.judging import Purpose
from coilbench.capture.strokes.stored import reduced_curve
from coilbench.capture.strokes.sweep import Origin, SweepStatus, apply

_COUNTERS = ("samples", "samples_lost", "lines_bad", "restarts")
UNCLOSED = "ended without closing the book"
_CUT = Finding("capture_unclosed")
_NEVER_SHOWN = "never_shown"  # it waited when its capture was cut off


class LeftPresses(NamedTuple):
    """Presses that were left out, of which nobody said yet whether they count.

    Attributes:
        question: `strokes_in_doubt`; its fact `closing` names the spring whose press at the end
            left them out, where that did.
    """

    question: Finding
    sweep_ids: tuple[str, ...]

    @property
    def closing(self) -> bool:
        """Whether a closing press left them out."""
        return bool(self.question.facts.get("closing"))


class _StoredLeft(msgspec.Struct):
    question: dict[str, Any]
    sweep_ids: list[str]


class _StoredTrust(msgspec.Struct):
    travel_part_id: str
    against: list[dict[str, Any]]
    doubted: dict[str, Any] | None
    left: list[_StoredLeft] = []


def _stored(left: Iterable[LeftPresses]) -> list[_StoredLeft]:
    return [_StoredLeft(one.question.to_document(), [*one.sweep_ids]) for one in left]


class _LiveTrust(msgspec.Struct):
    """Of a capture's stored state, how many presses nobody said of whether they count."""

    trust: _StoredTrust | None = None

    @classmethod
    def left_by(cls, live_json: str | None) -> int | None:
        """Return how many; None where it was not stored anew since the capture before."""
        try:
            trust = msgspec.json.decode(live_json or "{}", type=cls).trust
        except msgspec.DecodeError:  # not written by us
            return None
        return None if trust is None else sum(len(one.sweep_ids) for one in trust.left)


class DatumTrust(msgspec.Struct, frozen=True):
    """What speaks against the heights that a travel calibration reads.

    Attributes:
        against: doubts that a person set aside, and what was seen and is not shown: presses count
            all the same, and say so.
        doubted: `datum_doubted`, not answered: none counts; None where nothing is open.
        left: presses to be asked about, of any set.
    """

    travel_part_id: str
    against: tuple[Finding, ...] = ()
    doubted: Finding | None = None
    left: tuple[LeftPresses, ...] = ()

    @classmethod
    def last(cls, db: Database, travel_part_id: str) -> DatumTrust:
        """Return what the newest capture that used the calibration left; nothing for none."""
        row = first_row(
            db,
            "SELECT json_extract(live_json, '$.trust') AS trust FROM sessions"
            " WHERE json_extract(live_json, '$.trust.travel_part_id') = ?"
            " ORDER BY seen_utc DESC, rowid DESC LIMIT 1",
            [travel_part_id],
        )
        if row is None:
            return cls(travel_part_id)
        try:
            stored = msgspec.json.decode(row["trust"], type=_StoredTrust)
            against = tuple(Finding.from_document(one) for one in stored.against)
            why = stored.doubted and Finding.from_document(stored.doubted["why"])
            left = tuple(
                LeftPresses(Finding.from_document(one.question), tuple(one.sweep_ids))
                for one in stored.left
            )
        except (msgspec.DecodeError, KeyError, TypeError):  # not written by us
            return cls(travel_part_id)
        doubted = Finding.from_document(stored.doubted) if stored.doubted and why else None
        return cls(travel_part_id, against, doubted, left)

    def to_document(self) -> dict[str, Any]:
        """Return it as plain values for JSON."""
        doubted = None if self.doubted is None else self.doubted.to_document()
        against = [one.to_document() for one in self.against]
        trust = _StoredTrust(self.travel_part_id, against, doubted, _stored(self.left))
        stored: dict[str, Any] = msgspec.to_builtins(trust)
        return stored


class CaptureRun:
    """One run of the capture in the book: its counters, and the stroke under way in chunks.

    Attributes:
        heights: stored with the state, for captures and answers to come.
        open: presses that count or not by what is asked or seen next; stored for other windows.
    """

    def __init__(self, db: Database, session_id: str) -> None:
        self._db = db
        self.session_id = session_id
        self.heights: HeightsKept | None = None
        self.open: tuple[LeftPresses, ...] = ()
        self._trust: DatumTrust | None = None

    @classmethod
    def begin(
        cls, db: Database, set_id: str, source_url: str, device_id: str | None, firmware: str | None
    ) -> CaptureRun:
        """Register a run of the capture."""
        run, now = cls(db, new_id()), utc_now()
        with writing(db):
            insert(
                db,
                "sessions",
                {
                    "id": run.session_id,
                    "set_id": set_id,
                    "source_url": source_url,
                    "device_id": device_id,
                    "firmware": firmware,
                    "started_utc": now,
                    "seen_utc": now,
                    **dict.fromkeys(_COUNTERS, 0),
                },
            )
        return run

    def update(self, live: Mapping[str, Any]) -> None:
        """Store the state of the capture, a snapshot's document with its counters."""
        row = {name: live[name] for name in _COUNTERS}
        own = msgspec.to_builtins({"heights": self.heights, "open": _stored(self.open)})
        own["trust"] = None if self._trust is None else self._trust.to_document()
        live_json = json.dumps({**live, **own}, allow_nan=False)
        self._change(row | {"seen_utc": utc_now(), "live_json": live_json})

    def keep_trust(self, trust: DatumTrust) -> None:
        """Store at once what speaks against the datum: an answer that was taken is not lost."""
        self._trust = trust
        sql = "UPDATE sessions SET seen_utc = ?, live_json ="
        sql += " json_set(coalesce(live_json, '{}'), '$.trust', json(?)) WHERE id = ?"
        document = json.dumps(trust.to_document(), allow_nan=False)
        with writing(self._db):
            self._db.execute(sql, [utc_now(), document, self.session_id])

    def end(self, reason: str) -> None:
        """Keep why the run ended."""
        self._change({"ended_utc": utc_now(), "ended_reason": reason})

    def _change(self, row: dict[str, Any]) -> None:
        changes = ", ".join(f"{name} = ?" for name in row)
        sql = f"UPDATE sessions SET {changes} WHERE id = ?"  # noqa: S608  our own names
        with writing(self._db):
            self._db.execute(sql, [*row.values(), self.session_id])

    def store_chunk(self, chunk: int, samples: NDArray[np.void], stroke: Mapping[str, Any]) -> None:
        """Store a second of the running stroke.

        Args:
            chunk: its number, from 0.
            samples: shape (n,), dtype RAW_DTYPE.
            stroke: what the chunk is of, and how to read it after a crash: the fields of NewSweep
                that are known before it ends.
        """
        blob_format, blob = sample_blob.pack(samples)
        row = {"session_id": self.session_id, "chunk": chunk, **stroke}
        row |= {"samples_format": blob_format, "samples_blob": blob}
        with writing(self._db):
            insert(self._db, "stroke_chunks", row | {"purpose": stroke["purpose"].value})

    def drop_chunks(self) -> None:
        """Delete the running stroke's chunks: it was stored as a sweep, or was not a stroke."""
        with writing(self._db):
            self._db.execute("DELETE FROM stroke_chunks WHERE session_id = ?", [self.session_id])

    @staticmethod
    def live(db: Database) -> tuple[str, dict[str, Any]] | None:
        """Return (seen_utc, snapshot's document) of the capture running on this book, or None."""
        row = db.execute(
            "SELECT seen_utc, live_json FROM sessions"
            " WHERE ended_utc IS NULL AND json_extract(live_json, '$.set_name') IS NOT NULL"
            " ORDER BY seen_utc DESC LIMIT 1"
        ).fetchone()
        return None if row is None else (row[0], json.loads(row[1]))

    @staticmethod
    def last_end(db: Database) -> tuple[str, dict[str, Any]] | None:
        """Return why the newest capture ended, and its last snapshot's document, if it kept one.

        None where it is running, or there was none.
        """
        sql = "SELECT ended_reason, live_json FROM sessions ORDER BY rowid DESC LIMIT 1"
        row = db.execute(sql).fetchone()
        return None if row is None or row[0] is None else (row[0], json.loads(row[1] or "{}"))


def recover(db: Database) -> int:
    """Close what a killed capture left open; returns how many strokes were recovered.

    Call it only while holding the book's lock: a running capture looks the same.
    """
    with writing(db):
        unclosed = db.execute("SELECT id FROM sessions WHERE ended_utc IS NULL").fetchall()
        return sum(_close(db, CaptureRun(db, row[0])) for row in unclosed)


def left_behind(db: Database) -> Finding | None:
    """Return what the newest captures left that ended without closing the book; None for none.

    Call it before the next capture begins. Facts of `strokes_rescued`: how many, and of each the
    set, the spring, samples, seconds and the lowest height; of `cut_off_before`, where none was
    rescued, how many strokes it had kept. Of both `unread`: strokes left in chunks; and
    `doubted`: strokes that count no more; `asked`: those of which that is asked again.
    """
    cut_off: list[str] = []
    unread = doubted = 0
    asked: int | None = None
    sql = "SELECT id, ended_reason, live_json FROM sessions ORDER BY rowid DESC"
    for run_id, reason, live_json in db.execute(sql):
        if not str(reason).startswith(UNCLOSED):
            break
        asked = _LiveTrust.left_by(live_json) if asked is None else asked
        cut_off.append(run_id)
        unread += reason != UNCLOSED
    if not cut_off:
        return None
    marks = ", ".join("?" * len(cut_off))
    rows = db.query(
        f"""
        SELECT sweeps.*, sets.name AS set_name, label,
          (SELECT min(height_mm) FROM curve_rows WHERE sweep_id = sweeps.id) AS lowest_mm
        FROM sweeps JOIN springs ON springs.id = spring_id JOIN sets ON sets.id = set_id
        WHERE session_id IN ({marks}) ORDER BY sweeps.rowid
        """,  # noqa: S608  our own marks
        cut_off,
    )
    kept, rescued = 0, []
    for row in rows:
        kept += row["counted"]
        kinds = {one.kind for one in remarks_of(row["note"]) if isinstance(one, Finding)}
        doubted += _NEVER_SHOWN in kinds
        if _CUT.kind in kinds:
            t_us = sample_blob.unpack(row["samples_format"], row["samples_blob"])["t_us"]
            names = ("label", "purpose", "samples", "lowest_mm")
            facts = {"set": row["set_name"], "seconds": float(t_us[-1] - t_us[0]) * 1e-6}
            rescued.append(facts | {name: row[name] for name in names})
    if not rescued:
        return Finding.of(
            "cut_off_before", kept=kept, unread=unread, doubted=doubted, asked=asked or 0
        )
    told = {"strokes": len(rescued), "kept": kept, "rescued": rescued}
    return Finding.of("strokes_rescued", **told, unread=unread, doubted=doubted, asked=asked or 0)


def _close(db: Database, run: CaptureRun) -> bool:
    """End one run; returns whether a stroke was recovered.

    Chunks that cannot be read stay as they are; the book opens all the same.
    """
    for sweep_id, why in waiting_of(db, run.session_id):  # as it would have done at its end
        leave_out(db, sweep_id, Finding(_NEVER_SHOWN, {"why": why.to_document()}))
    sql = "SELECT * FROM stroke_chunks NOT INDEXED WHERE session_id = ? ORDER BY chunk"
    chunks = list(db.query(sql, [run.session_id]))
    try:
        if chunks:
            _store_recovered(db, chunks)
    except CoilbenchError as error:
        run.end(f"{UNCLOSED}; its last stroke is left in chunks: {error.what}")
        return False
    run.drop_chunks()
    run.end(UNCLOSED)
    return bool(chunks)


def _store_recovered(db: Database, chunks: list[dict[str, Any]]) -> None:
    first, of = chunks[0], chunks[0]["session_id"].encode()
    pieces = stored_rows(db.conn, "stroke_chunks")
    if not all(piece.whole for piece in pieces if piece.cells["session_id"] == of):
        raise CoilbenchError("a piece of it is damaged")
    if [row["chunk"] for row in chunks] != [*range(len(chunks))]:
        raise CoilbenchError("a piece of it is gone")
    known = {name: first[name] for name in NewSweep.__match_args__ if name in first}
    samples = np.concatenate(
        [sample_blob.unpack(row["samples_format"], row["samples_blob"]) for row in chunks]
    )
    calibration = find_calibration(db, first["calibration_id"]).calibration
    block = apply(calibration, RawBlock(samples, first["boot_id"]), first["zero_counts"])
    store_sweep(
        db,
        NewSweep(
            **known | {"purpose": Purpose(first["purpose"])},
            origin=Origin.RIG,
            status=SweepStatus.INTERRUPTED,
            counted=False,
            rows=reduced_curve(block),
            samples=samples,
            samples_lost=int((np.diff(samples["seq"]) - 1).sum()),
            note=note_of([_CUT]),
        ),
    )
