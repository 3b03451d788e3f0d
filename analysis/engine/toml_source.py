"""A TOML text read into typed tables; an error names file, line, key and remedy. Pure.

msgspec does the reading and the checking of types and bounds; here is what it does not do:
units, which keys are missing and which is meant, and on which line.
"""

from __future__ import annotations

import copy
import difflib
import math
import re
import tomllib
from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from typing import Any, ClassVar, Never, Self, TypeVar, get_args

import msgspec

from coilbench.capture import units
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.plain import is_plain, plain_line

KeyPath = tuple[str | int, ...]
_Value = TypeVar("_Value")
# Ours: characters, twenty times a build file of eight cylinders; dots, since a key of thousands of
# parts takes minutes to read; how often a text is read to find a line.
_LONGEST, _MOST_DOTS, _MOST_TRIES = 50_000, 100, 100
MOST = 1e6  # mm, N or anything: beyond it is a typing error


class _Refused(CoilbenchError, ValueError):
    """What the reader of a quantity raises: msgspec passes a ValueError on with its place."""


class Quantity(float):
    """A number that stands in the file as a text with its unit."""

    parse: ClassVar[staticmethod[[str], float]]
    like: ClassVar[str]
    least: ClassVar[float] = math.ulp(0.0)  # above 0
    most: ClassVar[float] = MOST

    @classmethod
    def read(cls, text: str) -> Self:
        """Read a text.

        Raises:
            CoilbenchError: it isn't such a quantity.
        """
        return cls(cls.parse(text))


class LoadN(Quantity):
    """A load, N."""

    parse, like = staticmethod(units.parse_load_n), "34 kg"


class LengthMm(Quantity):
    """A length above 0, mm."""

    parse, like = staticmethod(units.parse_length_mm), "38.5 mm"


class SmallMm(LengthMm):
    """A shim's thickness, or how well a length is known, mm."""

    like = "0.5 mm"


class LengthMmOrZero(LengthMm):
    """A length of 0 or more, mm."""

    least = 0.0


class Share(Quantity):
    """A percentage from 0 to below a half, as a fraction."""

    parse, like = staticmethod(units.parse_fraction), "3%"
    least, most = 0.0, 0.5


class Table(msgspec.Struct, frozen=True, rename=lambda name: re.sub("_(g|mm|mpa|n)$", "", name)):
    """A table of the text; a key is its attribute's name without the unit.

    Attributes:
        instead: what may be given in place of a key, in brackets behind it where it is missing.
    """

    instead: ClassVar[Mapping[str, str]] = {}

    @classmethod
    def also_required(cls, table: Mapping[str, Any]) -> Iterator[str]:
        """Name the keys that are missing in view of the others of a table of this kind."""
        del table
        yield from ()


_EXPECTED = {
    "str": ("text", "Write it in quotes"),
    "int": ("a whole number", "Write it without quotes and unit, like 2"),
    "float": ("a number", "Write it without quotes and unit, like 1.5"),
    "bool": ("true or false", "Write true or false without quotes"),
    "array": ("a list", 'Write names like ["larch"], shims like [[shims]]'),
    "object": ("a section", "Write its keys under a heading like [cam] or [[shims]]"),
    "str | array": ('a list, or "*"', 'Write a list like ["larch"], or "*" for every set'),
    "int | object": (
        "a whole number or a section",
        "Write valves = 12, or a height for each valve under [head.valves]",
    ),
}


