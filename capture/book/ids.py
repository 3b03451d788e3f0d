"""The ids of rows: by chance, but for those that follow from other rows, the same in every book.

Anybody can make an id that follows, so a row of another bench is held against what it follows from.

Light to import: nothing heavy is loaded here.
"""

from __future__ import annotations

import re
import uuid
from collections.abc import Iterable

ID = r"[!-~]{1,200}"
_COMPOSED = uuid.UUID("6a0f3f0e-6f1b-4d0c-9d51-0c5f6d1f2b7e")  # ours: a namespace of RFC 4122


def is_id(text: str) -> bool:
    """Tell whether this can be a row's id: printable ASCII without a space."""
    return re.fullmatch(ID, text) is not None


def composed_id(parts: Iterable[str | None]) -> str:
    """Return the id of a calibration that follows from its parts: load, travel, flex or None."""
    return str(uuid.uuid5(_COMPOSED, " ".join(map(str, parts))))


def rederived_id(root_id: str, free_length_mm: float) -> str:
    """Return the id of what was typed as depths, with the heights of another free length.

    Raises:
        ValueError: what was stored when it was typed has another id than we make.
    """
    return str(uuid.uuid5(uuid.UUID(root_id), f"free length {free_length_mm!r} mm"))
