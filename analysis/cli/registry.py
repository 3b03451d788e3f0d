"""All commands: where each is, and its line of help. A module loads when its command is called."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from contextlib import closing
from importlib import import_module
from pathlib import Path
from typing import Any

import click
from click.shell_completion import CompletionItem

from coilbench.analysis.cli.settings import default_book_path, units
from coilbench.capture.errors import CoilbenchError

# Parameters that are a set's name or a spring's label.
_SETS = ("set_name", "set_names", "again", "before", "after")
_LABELS = ("label", "only", "swapped")
_SETS_SQL = "SELECT name FROM sets ORDER BY name"
_LABELS_SQL = """
SELECT DISTINCT label FROM springs JOIN sets ON sets.id = set_id
WHERE :set IS NULL OR sets.name = :set ORDER BY label
"""
_MOST = 200


class LazyGroup(click.Group):
    """Knows its commands by name and loads a module when one of them is called.

    Args:
        sections: titles of the group's help, each with its commands in their order, a line each:
            name, module of this package, help.
    """

    def __init__(self, *args: Any, sections: Mapping[str, str], **attributes: Any) -> None:
        super().__init__(*args, **attributes)
        self.sections = {
            title: [line.split(maxsplit=2) for line in lines.strip().splitlines()]
            for title, lines in sections.items()
        }
        self.entries = {
            name: (module, words)
            for lines in self.sections.values()
            for name, module, words in lines
        }

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names in the order of the job."""
        return list(self.entries)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Load one command."""
        if cmd_name not in self.entries:
            return None
        module = import_module(f"coilbench.analysis.cli.{self.entries[cmd_name][0]}")
        command = next(
            one
            for one in vars(module).values()
            if isinstance(one, click.Command) and one.name == cmd_name
        )
        if ctx.resilient_parsing:  # a shell asks what could be typed
            return completing_names(command)
        return command

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command; what it refuses is said in the display units."""
        try:
            return super().invoke(ctx)
        except CoilbenchError as error:
            error.in_units(units().quantity)
            raise

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[CompletionItem]:
        """Complete a command's name without loading anything."""
        named = [
            CompletionItem(name, help=words)
            for name, (_, words) in self.entries.items()
            if name.startswith(incomplete)
        ]
        return named + click.Command.shell_complete(self, ctx, incomplete)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the sections of the help without loading anything."""
        for title, lines in self.sections.items():
            with formatter.section(title):
                formatter.write_dl([(name, words) for name, _, words in lines])


COMMANDS = {
    "Begin": """
        status     status           What is done so far, and the next command.
        begin      commands_build   Answer what you know: sets, cam card, head, shims.
        demo       commands_build   The whole job on a simulated rig, without hardware.
        rig        registry         Find, watch and calibrate the rig.
        set        registry         Register sets of springs; show and check them.
    """,
    "Measure": """
        daemon     commands_measure Capture a set, headless.
        live       commands_measure Watch a capture, or run one, on the terminal.
        tell       commands_measure Send redo, skip, accept, … to a running capture.
        note       commands_measure Key in what a scale and a quill show.
        import     commands_measure Import CSV files: sweeps or points.
        plan       commands_build   What to press next: the fewest presses that decide.
        depths     commands_build   How deep to press each set for each check, by hand.
    """,
    "Decide": """
        pair       commands_build   Rank outer, inner and shims against the cam card.
        assign     commands_build   Which spring and which shims on which valve.
        report     commands_build   The sheet to build from: one page to print.
    """,
    "Keep": """
        export     commands_keep    Write sets as CSV files.
        merge      commands_keep    Merge other benches' books into this one.
        share      commands_keep    Share this book with the shop's store, both ways.
        book       registry         Copy the book, check it, put a copy back.
        completion completion       Let your shell complete commands, sets and springs.
    """,
}
rig_command = LazyGroup(
    "rig",
    help="""Find the rig, watch it, calibrate it, check it.

    In order: find, check (its health), ratings (what it may bear), weigh (load), gauge (travel),
    flex (how far the press gives), card; later now and then: check --mass.
    """,
    sections={
        "Commands": """
            find       commands_rig     List the ports and ask each for a rig.
            watch      commands_rig     Print live counts, load and height.
            weigh      commands_rig     Calibrate the load with known masses.
            gauge      commands_rig     Calibrate the travel with gauge lengths.
            flex       commands_rig     Measure how far the press gives under load.
            ratings    commands_rig     What the cell and the press may bear.
            card       commands_rig     The calibration in force, and its errors.
            check      commands_rig     The rig's health, or a check weight.
        """
    },
)
set_command = LazyGroup(
    "set",
    help="Register sets of springs; show and check them.",
    sections={
        "Commands": """
            new        commands_set     Register a set of springs.
            list       commands_set     List the sets and how far they are measured.
            show       commands_set     Show a set's springs, strokes and curves.
            edit       commands_set     Correct or add to what a set was registered with.
            measure    commands_set     Keep each spring's free length, solid height, mark.
            nominal    commands_set     Keep what the springs' maker prints.
            check      commands_set     Judge a set: weak, stiff, short, odd, unsure.
            spring     commands_set     All that one spring's curve shows.
            readings   commands_set     List what was keyed in, reading by reading.
            strokes    commands_set     List strokes; use one or leave it out.
            compare    commands_set     The same springs measured again.
        """
    },
)
book_command = LazyGroup(
    "book",
    help="Copy the book, check it for damage, put a copy back.",
    sections={
        "Commands": """
            copy       commands_keep    Copy the whole book into a file.
            check      commands_keep    Look for damage in the book or a copy.
            put-back   commands_keep    Put a copy in the book's place.
        """
    },
)


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