class Source:
    """A TOML text, and where in it something is wrong.

    Raises:
        CoilbenchError: it is too long, no TOML, or holds what could be taken for more than text.
    """

    def __init__(self, name: str, text: str) -> None:
        self.name, self._text = name, text
        self._seen_by = ""  # which part's keys were laid over a section
        self._moved: dict[KeyPath, KeyPath] = {}  # where a key that was laid over another stands
        lines = (line for line in text.splitlines() if not line.lstrip().startswith("#"))
        if len(text) > _LONGEST or max((line.count(".") for line in lines), default=0) > _MOST_DOTS:
            what = f"more than {_LONGEST} characters, or more than {_MOST_DOTS} dots in a line"
            raise CoilbenchError(what, where=name, hint="Give a build file; this is none")
        try:
            self._top = tomllib.loads(text)
        except (ValueError, RecursionError) as error:  # TOMLDecodeError is a ValueError
            what = f"not valid TOML: {' '.join(str(error).split())}"
            hint = 'Write text and quantities in quotes, like valve_lift = "10.2 mm"'
            raise CoilbenchError(what, where=name, hint=hint) from error
        for path, found in _texts(self._top):
            if not is_plain(found):
                what = f"{plain_line(_shortened(found))} holds control characters or line ends"
                self.refuse(path, what, "Type it anew, in characters that can be seen")

    def at(self, *path: str | int) -> Any:
        """Return what stands at a path; None where nothing does."""
        return _at(self._top, path)

    def laid_over(self, section: str, part: str | None, parts: Sequence[str]) -> Self:
        """Return it with a section's keys overridden by those of one of its parts, key by key.

        Errors name the key where it stands. The parts themselves are no longer keys then.
        """
        table = self.at(section)
        over = {} if part is None else table.get(part, {})
        other = copy.copy(self)
        other._seen_by = "" if part is None else f" for [{section}.{part}]"
        other._moved = {(section, key): (section, part, key) for key in over if part is not None}
        other._top = self._top | {
            section: {key: value for key, value in table.items() if key not in parts} | over
        }
        return other

    def refuse(self, path: KeyPath, what: str, hint: str | None) -> Never:
        """Raise an error that names the file, the line and the key."""
        path = (*self._moved.get(path[:2], path[:2]), *path[2:])
        line = _line_of(self._text, path) if path else None
        place = (self.name, None if line is None else f"line {line}", _dotted(path))
        raise CoilbenchError(what, where=", ".join(filter(None, place)), hint=hint)

    def read(self, kind: type[_Value], path: KeyPath) -> _Value:
        """Read what stands at a path."""
        value = self.at(*path)
        if issubclass(kind, Table) and isinstance(value, dict):
            self._check_keys(kind, value, path)
        try:
            return msgspec.convert(value, kind, dec_hook=_read_quantity)
        except msgspec.ValidationError as error:
            cause, said = error.__cause__, str(error).removeprefix(str(error.__cause__))
            steps = re.findall(r"\.(\w+)|\[(\d+)\]", said.rpartition("`$")[2])
            path = (*path, *(key or int(index) for key, index in steps))
            if isinstance(cause, CoilbenchError):
                self.refuse(path, cause.what, cause.hint)
            expected = re.match(r"Expected `(.+?)(?: \| null)?`( [<>]=? [\d.]+)?", said)
            named, bound = expected.groups("") if expected else ("float", "")
            noun, hint = _EXPECTED[named]
            self.refuse(path, f"{_shortened(self.at(*path))} is not {noun}{bound}", hint)

    def read_each(self, kind: type[_Value], path: KeyPath) -> dict[str, _Value]:
        """Read each value of the table at a path, whose keys are names; none if it isn't there."""
        table = self.at(*path)
        names = table if isinstance(table, dict) else ()
        return {name: self.read(kind, (*path, name)) for name in names}

    def _check_keys(self, kind: type[Table], table: dict[str, Any], path: KeyPath) -> None:
        missing = list(self._missing(kind, table, path))
        if missing:
            place, noun = missing[0][0], "key" if len(missing) == 1 else "keys"
            keys = ", ".join(f"{_dotted((*at, key))}{like}" for at, key, like in missing)
            hint = "Add each to its section, like these, with values of your own"
            place = () if self.at(*place) is None else place
            self.refuse(place, f"required {noun} missing{self._seen_by}: {keys}", hint)

    def _missing(
        self, kind: type[Table], table: dict[str, Any], path: KeyPath
    ) -> Iterator[tuple[KeyPath, str, str]]:
        """Yield section, key and an example of all that is missing; refuse an unknown key."""
        fields = _fields(kind)
        for key in table:
            if key not in fields:
                near = difflib.get_close_matches(key, fields, n=1)
                hint = f"Perhaps {near[0]} is meant" if near else f"Known: {', '.join(fields)}"
                self.refuse((*path, key), "unknown key", hint)
        for key, each in fields.items():
            inner = next(filter(_is_table, (each.type, *get_args(each.type))), None)
            if inner is None and each.required and key not in table:
                yield path, key, _example(kind, key, each.type)
            elif inner is not None:
                for place, item in _tables(
                    (*path, key), table.get(key, {} if each.required else None)
                ):
                    yield from self._missing(inner, item, place)
        for key in kind.also_required(table):
            yield path, key, _example(kind, key, fields[key].type)


