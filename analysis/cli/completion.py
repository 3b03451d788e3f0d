"""Shell completion: the script for a shell, and the names of sets and springs from the book."""

from __future__ import annotations

import click
from click.shell_completion import BashComplete, FishComplete, ZshComplete

_KINDS = {"bash": BashComplete, "zsh": ZshComplete, "fish": FishComplete}


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
