"""Be a user who may not write everywhere: root may, and tests often run as root."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

_NOBODY = 65534  # Linux Standard Base, 22.2: the user nobody has no rights


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """A folder that any user can reach; pytest's own are this user's alone."""
    folder = Path(tempfile.mkdtemp(dir="/tmp"))
    folder.chmod(0o777)
    try:
        yield folder
    finally:
        shutil.rmtree(folder)


@contextmanager
def nobody() -> Iterator[None]:
    """Have no rights meanwhile, where this process is root's; else go on as the user it has."""
    if os.geteuid() != 0:
        yield
        return
    group = os.getegid()
    os.setegid(_NOBODY)
    os.seteuid(_NOBODY)
    try:
        yield
    finally:
        os.seteuid(0)
        os.setegid(group)


@contextmanager
def locked_up(folder: Path) -> Iterator[None]:
    """Let nobody write a folder and its files meanwhile, like a read-only medium."""
    files = [*folder.iterdir()]
    for file in files:
        file.chmod(0o444)
    folder.chmod(0o555)
    try:
        with nobody():
            yield
    finally:
        folder.chmod(0o777)
        for file in files:
            file.chmod(0o666)
