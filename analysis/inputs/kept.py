"""Answers worked out before, kept in the user's cache folder, so that asking again is quick.

Never a second truth: an answer is found again only by a digest of all that it was worked out from,
the program's own code among it, and without the folder every answer is worked out anew. The folder
is the user's own, not the book's: what comes with somebody's book is never taken for an answer.
"""

from __future__ import annotations

import hashlib
import os
import platform
import sys
from collections.abc import Callable, Iterator, Sized
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from tempfile import NamedTemporaryFile
from typing import Any, Generic, TypeVar

import msgspec
import numpy as np

T = TypeVar("T")
G = TypeVar("G", bound=Sized)
Work = Callable[[], T]
MOST_FILES = 256  # in the folder, two a set; one of 12 springs in 3 strokes takes about 1 MB
_DIGEST_BYTES = 32
# Folders of the program whose code no number depends on.
_NO_NUMBERS = frozenset({"cli", "dashboard", "running", "shop", "sources", "virtual"})
_DTYPES = frozenset({"<f8", "<i8", "|b1"})


def kept(
    kind: type[T], depends: Callable[[], bytes | None], asked: tuple[object, ...], work_out: Work[T]
) -> T:
    """Return what was worked out before from the same, else work it out and keep it.

    Inside `only_kept` nothing is worked out.

    Args:
        kind: what work_out returns; made of records, named tuples, arrays and plain values.
        depends: returns a digest of what it is worked out from; None to keep nothing. Asked again
            after the work: what changed meanwhile is not kept.
        asked: what else it depends on, told apart by its repr.
    """
    before = depends()
    place = _Place.of(kind, before, asked)
    found = None if place is None else place.read()
    if found is None:
        if _only.get():
            raise _NotKept
        found = work_out()
        if place is not None and depends() == before:
            place.write(found)
    return found


class _NotKept(Exception):
    """There is no such answer, and none was to be worked out."""


_off: ContextVar[bool] = ContextVar("nothing_kept", default=False)
_only: ContextVar[bool] = ContextVar("only_kept", default=False)


def only_kept(work: Work[T]) -> T | None:
    """Return what work comes to by kept answers alone; None where it asks for one that is not."""
    token = _only.set(True)
    try:
        return work()
    except _NotKept:
        return None
    finally:
        _only.reset(token)


def anything_kept() -> bool:
    """Tell whether there is any answer to look for."""
    return not _off.get() and folder().is_dir() and any(folder().iterdir())


@contextmanager
def nothing_kept() -> Iterator[None]:
    """Keep nothing meanwhile, and look for nothing: for answers that will not be asked again."""
    token = _off.set(True)
    try:
        yield
    finally:
        _off.reset(token)


@contextmanager
def growing(kind: type[G], depends: bytes | None) -> Iterator[G]:
    """Give what was kept before from the same, else nothing yet; what is added meanwhile is kept.

    Args:
        kind: a collection, made as in `kept`; called without arguments it is empty.
        depends: a digest of what all of it is worked out from; None to keep nothing.
    """
    place = _Place.of(kind, depends)
    found = (None if place is None else place.read()) or kind()
    had = len(found)
    yield found
    if place is not None and len(found) > had:
        place.write(found)


def digest_of(value: object) -> bytes | None:
    """Return a digest of a value, made as in `kept`; None where it is made of something else."""
    try:
        packed = msgspec.msgpack.encode(value, enc_hook=_packed)
    except (NotImplementedError, TypeError):
        return None
    return hashlib.blake2b(packed, digest_size=_DIGEST_BYTES).digest()


def folder() -> Path:
    """Return where answers are kept."""
    import platformdirs

    return platformdirs.user_cache_path("coilbench") / "answers"


def code_digest() -> bytes | None:
    """Return a digest of the program's source; None where it cannot be read."""
    return digest_of_code(Path(__file__).parents[2])


