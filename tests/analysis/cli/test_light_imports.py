"""What each command loads: help no library but click; what is asked often, only what it needs."""

from __future__ import annotations

import inspect
import json
import re
import subprocess
import sys
import tomllib
from collections.abc import Callable
from importlib import import_module
from importlib.metadata import packages_distributions
from pathlib import Path
from typing import Any

import pytest

from coilbench.analysis.cli import common, run
from support.commands import COMMANDS

ROOT = Path(__file__).parents[3]


def libraries() -> set[str]:
    """Top-level modules of all that pyproject.toml says this program needs, but click."""
    needed = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["dependencies"]
    names = {re.split(r"[^\w-]", one)[0].replace("_", "-").lower() for one in needed} - {"click"}
    found = {
        module
        for module, of in packages_distributions().items()
        if names & {one.replace("_", "-").lower() for one in of}
    }
    assert {"numpy", "scipy", "serial", "sqlite_utils"} <= found
    return found


# One command after the other in one process: what one loads is loaded for the rest.
PROGRAM = """
import contextlib, io, json, sys
from coilbench.analysis.cli import main
told = []
for words in json.loads(sys.argv[1]):
    sys.argv = ["coilbench", *words]
    with contextlib.redirect_stdout(io.StringIO()) as out:
        try:
            main()
        except SystemExit as end:
            told.append([out.getvalue(), end.code])
print(json.dumps([told, sorted(sys.modules)]))
"""


def loaded_by(*commands: list[str], folder: Path | None = None) -> tuple[list[Any], set[str]]:
    """What each command printed, with its exit status; and what libraries they loaded in all."""
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, json.dumps(commands)],
        cwd=folder,
        capture_output=True,
        text=True,
        check=True,
    )
    told, modules = json.loads(done.stdout)
    return told, libraries() & set(modules)


def test_no_help_loads_a_library(capsys: pytest.CaptureFixture[str]) -> None:
    asked = [[*words.split(), "--help"] for words in ("", *COMMANDS)]
    told, loaded = loaded_by(*asked)
    for words, (text, status) in zip(asked, told, strict=True):
        assert run(words) == status == 0
        assert text == capsys.readouterr().out, words
    assert loaded == set()


BOOK = {"filelock", "msgspec", "numpy", "platformdirs", "sqlite_utils"}  # a book and its arrays


@pytest.mark.parametrize(
    ("words", "needs"),
    [
        ([], set()),
        (["status"], set()),
        (["set", "list"], BOOK),
        (["set", "show", "larch"], BOOK | {"rich"}),
        (["note", "--set", "larch", "--yes", "larch-01 38.5mm 24kg"], BOOK),
        (["import", "points.csv", "--set", "larch", "--yes"], BOOK),
    ],
)
def test_what_is_asked_often_loads_only_what_it_needs(
    words: list[str], needs: set[str], tmp_path: Path
) -> None:
    (tmp_path / "points.csv").write_text("label,height_mm,load_kg\nlarch-02,40.0,20.1\n")
    book = ["--book", str(tmp_path / "book.db")]
    assert run([*book, "set", "new", "larch", "--role", "outer", "--count", "2"]) == 0
    ((_, status),), loaded = loaded_by([*book, *words], folder=tmp_path)
    assert status == 0
    assert loaded <= needs


def test_what_runs_takes_all_that_can_be_typed(monkeypatch: pytest.MonkeyPatch) -> None:
    """A command is declared in one module and runs in another: their parameters are the same."""
    bound: list[str] = []

    class Body:
        def __init__(self, module: str) -> None:
            self._module = import_module(module)

        def __getattr__(self, name: str) -> Callable[..., None]:
            def binds(**asked: object) -> None:
                inspect.signature(getattr(self._module, name)).bind(**asked)
                bound.append(name)

            return binds

    monkeypatch.setattr(common, "import_module", Body)
    for command in COMMANDS.values():
        if hasattr(command.callback, "__wrapped__"):  # others run where they are declared
            command.callback(**{one.name: None for one in command.params})  # type: ignore[misc]
    assert len(bound) == len(set(bound)) >= len(COMMANDS) - 5  # three groups and two small ones
