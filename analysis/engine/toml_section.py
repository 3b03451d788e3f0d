"""One section of a TOML text, read key by key; every complaint names file, line and key. Pure."""

from __future__ import annotations

import difflib
import tomllib
from bisect import bisect_left
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from typing import Any, Never

from coilbench.capture.errors import CoilbenchError
from coilbench.capture.units import (
    parse_length_mm,
    parse_load_n,
    parse_mass_g,
    parse_stress_mpa,
)

KeyPath = tuple[str | int, ...]
MOST = 1e6  # mm, N or anything: beyond it is a slip of the pen


def load_toml(text: str, name: str) -> dict[str, Any]:
    """Read TOML; a syntax error becomes one line.

    Raises:
        CoilbenchError: not valid TOML.
    """
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # TOMLDecodeError is a ValueError
        raise CoilbenchError(
            f"not valid TOML: {' '.join(str(error).split())}",
            where=name,
            mend='Text and quantities stand in quotes, like valve_lift = "10.2 mm"',
        ) from error


def line_of(text: str, path: KeyPath) -> int | None:
    """Find the line (from 1) on which a key's statement begins; None if it isn't there.

    tomllib gives no lines. The first lines of a text hold a key or they don't, and more lines
    never take it away: so the answer is found by halving, by tomllib itself, exactly.

    Args:
        text: valid TOML.
        path: keys, and indices into arrays, from the top.
    """
    lines = text.replace("\r\n", "\n").split("\n")
    if not _first_lines_hold(lines, len(lines), path):
        return None
    numbers = range(len(lines) + 1)
    return bisect_left(numbers, True, key=lambda number: _first_lines_hold(lines, number, path))


def _first_lines_hold(lines: list[str], number: int, path: KeyPath) -> bool:
    """Tell whether the first lines, to the end of the statement they stop in, hold the key."""
    for end in range(number, len(lines) + 1):
        try:
            value: Any = tomllib.loads("\n".join(lines[:end]))
        except tomllib.TOMLDecodeError:
            continue  # stops inside a value of several lines
        for key in path:
            try:
                value = value[key]
            except (KeyError, IndexError, TypeError):
                return False
        return True
    return False


