"""The command line. Commands load when they are called, so that --help starts at once."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from contextlib import nullcontext
from pathlib import Path
from typing import Any

import click
from click.core import ParameterSource

from coilbench.analysis.cli.light_imports import light_imports
from coilbench.analysis.cli.registry import COMMANDS, LazyGroup
from coilbench.analysis.cli.settings import Settings
from coilbench.analysis.cli.wrapping import commands_with, wrap_terminals
from coilbench.analysis.report.units import LengthUnit, LoadUnit, Units
from coilbench.capture.errors import CoilbenchError, WorkerDied


class LoadUnitChoice(click.Choice[str]):
    """The units of a load; pounds by their other names are lbf."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Read what was typed."""
        return super().convert("lbf" if value in ("lb", "lbs") else value, param, ctx)


@click.group(
    cls=LazyGroup,
    sections=COMMANDS,
    invoke_without_command=True,
    context_settings={
        "help_option_names": ["-h", "--help"],
        "max_content_width": 96,
        "show_default": True,
    },
    epilog="Begin with: coilbench begin, or coilbench demo. Without a command, coilbench says what "
    "state things are in and what is next. Help on a command: coilbench COMMAND --help.",
)
@click.option(
    "--book",
    type=click.Path(dir_okay=False, path_type=Path),
    envvar="COILBENCH_BOOK",
    help="The book, one SQLite file.  [default: one in your data folder]",
)
@click.option(
    "--load-unit",
    type=LoadUnitChoice(["kg", "N", "lbf"]),
    default="kg",
    help="Unit that loads are shown in.",
)
@click.option(
    "--length-unit",
    type=click.Choice(["mm", "in"]),
    default="mm",
    help="Unit that lengths are shown in.",
)
@click.version_option(package_name="coilbench")
@click.pass_context
def cli(
    ctx: click.Context, book: Path | None, load_unit: LoadUnit, length_unit: LengthUnit
) -> None:
    """Measure coil springs on a home-made tester, find the weak ones, pair the good ones.

    A compressed valve spring can blind: capture it at both ends, unplug the press and work the
    quill by hand, wear eye protection, and stop before the coils bind. The cam grinder's and the
    engine maker's data, and a qualified engine machinist, come before any figure shown here.
    """
    ctx.obj = Settings(book, Units(load_unit, length_unit))
    if ctx.invoked_subcommand is None:
        from coilbench.analysis.cli.status import show_status

        show_status()


def main() -> None:
    """Run the program; errors become one line and exit status 2, never a traceback."""
    wrap_terminals()
    arguments = sys.argv[1:]
    light = not {"-h", "--help"}.isdisjoint(arguments) or "_COILBENCH_COMPLETE" in os.environ
    with light_imports() if light else nullcontext():
        status = run(arguments)
    sys.exit(status)


def run(arguments: list[str]) -> int:
    """Run one command; returns the exit status.

    0 done, 1 the answer is no, 2 bad usage or input, 3 a part of the program died (a service is
    started again), 130 interrupted at the keyboard.
    """
    with commands_with(_display_options(arguments)):
        return _run(arguments)


def _run(arguments: list[str]) -> int:
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


def _display_options(arguments: Sequence[str]) -> str:
    """Return the display options that were typed, as they would be typed again."""
    context = cli.make_context("coilbench", list(arguments), resilient_parsing=True)
    return " ".join(
        f"--{name.replace('_', '-')} {context.params[name]}"
        for name in ("load_unit", "length_unit")
        if context.get_parameter_source(name) is ParameterSource.COMMANDLINE
        and context.params[name] is not None
    )


def _refuse(words: str) -> int:
    click.echo("coilbench: " + " ".join(words.split()), err=True)
    return 2
