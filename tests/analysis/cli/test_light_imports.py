"""Help loads a command's options alone, and says the same; a command that runs is whole."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from coilbench.analysis.cli import cli, registry, run

COMMANDS = list(cli.list_commands(None))  # type: ignore[arg-type]
GROUPED = [
    f"{group.name} {name}"
    for group in (registry.rig_command, registry.set_command, registry.book_command)
    for name in group.list_commands(None)  # type: ignore[arg-type]
]
# In one process, one after the other: what one command's help loads is loaded for the rest.
PROGRAM = """
import contextlib, io, json, sys
from coilbench.analysis.cli import main
told = {}
for words in json.loads(sys.argv[1]):
    sys.argv = ["coilbench", *words.split(), "--help"]
    with contextlib.redirect_stdout(io.StringIO()) as out, contextlib.suppress(SystemExit):
        main()
    told[words] = out.getvalue()
print(json.dumps([told, sorted(sys.modules)]))
"""


def test_help_loads_no_numerics_or_book_and_says_the_same(
    capsys: pytest.CaptureFixture[str],
) -> None:
    names = json.dumps(COMMANDS + GROUPED)
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, names], capture_output=True, text=True, check=True
    )
    told, modules = json.loads(done.stdout)
    for words in COMMANDS + GROUPED:
        assert run([*words.split(), "--help"]) == 0
        assert told[words] == capsys.readouterr().out, words
    assert "coilbench.analysis.cli.set_check" in modules
    heavy = {"scipy", "pandas", "rich", "sqlite_utils", "matplotlib", "textual", "serial"}
    assert not heavy & set(modules)
    assert "coilbench.analysis.inputs.measured" not in modules


def test_help_as_the_value_of_an_option_is_no_call_for_help(tmp_path: Path) -> None:
    """The command runs, whole: its refusal is in the display units, and no traceback."""
    program = (
        "import sys; sys.argv[0] = 'coilbench'; from coilbench.analysis.cli import main; main()"
    )
    words = ["--book", "no.db", "set", "check", "larch", "--at", "10mm", "--why", "--help"]
    done = subprocess.run(
        [sys.executable, "-c", program, *words],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2
    assert done.stderr.startswith("coilbench: ")
    assert done.stderr.count("\n") == 1
