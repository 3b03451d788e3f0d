"""Pages and command line agree: every command has its row, every command quoted exists."""

from __future__ import annotations

import re
from collections.abc import Iterator

import click
import pytest

from coilbench.analysis.cli import cli

ROW = re.compile(r"^\| `coilbench ([a-z -]+)` \| [^|]+ \|([^|]*)\|$", re.MULTILINE)


def commands(
    group: click.Group = cli, path: tuple[str, ...] = ()
) -> Iterator[tuple[str, click.Command]]:
    """Every command that isn't a group, by its words."""
    context = click.Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        assert command is not None
        if isinstance(command, click.Group):
            yield from commands(command, (*path, name))
        else:
            yield " ".join((*path, name)), command


def long_options(command: click.Command) -> set[str]:
    options = {
        name
        for param in command.params
        if isinstance(param, click.Option) and not param.hidden
        for name in (*param.opts, *param.secondary_opts)
    }
    return {name for name in options if name.startswith("--")} - {"--help"}


def test_every_command_has_one_row_with_all_its_options(pages):
    rows = [row for text in pages.values() for row in ROW.findall(text)]
    told = {name: set(re.findall(r"`(--[a-z-]+)`", cells)) for name, cells in rows}
    assert len(told) == len(rows)
    assert told == {name: long_options(command) for name, command in commands()}


def test_the_shared_options_are_told(pages):
    table = pages["analysis/README.md"].partition("### Options of every command")[2]
    told = set(re.findall(r"`(--[a-z-]+)", table.partition("\n\n`--json`")[0]))
    assert told - {"--help"} == long_options(cli)


def parse(words: list[str]) -> None:
    """Parse a call as the program does, but look into no file and convert nothing.

    Raises:
        click.UsageError: no such command or option, a value missing, or words left over.
    """
    command: click.Command = cli
    while True:
        context = click.Context(command)
        _, rest, _ = command.make_parser(context).parse_args(list(words))
        if not isinstance(command, click.Group):
            if rest:
                raise click.UsageError(f"left over: {rest}")
            return
        if not rest:
            return
        name, words = rest[0], rest[1:]
        found = command.get_command(context, name)
        if found is None:
            raise click.UsageError(f"no such command: {name}")
        command = found


def refusal(words: list[str]) -> str | None:
    try:
        parse(words)
    except click.UsageError as error:
        return error.format_message()
    return None


def test_every_command_quoted_exists_with_its_options(quoted):
    wrong = []
    for page, words in quoted:
        # A sentence may end in an option, without its value.
        calls = [words, [*words, "X"]] if words[-1].startswith("--") else [words]
        errors = [error for call in calls if (error := refusal(call)) is not None]
        if len(errors) == len(calls):
            wrong.append((page, " ".join(words), errors[0]))
    assert wrong == []
    assert len(quoted) > 100


def test_every_page_for_users_quotes_commands(quoted):
    """A page whose calls the reading of pages doesn't find would pass unread."""
    from_page = {page for page, _ in quoted}
    assert {"README.md", "capture/README.md", "analysis/README.md"} <= from_page
    assert {"hardware/SCALE.md", "hardware/POWERUP.md", "firmware/README.md"} <= from_page


@pytest.mark.parametrize(
    "call",
    ["rig weight", "set check larch --att 38mm", "rig weigh --masses", "tell redo a b c", "--book"],
)
def test_a_wrong_command_is_noticed(call):
    with pytest.raises(click.UsageError):
        parse(call.split())
