"""A command's module loaded for its options alone, without the libraries and numerics behind it.

Help and completion need what a command's module says, not what it would run. While `light_imports`
is in force, what modules of this package import from elsewhere is not loaded: a name stands for it,
which loads it when it is called or read. Python is to have the same, as `lazy from x import y`
(PEP 810); until then it is used where the program ends with its help or its completions.
"""

from __future__ import annotations

import builtins
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import wraps
from importlib import import_module
from types import SimpleNamespace
from typing import Any, cast

import click

_HERE = "coilbench.analysis.cli"
_HEAVY = frozenset({"coilbench", "numpy", "rich", "sqlite_utils", "textual"})
_LATE_HERE = f"{_HERE}.plain_console"  # its class extends one of Rich's


class _Later:
    """Stands for a name of a module that is not loaded yet; None stands for the module itself."""

    def __init__(self, module: str, name: str | None) -> None:
        self._module, self._name = module, name

    def load(self) -> Any:
        """Return what it stands for."""
        with _everything_loads():
            module = import_module(self._module)
            return module if self._name is None else getattr(module, self._name)

    def __call__(self, *args: Any, **named: Any) -> Any:
        return self.load()(*args, **named)

    def __getattr__(self, name: str) -> Any:
        return getattr(self.load(), name)

    def __getitem__(self, key: Any) -> Any:
        return self.load()[key]

    def __iter__(self) -> Iterator[Any]:
        return iter(self.load())

    def __add__(self, other: Any) -> Any:
        return self.load() + (other.load() if isinstance(other, _Later) else other)

    def __format__(self, spec: str) -> str:
        return format(self.load(), spec)

    def __mro_entries__(self, bases: tuple[Any, ...]) -> tuple[Any, ...]:
        return (self.load(),)


_load_at_once = builtins.__import__


def _load_later(
    name: str,
    into: Mapping[str, Any] | None = None,
    local: Mapping[str, Any] | None = None,
    fromlist: Sequence[str] | None = (),
    level: int = 0,
) -> Any:
    """What an import statement calls instead of builtins.__import__."""
    importer = "" if into is None else into.get("__name__", "")
    ours = name == _HERE or (name.startswith(f"{_HERE}.") and name != _LATE_HERE)
    light = importer.startswith(_HERE) and name.partition(".")[0] in _HEAVY and not ours
    if not light or level or name in sys.modules:
        return _load_at_once(name, into, local, fromlist or (), level)
    if not fromlist:
        return _Later(name, None)
    return SimpleNamespace(**{one: _Later(name, one) for one in fromlist})


@contextmanager
def light_imports() -> Iterator[None]:
    """Load modules of commands without what they import from elsewhere."""
    builtins.__import__ = cast(Any, _load_later)
    try:
        yield
    finally:
        builtins.__import__ = _load_at_once


@contextmanager
def _everything_loads() -> Iterator[None]:
    before, builtins.__import__ = builtins.__import__, _load_at_once
    try:
        yield
    finally:
        builtins.__import__ = before


def whole_when_called(command: click.Command) -> None:
    """Let a command whose module was loaded light load the rest when it is run after all.

    As it is where `--help` was an option's value. Its options' defaults are shown: they load now.
    """
    run = command.callback
    if run is None or builtins.__import__ is _load_at_once:
        return
    for param in command.params:
        if isinstance(param.default, _Later):
            param.default = param.default.load()

    @wraps(run)
    def whole(*args: Any, **named: Any) -> Any:
        builtins.__import__ = _load_at_once
        for name, module in list(sys.modules.items()):
            if name.startswith(_HERE):
                _fill_in(vars(module))
        return run(*args, **named)

    command.callback = whole


def _fill_in(names: dict[str, Any]) -> None:
    for name, value in list(names.items()):
        if isinstance(value, _Later):
            names[name] = value.load()
