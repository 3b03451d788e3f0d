"""Shell completion: commands at once, names from the book, and no book made by asking."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from click.shell_completion import ShellComplete

from coilbench.analysis.cli import cli, run


def completed(*arguments: str) -> list[str]:
    """Return what a shell is offered in place of the last, unfinished word."""
    shell = ShellComplete(cli, {}, "coilbench", "_COILBENCH_COMPLETE")
    *whole, incomplete = arguments
    return [item.value for item in shell.get_completions(whole, incomplete)]


@pytest.fixture
def book(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "bench.db"
    monkeypatch.setenv("COILBENCH_BOOK", str(path))
    for name in ("larch", "larix", "rowan"):
        assert run(["set", "new", name, "--role", "outer", "--count", "2"]) == 0
    return path


def test_commands_and_options_complete() -> None:
    assert completed("re") == ["report"]
    assert "status" in completed("")
    assert completed("set", "sh") == ["show"]
    assert "--force" in completed("export", "--f")
    assert completed("completion", "z") == ["zsh"]


@pytest.mark.parametrize(
    "arguments",
    [
        ("note", "--set", "la"),
        ("set", "check", "la"),
        ("set", "show", "la"),
        ("set", "edit", "la"),
        ("set", "measure", "la"),
        ("import", "x.csv", "--set", "la"),
        ("export", "--set", "la"),
        ("daemon", "--port", "x", "--set", "la"),
        ("set", "new", "x", "--again", "la"),
        ("set", "compare", "la"),
    ],
)
def test_names_of_sets_come_from_the_book(book: Path, arguments: tuple[str, ...]) -> None:
    assert completed(*arguments) == ["larch", "larix"]


def test_labels_come_from_the_book(book: Path) -> None:
    assert completed("import", "--label", "larch") == ["larch-01", "larch-02"]
    assert completed("import", "--set", "rowan", "--label", "") == ["rowan-01", "rowan-02"]
    assert completed("set", "spring", "larix", "") == ["larix-01", "larix-02"]


def test_a_book_named_on_the_line_is_the_one_that_is_asked(book: Path, tmp_path: Path) -> None:
    other = str(tmp_path / "other.db")
    assert run(["--book", other, "set", "new", "fir", "--role", "inner", "--count", "1"]) == 0
    assert completed("--book", other, "set", "check", "") == ["fir"]


def test_the_name_of_a_new_set_is_not_an_old_one(book: Path) -> None:
    assert completed("set", "new", "la") == []


def test_asking_makes_no_book_and_minds_no_broken_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COILBENCH_BOOK", str(tmp_path / "none.db"))
    assert completed("set", "check", "") == []
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "none.db").write_text("words\n" * 500)
    assert completed("set", "check", "") == []


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_each_shell_gets_its_script(shell: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["completion", shell]) == 0
    told = capsys.readouterr().out
    assert f"_COILBENCH_COMPLETE={shell}_complete" in told


def test_a_shell_is_answered_without_the_heavy_libraries(book: Path) -> None:
    """As bash asks, https://click.palletsprojects.com/en/stable/shell-completion/."""
    done = subprocess.run(
        [
            sys.executable,
            "-c",
            "import sys, atexit; from coilbench.analysis.cli import run;"
            "heavy = {'numpy', 'scipy', 'matplotlib', 'rich', 'sqlite_utils', 'serial'};"
            "atexit.register(lambda: print(sorted(heavy & set(sys.modules)))); run([])",
        ],
        env=os.environ
        | {
            "_COILBENCH_COMPLETE": "bash_complete",
            "COMP_WORDS": "coilbench s",
            "COMP_CWORD": "1",
            "COILBENCH_BOOK": str(book),
        },
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.stdout.splitlines() == ["plain,status", "plain,set", "plain,share", "[]"], (
        done.stderr
    )
