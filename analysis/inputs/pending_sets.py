"""Sets that were named and can't be registered yet: lines of the build file behind `#?`. Pure.

A set needs its springs' number to be in the book. Until then what was answered waits here.
"""

from __future__ import annotations

import tomllib
from contextlib import suppress
from typing import get_args

import tomlkit

from coilbench.analysis.inputs.build_draft import UNKNOWN
from coilbench.capture.book.sets import Role

_ROLES = ("", *get_args(Role))
_BEGINS = f"{UNKNOWN} set = "


def pending_sets(text: str) -> dict[str, str]:
    """Return the role of each such set by its name; empty where that isn't known either."""
    found = (_read(line) for line in text.splitlines() if line.startswith(_BEGINS))
    return {one["name"]: one["role"] for one in found if one is not None}


def _read(line: str) -> dict[str, str] | None:
    with suppress(tomllib.TOMLDecodeError, AttributeError):
        given = tomllib.loads(line.removeprefix(UNKNOWN))["set"]
        if isinstance(given.get("name"), str) and given.get("role") in _ROLES:
            return {"name": given["name"], "role": given["role"]}
    return None


def with_pending_set(text: str, name: str, role: str | None) -> str:
    """Return it with what is known of a set that waits; None as its role: it waits no more."""
    lines = text.splitlines(keepends=True)
    kept = [
        line
        for line in lines
        if not (line.startswith(_BEGINS) and (_read(line) or {}).get("name") == name)
    ]
    if role is not None:
        table = tomlkit.inline_table()
        table.update({"name": name, "role": role})
        first = next((at for at, line in enumerate(kept) if line.startswith("[")), len(kept))
        kept.insert(first, f"{_BEGINS}{table.as_string()}  # not in the book yet\n")
    return "".join(kept)