@dataclass(frozen=True)
class Section:
    """A table of a TOML text, with what it needs to say where something is wrong.

    Attributes:
        name: the file's name.
        text: the whole text.
        path: where the table stands.
        table: its keys.
    """

    name: str
    text: str
    path: KeyPath
    table: Mapping[str, Any]

    def __contains__(self, key: str) -> bool:
        return key in self.table

    def fail(self, what: str, *, key: str | None = None, mend: str | None = None) -> Never:
        """Raise a CoilbenchError that names the file, the line and the key.

        Args:
            what: what is wrong.
            key: the key at fault; None for the section itself.
            mend: what to do about it.
        """
        path = self.path if key is None else (*self.path, key)
        line = line_of(self.text, path) if path else None
        place = [self.name] if line is None else [self.name, f"line {line}"]
        if path:
            place.append(_path_text(path))
        raise CoilbenchError(what, where=", ".join(place), mend=mend)

    def refuse_unknown(self, known: Collection[str]) -> None:
        """Refuse the first key that isn't known, with the nearest one that is."""
        for key in self.table:
            if key not in known:
                near = difflib.get_close_matches(key, known, n=1)
                mend = f"Perhaps {near[0]} is meant" if near else f"Known: {', '.join(known)}"
                self.fail("unknown key", key=key, mend=mend)

    def section(self, key: str) -> Section:
        """Return the table under a key."""
        value = self._required(key)
        if not isinstance(value, dict):
            self.fail("this must be a section", key=key, mend=f"Write it like [{key}]")
        return Section(self.name, self.text, (*self.path, key), value)

    def sections(self, key: str) -> tuple[Section, ...]:
        """Return the tables of an array of tables ([[key]]); none if it isn't there."""
        value = self.table.get(key, [])
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            self.fail("this must be a list of sections", key=key, mend=f"Write it like [[{key}]]")
        return tuple(
            Section(self.name, self.text, (*self.path, key, index), item)
            for index, item in enumerate(value)
        )

    def text_value(self, key: str) -> str:
        """Return a text that isn't blank."""
        value = self._required(key)
        if not isinstance(value, str) or not value.strip():
            self.fail(f"{_short(value)} is not a text", key=key, mend="Write it in quotes")
        return value

    def length_mm(self, key: str) -> float:
        """Return a length, mm."""
        return self._quantity(key, parse_length_mm, "38.5 mm")

    def load_n(self, key: str) -> float:
        """Return a load, N."""
        return self._quantity(key, parse_load_n, "34 kg")

    def mass_g(self, key: str) -> float:
        """Return a mass, g."""
        return self._quantity(key, parse_mass_g, "42.5 g")

    def stress_mpa(self, key: str) -> float:
        """Return a stress, MPa."""
        return self._quantity(key, parse_stress_mpa, "1900 MPa")

    def flag(self, key: str) -> bool:
        """Return a yes or no."""
        value = self._required(key)
        if not isinstance(value, bool):
            self.fail(
                f"{_short(value)} is neither true nor false",
                key=key,
                mend="Write true or false without quotes",
            )
        return value

    def number(self, key: str) -> float:
        """Return a plain number."""
        value = self._required(key)
        if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) <= MOST:
            self.fail(
                f"{_short(value)} is not a number, or too large a one",
                key=key,
                mend="Write it without quotes and unit",
            )
        return float(value)

    def whole_number(self, key: str) -> int:
        """Return a whole number, 0 or more."""
        value = self._required(key)
        if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= 1_000_000:
            self.fail(f"{_short(value)} is not a whole number from 0 to a million", key=key)
        return value

    def names(self, key: str) -> tuple[str, ...]:
        """Return a list of different names, at least one."""
        value = self._required(key)
        if not isinstance(value, list) or not value:
            self.fail("this must be a list of names", key=key, mend='Write it like ["larch"]')
        for index, item in enumerate(value):
            if not isinstance(item, str) or not item.strip():
                self.fail(f"{_short(item)} is not a name", key=key, mend="Write it in quotes")
            if item in value[:index]:
                self.fail(f"{item!r} stands there twice", key=key, mend="Leave one of them out")
        return tuple(value)

    def _required(self, key: str) -> Any:
        if key not in self.table:
            where = f"[{_path_text(self.path)}]" if self.path else "the file"
            self.fail(f"the key {key} is missing", mend=f"Add {key} to {where}")
        return self.table[key]

    def _quantity(self, key: str, parse: Callable[[str], float], example: str) -> float:
        value = self._required(key)
        if not isinstance(value, str):
            self.fail(
                f"{_short(value)} has no unit",
                key=key,
                mend=f'Write it in quotes, like "{example}"',
            )
        try:
            quantity = parse(value)
        except CoilbenchError as error:
            self.fail(error.what, key=key, mend=error.mend)
        if not abs(quantity) <= MOST:
            self.fail(f"{value!r} is more than any spring's", key=key, mend="Check the number")
        return quantity


def _short(value: object) -> str:
    """Write a value on one line, cut where it is long."""
    try:
        text = repr(value)
    except ValueError:  # a whole number of thousands of digits
        text = "this"
    return text if len(text) <= 60 else f"{text[:60]}..."


def _path_text(path: KeyPath) -> str:
    """Write a path as keys with dots; list items are counted from 1."""
    text = ""
    for key in path:
        if isinstance(key, int):
            text += f"[{key + 1}]"
        else:
            plain = key.replace("_", "").replace("-", "").isalnum() and key.isascii()
            text += ("." if text else "") + (key if plain else repr(key))
    return text
