"""All commands: where each is, and its line of help. A module loads when its command is called."""

from __future__ import annotations

from collections.abc import Mapping
from importlib import import_module
from typing import Any, NamedTuple, cast

import click
from click.shell_completion import CompletionItem


class Entry(NamedTuple):
    """One command: "module:attribute" inside this package, and one line of help."""

    target: str
    help: str


class LazyGroup(click.Group):
    """Knows its commands by name and loads a module when one of them is called.

    Args:
        sections: titles of the group's help, each with its commands in their order.
    """

    def __init__(
        self, *args: Any, sections: Mapping[str, Mapping[str, Entry]], **attributes: Any
    ) -> None:
        super().__init__(*args, **attributes)
        self.sections = sections
        self.entries = {name: entry for part in sections.values() for name, entry in part.items()}

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names in the order of the job."""
        return list(self.entries)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Load one command."""
        entry = self.entries.get(cmd_name)
        if entry is None:
            return None
        module, _, attribute = entry.target.partition(":")
        command = cast(
            click.Command,
            getattr(import_module(f"coilbench.analysis.cli.{module}"), attribute),
        )
        if ctx.resilient_parsing:  # a shell asks what could be typed
            from coilbench.analysis.cli.completion import completing_names

            return completing_names(command)
        return command

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[CompletionItem]:
        """Complete a command's name without loading anything."""
        named = [
            CompletionItem(name, help=entry.help)
            for name, entry in self.entries.items()
            if name.startswith(incomplete)
        ]
        return named + click.Command.shell_complete(self, ctx, incomplete)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the sections of the help without loading anything."""
        for title, part in self.sections.items():
            with formatter.section(title):
                formatter.write_dl([(name, entry.help) for name, entry in part.items()])


COMMANDS = {
    "Begin": {
        "status": Entry("status:status_command", "What is done so far, and the next command."),
        "demo": Entry("demo:demo_command", "The whole job on a simulated rig, no hardware needed."),
        "rig": Entry("registry:rig_command", "Find, watch and calibrate the rig."),
        "set": Entry("registry:set_command", "Register sets of springs; show and check them."),
    },
    "Measure": {
        "daemon": Entry("daemon:daemon_command", "Capture a set, headless."),
        "live": Entry("live:live_command", "Watch a capture, or run one, on the terminal."),
        "tell": Entry(
            "daemon:tell_command", "Send redo, skip, back, rename or finish to a running capture."
        ),
        "note": Entry("readings:note_command", "Key in what a scale and a quill show."),
        "import": Entry("readings:import_command", "Bring in CSV files: sweeps or points."),
        "plan": Entry("plan:plan_command", "What to press next: the fewest presses that decide."),
        "depths": Entry(
            "assign:depths_command", "How far to press each set for each check, for hand reading."
        ),
    },
    "Decide": {
        "pair": Entry("pairing:pair_command", "Rank outer, inner and shims against the cam card."),
        "assign": Entry("assign:assign_command", "Which spring and which shims on which valve."),
        "report": Entry("report:report_command", "The sheet to build from: one page to print."),
    },
    "Keep": {
        "export": Entry("export:export_command", "Write sets as CSV files."),
        "merge": Entry("book:merge_command", "Bring other benches' books into this one."),
        "book": Entry("registry:book_command", "Copy the book, check it, put a copy back."),
        "completion": Entry(
            "completion:completion_command", "Let your shell complete commands, sets and springs."
        ),
    },
}


@click.group(
    name="rig",
    cls=LazyGroup,
    sections={
        "Commands": {
            "find": Entry("rig:find_command", "List the ports and ask each for a rig."),
            "watch": Entry("rig:watch_command", "Print live counts, load and height."),
            "weigh": Entry("calibrate:weigh_command", "Calibrate the load with known masses."),
            "gauge": Entry("calibrate:gauge_command", "Calibrate the travel with gauge lengths."),
            "flex": Entry("calibrate:flex_command", "Measure how far the press gives under load."),
            "card": Entry("rig_card:card_command", "The calibration in force, and its errors."),
            "check": Entry("rig_check:check_command", "The rig's health, or a check weight."),
        }
    },
)
def rig_command() -> None:
    """Find the rig, watch it, calibrate it, check it.

    In order: find, check (its health), weigh (load), gauge (travel), flex (how far the press
    gives), card; later now and then: check --mass.
    """


@click.group(
    name="set",
    cls=LazyGroup,
    sections={
        "Commands": {
            "new": Entry("sets:set_new", "Register a set of springs."),
            "list": Entry("sets:set_list", "List the sets and how far they are measured."),
            "show": Entry("sets:set_show", "Show a set's springs, strokes and curves."),
            "nominal": Entry("sets:set_nominal", "Keep what the springs' maker prints."),
            "check": Entry("set_check:set_check", "Judge a set: weak, stiff, short, odd, unsure."),
            "spring": Entry("set_spring:set_spring", "All that one spring's curve shows."),
            "strokes": Entry("set_strokes:set_strokes", "List strokes; use one or leave it out."),
            "compare": Entry("set_compare:set_compare", "The same springs measured again."),
        }
    },
)
def set_command() -> None:
    """Register sets of springs; show and check them."""


@click.group(
    name="book",
    cls=LazyGroup,
    sections={
        "Commands": {
            "copy": Entry("book:book_copy", "Copy the whole book into a file."),
            "check": Entry("book:book_check", "Look for damage in the book or a copy."),
            "put-back": Entry("book:book_put_back", "Put a copy in the book's place."),
        }
    },
)
def book_command() -> None:
    """Copy the book, check it for damage, put a copy back."""