@cache
def digest_of_code(top: Path) -> bytes | None:
    """Return a digest of the source that numbers depend on; None where there is none."""
    digest = hashlib.blake2b(digest_size=_DIGEST_BYTES)
    try:
        for name in _sources(top):
            with open(f"{top}/{name}", "rb", buffering=0) as file:  # noqa: PTH123 (twice as soon)
                source = file.read()
            digest.update(f"{name} {len(source)} ".encode() + source)
    except OSError:
        return None
    return digest.digest()


@cache
def _libraries() -> tuple[str, bytes] | None:
    """Return the versions of what computes for us; None where one cannot be read.

    SciPy is not loaded for it, nor is importlib.metadata: both are slow.
    """
    scipy = find_spec("scipy")
    if scipy is not None and scipy.origin is not None:
        with suppress(OSError):
            return np.__version__, Path(scipy.origin).with_name("version.py").read_bytes()
    return None


def _sources(top: Path) -> Iterator[str]:
    """Yield the files that hold it, in an order that stays."""
    for package in ("analysis", "capture"):
        inside = (one.name for one in os.scandir(top / package) if one.is_dir())
        rooms = sorted(f"{package}/{name}" for name in inside if name not in _NO_NUMBERS)
        for room in (package, *rooms):
            files = sorted(os.listdir(top / room))  # noqa: PTH208
            yield from (f"{room}/{name}" for name in files if name.endswith(".py"))


class _Place(msgspec.Struct, Generic[T], frozen=True):
    """Where an answer of a kind is kept."""

    path: Path
    kind: type[T]

    @classmethod
    def of(
        cls, kind: type[T], depends: bytes | None, asked: tuple[object, ...] = ()
    ) -> _Place[T] | None:
        """Return the place of what depends on all this; None where nothing can be kept."""
        code, libraries, where = code_digest(), _libraries(), folder()
        if _off.get() or None in (depends, code, libraries) or not where.is_absolute():
            return None
        machine = libraries, sys.version, platform.machine()
        whole = repr((kind.__qualname__, depends, asked, code, machine))
        name = hashlib.blake2b(whole.encode(), digest_size=_DIGEST_BYTES).hexdigest()
        return cls(where / name, kind)

    def read(self) -> T | None:
        """Read the answer; None where there is none, or none that is whole."""
        try:
            stored = self.path.read_bytes()
        except OSError:
            return None
        packed = memoryview(stored)[_DIGEST_BYTES:]
        if stored[:_DIGEST_BYTES] != self._seal(packed):
            return None
        try:
            found = msgspec.msgpack.decode(packed, type=self.kind, dec_hook=_unpacked)
        except (msgspec.MsgspecError, ValueError):
            return None
        with suppress(OSError):
            os.utime(self.path)  # the one used last is removed last
        return found

    def write(self, answer: T) -> None:
        """Keep the answer, whole or not at all; where it cannot be kept that is no error."""
        with suppress(OSError, NotImplementedError, TypeError):
            packed = msgspec.msgpack.encode(answer, enc_hook=_packed)
            self.path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            with NamedTemporaryFile(dir=self.path.parent, delete=False) as file:
                try:
                    file.write(self._seal(packed) + packed)
                    file.flush()
                    Path(file.name).replace(self.path)
                except OSError:
                    Path(file.name).unlink()
            _remove_oldest(self.path.parent)

    def _seal(self, packed: bytes | memoryview) -> bytes:
        name = self.path.name.encode()
        return hashlib.blake2b(packed, digest_size=_DIGEST_BYTES, key=name).digest()


def _remove_oldest(where: Path) -> None:
    files = sorted(where.iterdir(), key=lambda file: file.stat().st_mtime)
    for file in files[:-MOST_FILES]:
        file.unlink()


def _packed(value: Any) -> object:
    for plain in (float, str):
        if isinstance(value, plain):
            return plain(value)
    if isinstance(value, np.ndarray):
        return value.dtype.str, value.shape, value.tobytes()
    if isinstance(value, np.generic):
        return value.item()
    raise NotImplementedError(type(value))


def _unpacked(_: type, value: Any) -> object:
    if not isinstance(value, list) or value[0] not in _DTYPES:
        raise ValueError(value)
    name, shape, data = value
    return np.frombuffer(data, dtype=name).reshape(shape)
