"""What a stored value can be: times, ids and texts as the program itself makes them, no others."""

from __future__ import annotations

import json
import uuid
from typing import Any

import pytest

from coilbench.capture.book.ids import composed_id, rederived_id
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.rows import insert, just_after, later_than, utc_now
from coilbench.capture.book.values import impossible
from coilbench.capture.calibration.model import PolynomialFit, fit_to_json

NOT_OURS = [
    "9999-12-31T23:59:59.999999+00:00",  # nothing is later
    "9999-12-31T23:59:59.999-23:59",
    "20991231T000000Z",  # sorts after every time of our own
    "2026-05-01 10:00:00.000+00:00",
    "2026-05-01T10:00:00.000+02:00",
    "2026-05-01T10:00:00.000",
    "2026-02-30T10:00:00.000+00:00",
    "２026-05-01T10:00:00.000+00:00",
    "2026-05-01T10:00:00.000+00:00\n",
    "",
]


@pytest.mark.parametrize("when", NOT_OURS)
@pytest.mark.parametrize("column", ["made_utc", "stored_utc", "read_utc", "seen_utc"])
def test_a_time_that_is_not_written_as_ours_cannot_be(column: str, when: str) -> None:
    assert impossible({column: when.encode()}) == f"its {column} cannot be"
    assert impossible({column: utc_now().encode()}) is None


@pytest.mark.parametrize("row_id", ["", "a b", "a\nb", "é", "\x00", "x" * 201])
def test_an_id_that_no_list_can_name_cannot_be(row_id: str) -> None:
    assert impossible({"id": row_id.encode()}) == "its id cannot be"
    assert impossible({"id": str(uuid.uuid4()).encode()}) is None


def test_an_id_that_follows_from_other_rows_is_theirs() -> None:
    """Else whoever reckons it could put another row in the place of one that is still to come."""
    load, travel, other = (str(uuid.uuid4()) for _ in range(3))

    def calibration(row_id: str) -> str | None:
        parts = {"load_part_id": load.encode(), "travel_part_id": travel.encode()}
        return impossible({"id": row_id.encode(), **parts, "flex_part_id": None})

    assert calibration(composed_id((load, travel, None))) is None
    assert calibration(str(uuid.uuid4())) is None  # of an earlier version
    assert calibration(composed_id((other, travel, None))) == "its id cannot be"

    def stroke(row_id: str, **keyed: object) -> str | None:
        document = json.dumps({"readings": [], "setup": None, **keyed})
        return impossible({"id": row_id.encode(), "keyed_json": document.encode()})

    of_54 = rederived_id(load, 54.0)
    assert stroke(of_54, rederived_from=load, free_length_mm=54.0) is None
    assert stroke(of_54, rederived_from=load, free_length_mm=53.0) is not None
    assert stroke(of_54, free_length_mm=54.0) is not None
    assert stroke(load, rederived_from=other, free_length_mm=54.0) is not None


@pytest.mark.parametrize("column", ["note", "status", "origin", "fit_json", "keyed_json"])
def test_a_text_far_longer_than_any_that_is_typed_cannot_be(column: str) -> None:
    assert impossible({column: b"x" * 10_000_000}) == f"its {column} is too long"


UNREADABLE = [
    '{"zzz": 1e999, ',
    '{"zzz": -1e999, ',
    '{"zzz": NaN, ',
    '{"zzz": Infinity, ',
    f'{{"zzz": {"1" * 5000}, ',
    f'{{"zzz": {"[" * 5000}{"]" * 5000}, ',
    '{"zzz": "\\ud800", ',
    '{"zzz": "\\x", ',
    '{"zzz": {"deeper": [1e999]}, ',
    '{"zzz": {"deeper": 1, "deeper": 1}, ',  # SQLite reads the first, Python the last
    '{"zzz": 9007199254740993, ',  # no float is that
]
FIT = fit_to_json(PolynomialFit((0.0, 1.0), ((0.0, 0.0), (0.0, 0.0)), 0.1, 0.0, 9.0, 5))
DOCUMENTS = {
    "keyed_json": json.dumps({"readings": [], "setup": None}),
    "fit_json": FIT,
    "live_json": '{"rate_hz": 80}',
    "nominal_json": '{"loads": [], "rate_n_per_mm": 30.0, "tolerance_relative": 0.05}',
}


