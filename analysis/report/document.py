"""The one route from results to JSON: records in, a document in N and mm out.

A record's fields are the document's keys, after the `kind` that all of its class have. Its class's
`in_json` may say otherwise, by field: another key, "*" to put a mapping's keys in its place, None
to leave it out. A finding, which is a record that `describe` knows, carries its sentence in N and
mm beside its numbers, under "text". Where a class can't say so itself, or its document holds
properties or what its parts hold, `json_keys` says it.
"""

from __future__ import annotations

import json
import math
from collections import deque
from collections.abc import Iterator, Mapping, Sequence, Set
from enum import Enum
from functools import cache, singledispatch
from importlib import import_module
from string import Formatter
from typing import Any

from coilbench.analysis.report.units import SI, Units

MOST_NAMED = 3  # of more names the others are counted
_KEYS: dict[type, str] = {}


def json_keys(of: type, keys: str) -> None:
    """Say what the document of a class holds, in place of its fields.

    Args:
        of: the class.
        keys: in order, apart by spaces: an attribute's name, or key=attribute, or
            key=attribute.of.an.attribute. What is None on the way gives null, a tuple on the way
            gives a list, and `text` alone is the sentence in N and mm.
    """
    _KEYS[of] = keys


def picked(value: Any, keys: str) -> dict[str, Any]:
    """Return what keys, as in `json_keys`, find in a value."""
    pairs = (each.partition("=") for each in keys.split())
    return {key: _at(value, (path or key).split(".")) for key, _, path in pairs}


# The report's modules that describe findings or say a class's keys. They are loaded one after the
# other, the light ones first, until one has the words that are needed.
_WORDS = (
    "phrases",
    "bench_text",
    "slip_text",
    "curve_text",
    "budget_text",
    "drift_text",
    "bind_text",
    "card_text",
    "set_text",
    "spring",
    "pairing_text",
    "limits_text",
    "plan_text",
    "assignment_text",
    "selection_text",
    "sheet_text",
)
_HOLDERS = frozenset({dict, list, tuple, set, frozenset})


@singledispatch
def describe(finding: object, units: Units) -> str:
    """Say a finding in a sentence without a full stop; each report module registers its own.

    Raises:
        TypeError: no report module knows findings of this kind.
    """
    if not _has_words(type(finding)):
        raise TypeError(f"no words for {type(finding).__name__}")
    return describe.dispatch(type(finding))(finding, units)


def _has_words(kind: type) -> bool:
    """Tell whether a class can be described, whatever modules happen to be loaded."""
    default = describe.dispatch(object)
    return describe.dispatch(kind) is not default or any(
        describe.dispatch(kind) is not default for _ in _loading_words()
    )


def _loading_words() -> Iterator[None]:
    """Load the modules with words, one a step."""
    for name in _WORDS:
        import_module(f"coilbench.analysis.report.{name}")
        yield


@cache
def _load_words() -> None:
    deque(_loading_words(), maxlen=0)


class _Quantity(str):
    """A number with its unit; the format `+` writes its sign always, `abs` never."""

    __slots__ = ()

    def __format__(self, spec: str) -> str:
        if spec == "abs":
            return self.removeprefix("-")
        return f"+{self!s}" if spec == "+" and not self.startswith("-") else str(self)


class _Filler(Formatter):
    def __init__(self, units: Units) -> None:
        self._units = units

    def get_value(self, key: int | str, args: Sequence[Any], kwargs: Mapping[str, Any]) -> Any:
        if key in kwargs:
            return kwargs[str(key)]
        return args[0][key] if isinstance(args[0], Mapping) else getattr(args[0], str(key))

    def get_field(self, field_name: str, args: Sequence[Any], kwargs: Mapping[str, Any]) -> Any:
        value, used = super().get_field(field_name, args, kwargs)
        quantity = self._units.quantity(field_name.rstrip("]"), value)
        if quantity is not None:
            value = _Quantity(quantity)
        elif isinstance(value, Mapping):
            value = describe(value, self._units)
        return value, used


def filled(template: str, facts: object, units: Units, **more: object) -> str:
    """Fill a sentence's fields, as str.format does, with what is in `more` or in `facts`.

    A field whose name ends in _n, _mm, _n_per_mm or _kg is written with its unit ("-" where it is
    None), with a sign always for the format `+` and never for `abs`; a finding is described.
    """
    return _Filler(units).vformat(template, (facts,), more)


def sentences(of: type, words: str | Mapping[Any, str]) -> None:
    """Let `describe` say the findings of a class by a template, or by one for each `kind`."""

    def say(found: Any, units: Units) -> str:
        return filled(words if isinstance(words, str) else words[found.kind], found, units)

    describe.register(of, say)


def first_few(names: Sequence[str], most: int = MOST_NAMED) -> str:
    """Name the first few, and count the others."""
    more = len(names) - most
    named = ", ".join(names[:most])
    return f"{named} and {more} more" if more > 0 else named


def document(value: Any) -> Any:
    """Return a result as what JSON can hold: numbers in N and mm, unknown ones None.

    Raises:
        TypeError: something in it has no place in a document.
    """
    if value is None or isinstance(value, (str, bool, int)):
        return value
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, Enum):
        return document(value.value)
    if type(value) not in _HOLDERS:
        _load_words()
    if hasattr(type(value), "__struct_fields__") or type(value) in _KEYS:
        return _fields(value)
    if isinstance(value, Mapping):
        return {str(document(key)): document(each) for key, each in value.items()}
    if isinstance(value, (list, tuple, Set)):
        return [document(each) for each in value]
    if hasattr(value, "__fspath__"):
        return str(value)
    if hasattr(value, "tolist"):  # an array of NumPy's, or one of its numbers
        return document(value.tolist())
    raise TypeError(f"{type(value).__name__} has no place in a JSON document")


def document_text(value: Any) -> str:
    """Return a result as the text of one JSON document."""
    return json.dumps(document(value), allow_nan=False, ensure_ascii=False, indent=2)


def _fields(value: Any) -> dict[str, Any]:
    keys = _KEYS.get(type(value))
    if keys is not None:
        return {key: document(each) for key, each in picked(value, keys).items()}
    kind, keys_of = getattr(type(value), "kind", None), getattr(value, "in_json", {})
    found: dict[str, Any] = {"kind": kind} if isinstance(kind, str) else {}
    for name in value.__struct_fields__:
        key, content = keys_of.get(name, name), getattr(value, name)
        if key == "*":
            found |= document(content)
        elif key is not None:
            found[key] = document(content)
    if _has_words(type(value)):
        found["text"] = describe(value, SI)
    return found


def _at(value: Any, path: list[str]) -> Any:
    if value is None or not path:
        return value
    if type(value) is tuple:
        return [_at(each, path) for each in value]
    if path == ["text"]:
        return describe(value, SI)
    return _at(getattr(value, path[0]), path[1:])
