"""All commands of the program, so that a test of each misses none that is added later."""

from __future__ import annotations

import click

from coilbench.analysis.cli import cli


def every_command(group: click.Group = cli, before: str = "") -> dict[str, click.Command]:
    """All that can be typed, by its words; groups too."""
    found: dict[str, click.Command] = {}
    context = click.Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        assert command is not None, name
        found[f"{before}{name}"] = command
        if isinstance(command, click.Group):
            found |= every_command(command, f"{before}{name} ")
    return found


COMMANDS = every_command()
