"""A stroke's samples and curve: whether they are what was stored, and can be what a press gave."""

from __future__ import annotations

import sqlite3
from collections import Counter
from collections.abc import Mapping
from typing import Any, NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

from coilbench.capture.blocks import RAW_DTYPE
from coilbench.capture.book.digests import digest_of_content, stored_branches
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes import stored as sample_blob

_MOST = 1e12  # newtons and millimetres: far above what any press can give


class Content(NamedTuple):
    """What a look at a stroke's samples and curve found; wrong: words, None for nothing."""

    wrong: str | None
    samples: int = 0


def look_into(connection: sqlite3.Connection, cells: Mapping[str, Any]) -> Content:
    """Look at the samples and the curve of a stroke.

    Args:
        cells: its other columns, text as bytes.
    """
    sweep_id = cells["id"].decode(errors="replace")
    rows = connection.execute("SELECT samples_blob FROM sweeps WHERE id = ?", [sweep_id]).fetchall()
    if not rows:
        return Content("it cannot be found by its id")
    (blob,) = rows[0]
    found = Content(None) if blob is None else _samples(cells, blob)
    if found.wrong is not None:
        return found
    branches = stored_branches(connection, sweep_id)
    if "content_digest" in cells:
        digest = None if branches is None else digest_of_content(sweep_id, blob, branches)
        if cells["content_digest"] != digest:
            return found._replace(wrong="its samples or its curve are not what was stored")
    return found._replace(wrong=_curve(branches, cells))


def _samples(cells: Mapping[str, Any], blob: object) -> Content:
    if not isinstance(blob, bytes):
        return Content("its samples are not bytes")
    try:
        samples = sample_blob.unpack(cells["samples_format"].decode(), blob)
    except CoilbenchError as error:
        return Content(error.what)
    except (TypeError, ValueError, AttributeError, OverflowError):
        return Content("its samples are not numbers")
    count, stated = int(samples.shape[0]), cells["samples"]
    if count != stated or count == 0:
        return Content(f"{count} samples where {stated} were stored", count)
    return Content(_impossible(samples), count)


def _impossible(samples: NDArray[np.void]) -> str | None:
    if samples.dtype == RAW_DTYPE:
        return "its clock goes backwards" if np.any(np.diff(samples["t_us"]) < 0) else None
    columns = [samples[name] for name in ("t_s", "load_n", "height_mm")]
    whole = all(bool((np.abs(column) < _MOST).all()) for column in columns)
    return None if whole else "its samples are not numbers"


def _curve(branches: list[bytes] | None, cells: Mapping[str, Any]) -> str | None:
    if branches is None:
        return "its curve is not of numbers"
    down, up = (np.frombuffer(each).reshape(-1, 3) for each in branches)
    if not all(bool((np.abs(each[:, 1:]) < _MOST).all()) for each in (down, up)):
        return "its curve is not of numbers"
    if cells["samples_format"] is None and not len(down) + len(up):
        return "it has neither samples nor points"
    if cells["keyed_json"] is not None:
        try:
            keyed = msgspec.json.decode(cells["keyed_json"])
            stated = keyed.get("stated_u_n")
            ways = Counter(one.get("loading", True) for one in keyed.get("readings", ()))
        except (ValueError, TypeError, AttributeError, RecursionError):
            return "its keyed_json cannot be"
        if ways and ways != Counter({True: len(down), False: len(up)}):
            return "it has other readings than points"
        if stated is not None and len(stated) != len(down) + len(up):
            return "it has other uncertainties than points"
    return None
