"""Shell completion: the script for a shell, and the names of sets and springs from the book."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import click
from click.shell_completion import BashComplete, CompletionItem, FishComplete, ZshComplete

from coilbench.analysis.cli.settings import default_book_path

_KINDS = {"bash": BashComplete, "zsh": ZshComplete, "fish": FishComplete}
# Parameters that are a set's name or a spring's label.
_SETS = ("set_name", "set_names", "again", "before", "after")
_LABELS = ("label", "only", "swapped")
_SETS_SQL = "SELECT name FROM sets ORDER BY name"
_LABELS_SQL = """
SELECT DISTINCT label FROM springs JOIN sets ON sets.id = set_id
WHERE :set IS NULL OR sets.name = :set ORDER BY label
"""
_MOST = 200


@click.command(
    name="completion",
    epilog='Examples: eval "$(coilbench completion bash)" ; '
    "coilbench completion fish > ~/.config/fish/completions/coilbench.fish",
)
@click.argument("shell", type=click.Choice(list(_KINDS)))
def completion_command(shell: str) -> None:
    """Print a script that completes commands, options, and set and spring names in SHELL.

    \b
    bash  add to ~/.bashrc:  eval "$(coilbench completion bash)"
    zsh   add to ~/.zshrc:   eval "$(coilbench completion zsh)"
    fish  coilbench completion fish > ~/.config/fish/completions/coilbench.fish
    """
    root = click.get_current_context().find_root().command
    click.echo(_KINDS[shell](root, {}, "coilbench", "_COILBENCH_COMPLETE").source())


def completing_names(command: click.Command) -> click.Command:
    """Let a command's options and arguments, and its subcommands', complete from the book."""
    if isinstance(command, click.Group):
        for one in command.commands.values():
            completing_names(one)
    for param in command.params:
        if param.name in _SETS or _names_a_set(command, param):
            param.type = _BookNames(_SETS_SQL)
        elif param.name in _LABELS:
            param.type = _BookNames(_LABELS_SQL)
    return command


def _names_a_set(command: click.Command, param: click.Parameter) -> bool:
    """Return whether it is the NAME of an existing set, as in `set show`, not of a new one."""
    return isinstance(param, click.Argument) and param.name == "name" and command.name != "new"


class _BookNames(click.ParamType[str]):
    name = "text"

    def __init__(self, sql: str) -> None:
        self._sql = sql

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        given = ctx.find_root().params.get("book")
        path = default_book_path() if given is None else Path(given)
        of_set = next((ctx.params[key] for key in ("set_name", "name") if key in ctx.params), None)
        names = names_in(path, self._sql, of_set)
        return [CompletionItem(name) for name in names if name.startswith(incomplete)][:_MOST]


def names_in(path: Path, sql: str, of_set: str | None) -> list[str]:
    """Return names from a book; none if it does not exist or cannot be read."""
    if not path.is_file():
        return []
    try:
        address = f"{path.absolute().as_uri()}?mode=rw"
        with closing(sqlite3.connect(address, uri=True, timeout=0.2)) as connection:
            connection.execute("PRAGMA query_only = ON")
            return [row[0] for row in connection.execute(sql, {"set": of_set})]
    except sqlite3.Error:
        return []  # no message at the shell's prompt