@cache
def _fields(kind: type[Table]) -> dict[str, msgspec.structs.FieldInfo]:
    """Return what may stand in a table, by its key."""
    return {each.encode_name: each for each in msgspec.structs.fields(kind)}


def _example(table: type[Table], key: str, kind: Any) -> str:
    """Write what may stand behind a key, and what instead of it."""
    kinds = set(_kinds(kind))
    plain = "1.5" if float in kinds else '["larch"]'
    shown = next((f'"{each.like}"' for each in kinds if hasattr(each, "like")), plain)
    return f" = {shown}{table.instead.get(key, '')}"


def _kinds(kind: Any) -> Iterator[Any]:
    """Yield a type and all that it is made of."""
    yield kind
    for each in get_args(kind):
        yield from _kinds(each)


def _is_table(kind: Any) -> bool:
    return isinstance(kind, type) and issubclass(kind, Table)


def _tables(path: KeyPath, value: object) -> Iterator[tuple[KeyPath, dict[str, Any]]]:
    """Yield the tables that stand at a key: it, or the items of a list."""
    if isinstance(value, dict):
        yield path, value
    elif isinstance(value, list):
        yield from (((*path, i), item) for i, item in enumerate(value) if isinstance(item, dict))


def _read_quantity(kind: type[Quantity], value: object) -> Quantity:
    """Read a text with its unit; msgspec calls this for each quantity. 0 needs no unit.

    Raises:
        _Refused: not a text, no unit, or out of range.
    """
    like = f'Write it like "{kind.like}"'
    if kind.least <= 0.0 and _is_zero(value):
        return kind(0.0)
    if not isinstance(value, str):
        raise _Refused(f"{_shortened(value)} has no unit", hint=f"{like}, in quotes")
    try:
        number = kind.read(value)
    except CoilbenchError as error:
        raise _Refused(error.what, hint=error.hint) from error
    if not abs(number) <= kind.most:
        raise _Refused(f"{value!r} is out of range", hint=like)
    if number < kind.least:
        raise _Refused(f"{value!r} must be {'above 0' if kind.least else '0 or more'}", hint=like)
    return number


def _is_zero(value: object) -> bool:
    return value == "0" or (isinstance(value, int | float) and value is not False and value == 0)


def _shortened(value: object) -> str:
    """Write a value on one line, cut where it is long."""
    try:
        text = repr(value)
    except ValueError:  # a whole number of thousands of digits
        text = "this"
    return text if len(text) <= 60 else f"{text[:60]}..."


def _dotted(path: KeyPath) -> str:
    """Write a path as keys with dots; list items are counted from 1."""
    text = ""
    for step in path:
        if isinstance(step, int):
            text += f"[{step + 1}]"
        else:
            text += f".{step}" if re.fullmatch(r"[\w-]+", step, re.ASCII) else f".{step!r}"
    return text.removeprefix(".")


def _texts(top: dict[str, Any]) -> Iterator[tuple[KeyPath, str]]:
    """Yield each key and each text of a document, and where it stands."""
    open_ended: list[tuple[KeyPath, Any]] = [((), top)]
    while open_ended:
        path, value = open_ended.pop()
        if isinstance(value, str):
            yield path, value
        elif isinstance(value, list):
            open_ended += (((*path, at), item) for at, item in enumerate(value))
        elif isinstance(value, dict):
            yield from ((path, key) for key in value)
            open_ended += (((*path, key), item) for key, item in value.items())


def _at(table: Any, path: KeyPath) -> Any:
    for step in path:
        try:
            table = table[step]
        except (KeyError, IndexError, TypeError):
            return None
    return table


def _line_of(text: str, path: KeyPath) -> int | None:
    """Find the line (from 1) on which a key's statement begins; None if it isn't found.

    tomllib gives no lines. The first lines of a text hold a key or they don't, and more lines
    never take it away: so the answer is found by halving, by tomllib itself, exactly.
    """
    lines = text.replace("\r\n", "\n").split("\n")
    tries = iter(range(_MOST_TRIES))

    def hold(number: int) -> bool:
        for end, _ in zip(range(number, len(lines) + 1), tries, strict=False):
            try:
                return _at(tomllib.loads("\n".join(lines[:end])), path) is not None
            except tomllib.TOMLDecodeError:
                continue  # stops inside a value of several lines
        return False

    line = bisect_left(range(len(lines) + 1), True, key=hold)
    return line if line <= len(lines) and next(tries, None) is not None else None