@pytest.mark.parametrize("begins", UNREADABLE, ids=lambda text: text[:18])
@pytest.mark.parametrize("column", DOCUMENTS)
def test_a_document_that_one_of_its_readers_cannot_read_cannot_be(column: str, begins: str) -> None:
    """What stands under a name that nobody asks for (RFC 8259 bounds neither size nor depth)."""
    plain = DOCUMENTS[column]
    assert impossible({column: plain.encode()}) is None
    found = impossible({column: (begins + plain[1:]).encode()})
    assert found is not None
    assert found.startswith(f"its {column} cannot be")


NO_FITS: dict[str, dict[str, Any]] = {
    "no slope": {"coefficients": [1.0, 0.0]},
    "no line": {"coefficients": [1.0], "covariance": [[0.0]]},
    "a turn": {"coefficients": [0.0, 1.0, -0.1], "covariance": [[0.0] * 3] * 3},
    "a variance below 0": {"covariance": [[0.0, 0.0], [0.0, -1e-9]]},
    "a scatter below 0": {"residual_sd": -1e-9},
    "a scatter of which no square is a number": {"residual_sd": 1e200},
    "a range that far": {"x_max": 1e200},
    "a bend that far": {"hidden_bend": [0.0, 0.0, 1e200]},
    "widened by nothing": {"widened": 0.0},
    "widened that far": {"widened": 1e200},
    "no freedom": {"degrees_of_freedom": 0.0},
}


@pytest.mark.parametrize("cells", NO_FITS.values(), ids=NO_FITS)
def test_a_curve_that_no_load_can_be_read_by(cells: dict[str, Any]) -> None:
    fit = json.dumps(json.loads(FIT) | cells).encode()
    assert impossible({"kind": b"load", "fit_json": fit}) == "its fit_json cannot be"


def test_a_press_that_does_not_give_has_a_curve_without_a_slope() -> None:
    fit = json.dumps(json.loads(FIT) | {"coefficients": [0.0, 0.0]}).encode()
    assert impossible({"kind": b"flex", "fit_json": fit}) is None


@pytest.mark.parametrize("notes", ["[1]", "{}", "[[]]", '[{"x": 1}]', '[{"kind": 1}]', "[1e999]"])
def test_notes_are_texts_and_findings_of_a_kind(notes: str) -> None:
    assert impossible({"notes_json": b'["a text", {"kind": "few_points", "x": 1}]'}) is None
    assert impossible({"notes_json": notes.encode()}) == "its notes_json cannot be"


def test_what_was_keyed_in_has_what_was_typed() -> None:
    keyed = {"origin": b"keyed", "keyed_json": None}
    assert impossible(keyed) == "its origin cannot be"
    assert impossible(keyed | {"origin": b"rig"}) is None


@pytest.mark.parametrize("column", ["length_mm", "free_length_mm", "active_coils", "wire_mm"])
def test_nothing_that_is_divided_by_is_so_small_that_nothing_is_left(column: str) -> None:
    for number in (5e-324, 1e-300, 0.0, -1.0, float("nan"), float("inf")):
        assert impossible({"what": b"free_length_mm", column: number}) is not None
    assert impossible({"what": b"free_length_mm", column: 0.001}) is None


def test_there_is_a_later_time_than_any_that_can_be(tmp_path) -> None:
    with open_book(tmp_path / "bench.db", create=True) as db:
        for last in ("9999-12-31T23:59:59.999+00:00", "2026-05-01T10:00:00.999+00:00"):
            row = {"id": str(uuid.uuid4()), "device_id": "a", "read_utc": last, "load_counts": 0.0}
            insert(db, "rest_zeros", row)
        assert later_than(db, "rest_zeros", "read_utc") <= utc_now()
    assert just_after("2026-05-01T10:00:00.999+00:00") == "2026-05-01T10:00:01.000+00:00"
