"""What costs much to make is made once for a whole run, however many workers share it."""

from __future__ import annotations

import os
import pickle
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import pytest
from filelock import FileLock

Value = TypeVar("Value")


def run_folder(factory: pytest.TempPathFactory) -> Path:
    """Return the folder that all workers of this run share, and no other run."""
    own = factory.getbasetemp()
    return own.parent if "PYTEST_XDIST_WORKER" in os.environ else own


def made_once(factory: pytest.TempPathFactory, name: str, make: Callable[[Path], object]) -> Path:
    """Return the folder of that name; the first to ask for it fills it, and the others wait.

    Who changes what is in it changes a copy.
    """
    folder = run_folder(factory) / name
    done = folder / "made"
    with FileLock(folder.with_suffix(".lock")):
        if not done.exists():
            shutil.rmtree(folder, ignore_errors=True)  # a try that failed
            folder.mkdir()
            make(folder)
            done.touch()
    return folder


def copied(made: Path, to: Path) -> Path:
    """Copy what was made once into a folder of one's own; returns that folder."""
    return Path(shutil.copytree(made, to, ignore=lambda *_: ["made"], dirs_exist_ok=True))


def reckoned_once(factory: pytest.TempPathFactory, name: str, reckon: Callable[[], Value]) -> Value:
    """Return what the first to ask for it reckons; each worker has its own copy."""
    folder = made_once(
        factory, name, lambda made: (made / "value").write_bytes(pickle.dumps(reckon()))
    )
    value: Value = pickle.loads((folder / "value").read_bytes())
    return value
