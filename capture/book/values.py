"""What a stored value can be: dates, finite numbers in range, documents of the shape that we write.

The program stores nothing else; a book that somebody else wrote may hold anything.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta
from functools import cache
from typing import Any, Required, TypedDict

from coilbench.capture.book.ids import composed_id, is_id, rederived_id
from coilbench.capture.errors import CoilbenchError

_Check = Callable[[Any, Mapping[str, Any]], object]
_MOST = 1e12  # newtons, millimetres: far above what any rig can give
_LEAST = 1e-9  # of what is above 0: what is divided by it stays a number
_MOST_OF_FIT = 1e30  # a fit's coefficients and their covariance
_MOST_FREEDOM = 1e150  # degrees of freedom: its square is a number
_MOST_WHOLE = 2.0**53  # of counts, and all else: no larger one is kept exactly
_LONGEST_NAME = 200  # a merge adds characters to a name
# As `utc_now` writes it, so that the order of texts is that of times; early ones are of machines
# that had no clock yet. None is so late that there is no later one.
_TIME = re.compile(r"(19[789]\d|20\d\d)-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{3})?\+00:00")
_AHEAD = timedelta(days=1)
# Bytes of a text: far above what is typed; of what was read from a file, as large as that may be.
_MOST_BYTES, _MOST_OF_JSON, _MOST_OF_KEYED = 1 << 16, 1 << 20, 1 << 23
_NAMES = ("name", "label")
_LINES = ("set_note", "set_mark", "spring_note", "spring_mark", "words")
_ABOVE_0 = (
    "free_length_mm",
    "solid_height_mm",
    "wire_mm",
    "coil_diameter_mm",
    "active_coils",
    "own_free_length_mm",
    "solid_by_hand_mm",
    "measured_strokes",
    "turn",
    "gravity_m_s2",
)
_FROM_0 = (
    "conditioning_strokes",
    "samples",
    "samples_lost",
    "point",
    "mass_kg",
    "tolerance_n",
    "load_sd_counts",
    "residual_sd_n",
    "residual_sd_mm",
)
_FROM_0_ENDS = ("_u_n", "_u_mm", "_u_relative", "u_kg", "u_mm")
_ANY = ("boot_id",)


def impossible(cells: Mapping[str, Any], *, documents: bool = True) -> str | None:
    """Return what a row holds that cannot be, as words; None where all of it can.

    Args:
        cells: by column, text as bytes.
        documents: whether to look into those that are JSON; what reads them is slow to load.
    """
    column = ""
    try:
        for column, cell in cells.items():
            if cell is None:
                continue
            most, is_document, check = _look_at(column)
            if isinstance(cell, bytes) and len(cell) > most:
                return f"its {column} is too long"
            if is_document and documents:
                _check_document(cell)
            if check is not None and (documents or not is_document):
                check(cell, cells)
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        return f"its {column} cannot be"
    except CoilbenchError as error:
        return f"its {column} cannot be ({error.what})"
    return None


def most_bytes(column: str) -> int:
    """Return how many bytes a text may have."""
    if column == "keyed_json":
        return _MOST_OF_KEYED
    return _MOST_OF_JSON if column.endswith("_json") else _MOST_BYTES


def latest_utc() -> str:
    """Return the last time that a row of another bench may bear: its clock may be a day ahead."""
    return (datetime.now(UTC) + _AHEAD).isoformat(timespec="milliseconds")


@cache
def _look_at(column: str) -> tuple[int, bool, _Check | None]:
    """Return the most bytes of a column, whether it is a document, and what checks it."""
    return most_bytes(column), column.endswith("_json"), _check_of(column)


@cache
def _check_of(column: str) -> _Check | None:
    """Return what raises ValueError, TypeError, KeyError or CoilbenchError for what cannot be."""
    if column in _ANY or column.endswith("digest"):
        return None
    if column in _CHECKS:
        return _CHECKS[column]
    if column.endswith("_utc"):
        return lambda cell, _: _check_time(cell.decode())
    least = -_MOST_WHOLE
    if column in _ABOVE_0:
        least = _LEAST
    elif column in _FROM_0 or column.endswith(_FROM_0_ENDS):
        least = 0.0

    def check_number(cell: Any, _: Mapping[str, Any]) -> None:
        if not isinstance(cell, bytes) and not least <= cell <= _MOST_WHOLE:
            raise ValueError

    return check_number


def _check_weight(cell: float, cells: Mapping[str, Any]) -> None:
    """Raise ValueError for a check whose error is no share of a weight."""
    if not (abs(cell) <= _MOST and cells["mass_kg"] > 0.0):
        raise ValueError


def _check_name(cell: bytes, _: Mapping[str, Any]) -> None:
    _check_line(cell, _)
    if not 1 <= len(cell.decode()) <= _LONGEST_NAME:
        raise ValueError


def _check_line(cell: bytes, _: Mapping[str, Any]) -> None:
    """Raise ValueError for a text of several lines, of which one could pass for another's."""
    if len(cell.decode().splitlines()) > 1:
        raise ValueError


