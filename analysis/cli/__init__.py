"""The command line. Commands load when they are called, so that --help starts at once."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any, TextIO

import click
from click.core import ParameterSource

from coilbench.analysis.cli.beside import leave
from coilbench.analysis.cli.registry import COMMANDS, LazyGroup
from coilbench.analysis.cli.settings import Settings
from coilbench.analysis.cli.wrapping import printed_with, wrap_terminals
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
        "color": True,  # or click takes codes out where nobody sees them; we use none
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
    """Run the program; errors become one line and exit status 2, a traceback is a defect."""
    wrap_terminals()
    try:
        status = run(sys.argv[1:])
    except Exception:
        sys.excepthook(*sys.exc_info())
        status = 1
    leave(status if _written(sys.stdout) and _written(sys.stderr) else status or 2)


def _written(stream: TextIO | None) -> bool:
    """Hand on what is still to be written; says whether it could be.

    A reader that has gone had what it wanted. What can't be written is left, or the interpreter
    would try again at its end, and say so.
    """
    if stream is None:
        return True
    try:
        stream.flush()
    except OSError as error:
        with suppress(OSError), Path(os.devnull).open("wb") as nowhere:
            os.dup2(nowhere.fileno(), stream.fileno())
        if isinstance(error, BrokenPipeError):
            return True
        if stream is sys.stdout:
            _refuse(f"the output can't be written: {error.strerror}. Check the disk.")
        return False
    return True


def run(arguments: list[str]) -> int:
    """Run one command; returns the exit status.

    0 done, 1 the answer is no, 2 bad usage or input, 3 a part of the program died (a service is
    started again), 130 interrupted at the keyboard.
    """
    streams = sys.stdout, sys.stderr
    try:
        with printed_with(_display_options(arguments)):
            return _run(arguments)
    except KeyboardInterrupt:  # before or after the command
        return _stopped()
    except SystemExit:  # click's, where the reader has gone; its own streams hide that from ours
        sys.stdout, sys.stderr = streams
        return 0


def _run(arguments: list[str]) -> int:
    try:
        status = cli.main(arguments, prog_name="coilbench", standalone_mode=False)
    except WorkerDied as error:
        return _end(" ".join(str(error).split()), 3)
    except CoilbenchError as error:
        return _refuse(str(error))
    except click.exceptions.Exit as end:
        return end.exit_code
    except (click.Abort, KeyboardInterrupt):
        return _stopped()
    except click.ClickException as error:
        hint = ""
        if isinstance(error, click.UsageError) and error.ctx is not None:
            hint = f" See: {error.ctx.command_path} --help"
        what = error.format_message().rstrip(".")
        return _refuse(f"{what}{'' if what.endswith('?') else '.'}{hint}")
    except UnicodeEncodeError as error:  # bytes on the command line that a book can't hold
        return _refuse(f"{error.object[:80]!r} is not text. Type it in UTF-8.")
    except BrokenPipeError:
        return 0  # the reader has gone
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


def _stopped() -> int:
    return _end("stopped", 130)


def _refuse(words: str) -> int:
    return _end(" ".join(words.split()), 2)


def _end(words: str, status: int) -> int:
    """Say how it ended, where there is anything to say it on; returns the status."""
    with suppress(OSError):
        click.echo(f"coilbench: {words}", err=True, color=True)
    return status
