"""New books for tests: copies of one that was made once, which costs less than a third.

The tests of what makes a book make theirs as the program does.
"""

from __future__ import annotations

import contextlib
import functools
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from coilbench.capture.book import opening
from support.shared import made_once

_NAME = "new.db"
_check_path = opening._check_path  # as the program has it


def make_template(factory: pytest.TempPathFactory) -> Path:
    """Return a new book with nothing in it, made once for the whole run; to be copied."""

    def make(folder: Path) -> None:
        with opening.open_book(folder / _NAME, create=True):
            pass

    return made_once(factory, "new-book", make) / _NAME


def copying(template: Path) -> Callable[..., None]:
    """Return what looks at a book's path as the program does, and puts a copy where none is yet."""

    @functools.wraps(_check_path)
    def check(path: Path, *, create: bool) -> None:
        _check_path(path, create=create)
        if not path.exists():
            try:
                shutil.copyfile(template, path)
            except OSError:  # the program says better why no book can be made there
                with contextlib.suppress(OSError):
                    path.unlink(missing_ok=True)

    return check


@contextlib.contextmanager
def made_by_the_program() -> Iterator[None]:
    """Make new books as the program does, meanwhile."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(opening, "_check_path", _check_path)
        yield