def _check_time(text: str) -> None:
    if _TIME.fullmatch(text) is None:
        raise ValueError
    datetime.fromisoformat(text)


def _check_id(cell: Any, cells: Mapping[str, Any]) -> None:
    """Raise ValueError for an id that cannot be, or that follows from others than the row's own."""
    if not isinstance(cell, bytes):
        return
    if not is_id(cell.decode()):
        raise ValueError
    parts = [cells.get(f"{kind}_part_id") for kind in ("load", "travel", "flex")]
    if None not in parts[:2] and _follows(cell.decode()):
        plain = [None if one is None else one.decode() for one in parts]
        if composed_id(plain) != cell.decode():
            raise ValueError


def _check_document(cell: bytes) -> None:
    """Raise ValueError or RecursionError for JSON that not each of its readers reads alike.

    What a reader skips, another one does not: so the whole is read, by both that are in use here;
    SQLite takes the first of two values of one name, these take the last.
    """
    import msgspec

    msgspec.json.decode(cell)  # knows no NaN, no infinity and no half of a character
    json.loads(cell, object_pairs_hook=_named_once, parse_int=_whole)


def _whole(figures: str) -> int:
    """Read a whole number that each reader takes as the same one."""
    number = int(figures)
    if abs(number) > _MOST_WHOLE:
        raise ValueError
    return number


def _named_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        raise ValueError
    return found


def _check_origin(cell: bytes, cells: Mapping[str, Any]) -> None:
    """Raise ValueError for what was keyed in without what was typed."""
    if cell == b"keyed" and "keyed_json" in cells and cells["keyed_json"] is None:
        raise ValueError


def _check_length(cell: float, cells: Mapping[str, Any]) -> None:
    """Raise ValueError for a length that cannot be: of what was measured by hand, none is 0."""
    least = _LEAST if "what" in cells else -_MOST_WHOLE
    if not least <= cell <= _MOST_WHOLE:
        raise ValueError


def _check_fit(cell: bytes, cells: Mapping[str, Any]) -> None:
    from coilbench.capture.calibration.model import fit_from_json

    fit, kind = fit_from_json(cell.decode()), cells.get("kind")
    covariance = [cell for row in fit.covariance for cell in row]
    spread = [fit.residual_sd, fit.widened, *(row[at] for at, row in enumerate(fit.covariance))]
    numbers = [*fit.coefficients, *covariance, *fit.hidden_bend, *spread, fit.x_min, fit.x_max]
    if not all(abs(number) < _MOST_OF_FIT for number in numbers) or fit.x_min > fit.x_max:
        raise ValueError
    if min(spread) < 0.0 or fit.widened < _LEAST:
        raise ValueError
    freedom = fit.degrees_of_freedom
    if freedom is not None and not 1.0 <= freedom <= _MOST_FREEDOM:
        raise ValueError
    if kind == b"travel" and fit.degree != 1:
        raise ValueError
    if kind != b"flex":  # counts are found of a load or a height, too: by its slope
        ends = fit.slope_at(fit.x_min) * fit.slope_at(fit.x_max)
        if fit.degree < 1 or fit.coefficients[1] == 0.0 or not ends > 0.0:
            raise ValueError


def _check_nominal(cell: bytes, _: Mapping[str, Any]) -> None:
    from coilbench.capture.book.nominals import SetNominal

    SetNominal.from_json(cell.decode())


class _Keyed(TypedDict, total=False):
    """keyed_json: what was typed, or what a file of points says beside them."""

    readings: Required[list[dict[str, Any]]]
    setup: Required[dict[str, Any] | None]
    stated_u_n: list[float] | None
    free_length_mm: float | None
    rederived_from: str | None
    keyed_utc: str | None


