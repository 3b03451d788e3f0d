"""The command line. Commands load when they are called, so that --help starts at once."""

from __future__ import annotations

import sys
from importlib import import_module
from pathlib import Path
from typing import cast

import click
from click.shell_completion import CompletionItem

from coilbench.analysis.cli.settings import Settings
from coilbench.capture.errors import CoilbenchError, WorkerDied

# Command -> (module, one line of help), in the order of the job.
_GROUPS: dict[str, dict[str, tuple[str, str]]] = {
    "Begin": {
        "status": ("status", "What state things are in, and the next command; so says coilbench."),
        "demo": ("demo", "The whole job on the simulated rig, no hardware needed."),
        "rig": ("rig", "Find, watch and calibrate the rig."),
        "set": ("sets", "Register sets of springs; show and check them."),
    },
    "Measure": {
        "daemon": ("daemon", "Capture a set, headless."),
        "live": ("live", "Watch a capture, or run one, on the terminal."),
        "tell": ("daemon", "A word to a running capture: redo, skip, back, rename, finish."),
        "note": ("note", "Key in what a scale and a quill show."),
        "import": ("import_files", "Bring in CSV files: sweeps or points."),
        "depths": ("assign", "How far to press each set for each check, for hand reading."),
    },
    "Decide": {
        "pair": ("pairing", "Rank outer, inner and shims against the cam card."),
        "assign": ("assign", "Which spring and which shims on which valve, the proven best."),
        "report": ("report", "The sheet to build from: one page to print and file."),
    },
    "Keep": {
        "export": ("export", "Write sets as CSV files."),
        "merge": ("book", "Bring other benches' books into this one."),
        "book": ("book", "Copy the book, check that it is whole, put a copy back."),
        "completion": ("completion", "Let your shell complete commands, sets and springs."),
    },
}
_COMMANDS = {name: entry for group in _GROUPS.values() for name, entry in group.items()}


class _LazyGroup(click.Group):
    """Knows its commands by name and loads a module when one of them is called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in _COMMANDS:
            return None
        module = import_module(f"coilbench.analysis.cli.{_COMMANDS[cmd_name][0]}")
        command = cast(click.Command, getattr(module, f"{cmd_name}_command"))
        if ctx.resilient_parsing:  # a shell asks what could be typed
            from coilbench.analysis.cli.completion import completing_names

            return completing_names(command)
        return command

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[CompletionItem]:
        named = [
            CompletionItem(name, help=help_line)
            for name, (_, help_line) in _COMMANDS.items()
            if name.startswith(incomplete)
        ]
        return named + click.Command.shell_complete(self, ctx, incomplete)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        for title, commands in _GROUPS.items():
            with formatter.section(title):
                formatter.write_dl([(name, help_line) for name, (_, help_line) in commands.items()])


@click.group(
    cls=_LazyGroup,
    invoke_without_command=True,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 96},
    epilog="Begin with: coilbench demo. Without a command, coilbench says what state things are in "
    "and what is next. Help on a command: coilbench COMMAND --help.",
)
@click.option(
    "--book",
    type=click.Path(dir_okay=False, path_type=Path),
    envvar="COILBENCH_BOOK",
    help="The book, one SQLite file.  [default: one in your data folder]",
)
@click.option(
    "--load-unit",
    type=click.Choice(["kg", "N", "lbf"]),
    default="kg",
    show_default=True,
    help="Unit that loads are shown in.",
)
@click.option(
    "--length-unit",
    type=click.Choice(["mm", "in"]),
    default="mm",
    show_default=True,
    help="Unit that lengths are shown in.",
)
@click.version_option(package_name="coilbench")
@click.pass_context
def cli(ctx: click.Context, book: Path | None, load_unit: str, length_unit: str) -> None:
    """Measure coil springs on a home-made tester, find the weak ones, pair the good ones.

    A compressed valve spring can blind: capture it at both ends, unplug the press and work the
    quill by hand, wear eye protection, and stop before the coils bind. The cam grinder's and the
    engine maker's data, and a qualified engine machinist, come before any figure shown here.
    """
    ctx.obj = Settings(book, load_unit, length_unit)
    if ctx.invoked_subcommand is None:
        from coilbench.analysis.cli.status import show_status

        show_status()


def main() -> None:
    """Run the program; errors become one line and exit status 2, never a traceback."""
    sys.exit(run(sys.argv[1:]))


def run(arguments: list[str]) -> int:
    """Run one command; returns the exit status.

    0 done, 1 the answer is no, 2 bad usage or input, 3 a part of the program died (a service is
    started again), 130 interrupted at the keyboard.
    """
    try:
        status = cli.main(arguments, prog_name="coilbench", standalone_mode=False)
    except WorkerDied as error:
        _refuse(str(error))
        return 3
    except CoilbenchError as error:
        return _refuse(str(error))
    except click.exceptions.Exit as end:
        return end.exit_code
    except (click.Abort, KeyboardInterrupt):
        click.echo("coilbench: stopped", err=True)
        return 130
    except click.ClickException as error:
        hint = ""
        if isinstance(error, click.UsageError) and error.ctx is not None:
            hint = f" See: {error.ctx.command_path} --help"
        return _refuse(f"{error.format_message().rstrip('.')}.{hint}")
    except BrokenPipeError:
        sys.stdout = None  # the reader has gone; nothing to flush to
        return 0
    except OSError as error:
        where = "" if error.filename is None else f"{error.filename}: "
        return _refuse(f"{where}{error.strerror or error}.")
    return status if isinstance(status, int) else 0


def _refuse(words: str) -> int:
    click.echo("coilbench: " + " ".join(words.split()), err=True)
    return 2