class _KeyedScale(TypedDict, total=False):
    """The scale of a set-up; early books keep the masses' part beside the readings alone."""

    name: Required[str]
    fit: Required[dict[str, Any]]
    reference_u_relative: float


# Of a set-up, what all books say.
_ALWAYS_SET_UP = {
    *("tare_n", "lever_ratio", "lever_ratio_u"),
    *("scale_resolution_n", "scale_repeatability_n", "quill_resolution_mm"),
}


def _check_keyed(cell: bytes, cells: Mapping[str, Any]) -> None:
    import msgspec

    keyed = msgspec.json.decode(cell, type=_Keyed)  # knows no NaN and no infinity
    readings, setup = keyed["readings"], keyed["setup"]
    free_length_mm = keyed.get("free_length_mm")
    if bool(readings) != (setup is not None):
        raise ValueError
    if free_length_mm is not None and not 0.0 < free_length_mm <= _MOST:
        raise ValueError
    if not all(0.0 <= u_n <= _MOST for u_n in keyed.get("stated_u_n") or ()):
        raise ValueError
    for document in readings:
        _check_reading(document, free_length_mm)
    if cells.get("origin") == b"keyed" and setup is None:
        raise ValueError
    if setup is not None:
        _check_setup(setup, cells["load_u_relative"])
    if (keyed_utc := keyed.get("keyed_utc")) is not None:
        _check_time(keyed_utc)
    if "id" in cells:
        _check_rederived(cells["id"].decode(), keyed.get("rederived_from"), free_length_mm)


def _check_reading(document: dict[str, Any], free_length_mm: float | None) -> None:
    """Raise ValueError, or CoilbenchError, for what cannot be read at a spring."""
    import msgspec

    from coilbench.capture.tables.keyed import KeyedReading

    reading = msgspec.convert(document, KeyedReading)
    names = set(KeyedReading.__struct_fields__)
    known = names - {"remark"} <= set(document) <= names  # early books have no remarks
    if not known or abs(reading.shown_load_n) > _MOST:
        raise ValueError
    reading.spring_height_mm(None if reading.depth_mm is None else free_length_mm)


def _check_setup(setup: dict[str, Any], load_u_relative: float) -> None:
    """Raise ValueError, or CoilbenchError, for how nothing can be read."""
    import msgspec

    from coilbench.capture.book.keyed_document import keyed_setup_of

    scale = setup.pop("scale", None)
    if scale is not None:
        of_scale = msgspec.convert(scale, _KeyedScale)
        _check_fit(json.dumps(of_scale["fit"]).encode(), {})
        if of_scale.get("reference_u_relative", 0.0) < 0.0:
            raise ValueError
    numbers = msgspec.convert(setup, dict[str, float])
    if not numbers.keys() >= _ALWAYS_SET_UP:
        raise ValueError
    for name, number in numbers.items():
        check = _check_of(name)
        if check is not None:
            check(number, {})
    keyed_setup_of(numbers | {"scale": scale}, load_u_relative)


def _check_rederived(row_id: str, root_id: str | None, free_length_mm: float | None) -> None:
    """Raise ValueError for an id that does not follow from what the row was made of."""
    if root_id is None or free_length_mm is None:
        if root_id is not None or _follows(row_id):
            raise ValueError
    elif rederived_id(root_id, free_length_mm) != row_id:
        raise ValueError


def _check_notes(cell: bytes, _: Mapping[str, Any]) -> None:
    """Raise ValueError for anything but a list of texts and of findings, which have a kind."""
    import msgspec

    for note in msgspec.json.decode(cell, type=list[str | dict[str, Any]]):
        if isinstance(note, dict) and not isinstance(note.get("kind"), str):
            raise ValueError


def _check_mapping(cell: bytes, _: Mapping[str, Any]) -> None:
    import msgspec

    msgspec.json.decode(cell, type=dict[str, Any])


_CHECKS: dict[str, _Check] = {
    **dict.fromkeys(_NAMES, _check_name),
    **dict.fromkeys(_LINES, _check_line),
    "id": _check_id,
    "error_n": _check_weight,
    "length_mm": _check_length,
    "origin": _check_origin,
    "fit_json": _check_fit,
    "nominal_json": _check_nominal,
    "keyed_json": _check_keyed,
    "notes_json": _check_notes,
    "live_json": _check_mapping,
}


def _follows(row_id: str) -> bool:
    """Tell whether an id was made of others (RFC 4122, version 5)."""
    return len(row_id) == 36 and row_id[14] == "5"
