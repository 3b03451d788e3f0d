"""What several commands share: units, quantities as options, printing. Light to import."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from functools import wraps
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, NamedTuple, TypeVar, cast

import click

from coilbench.analysis.choices import EFFORTS, SECONDS
from coilbench.analysis.cli.settings import units as units
from coilbench.analysis.report.document import describe, document_text
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.units import (
    parse_fraction,
    parse_length_mm,
    parse_load_n,
    parse_number,
    parse_rate_n_per_mm,
    parse_weight_n,
)

if TYPE_CHECKING:
    from coilbench.capture.blocks import Finding
    from coilbench.capture.tables.spring_lines import StatedLength


_Parsed = TypeVar("_Parsed")
BARE_NUMBER = re.compile(r"\s*[+-]?[0-9.,]+\s*")


class Typed(click.ParamType[_Parsed]):
    """A value read by one of our parsers; its errors name the option or argument.

    Args:
        bare: which display unit, `length` or `load`, a number without one is taken in, and said so;
            None refuses it.
    """

    def __init__(
        self,
        name: str,
        parse: Callable[[str], _Parsed],
        bare: Literal["length", "load"] | None = None,
    ) -> None:
        self.name = name
        self._parse = parse
        self._bare = bare

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> _Parsed:
        """Read what was typed."""
        if not isinstance(value, str):
            return cast(_Parsed, value)
        option = None if param is None else param.get_error_hint(ctx).strip("'[].")
        if self._bare is not None and BARE_NUMBER.fullmatch(value):
            unit = getattr(units(), self._bare)
            say_taken_as(unit)
            value += unit
        try:
            return self._parse(value)
        except CoilbenchError as error:
            error.where = option
            raise


class TypedNominal(NamedTuple):
    """A nominal load as typed, with or without its height."""

    load_n: float
    height_mm: float | None


def _parse_nominal(text: str) -> TypedNominal:
    from coilbench.analysis.sets.rulings import Nominal

    load, at, height = text.partition("@")
    typed = TypedNominal(parse_load_n(load), parse_length_mm(height) if at else None)
    Nominal(typed.load_n)  # refuses what is none
    return typed


def _parse_nominal_at(text: str) -> TypedNominal:
    if "@" not in text:
        raise CoilbenchError(f"{text!r} names no height", hint="Write it like 24kg@38.5mm")
    return _parse_nominal(text)


def _parse_stated_length(text: str) -> StatedLength:
    from coilbench.capture.tables.spring_lines import parse_stated_length

    return parse_stated_length(text)


class NamedStroke(NamedTuple):
    """A stroke as typed: its spring, and its number among the spring's strokes."""

    label: str
    number: int


def _parse_stroke(text: str) -> NamedStroke:
    label, _, number = text.rpartition(":")
    if not label or not (number.isascii() and number.isdecimal()) or len(number) > 6:
        raise CoilbenchError(
            f"{text!r} is not a stroke",
            hint="Write it like larch-03:2, the spring's label and the stroke's number",
        )
    return NamedStroke(label, int(number))


LENGTH = Typed("length", parse_length_mm, bare="length")
STATED_LENGTH = Typed("length", _parse_stated_length, bare="length")
LOAD = Typed("load", parse_load_n, bare="load")
WEIGHT = Typed("weight", parse_weight_n, bare="load")
FRACTION = Typed("percent", parse_fraction)
NUMBER = Typed("number", parse_number)
RATE = Typed("rate", parse_rate_n_per_mm)
NOMINAL = Typed("load@height", _parse_nominal)
NOMINAL_AT = Typed("load@height", _parse_nominal_at)
STROKE = Typed("label:number", _parse_stroke)
json_option = click.option(
    "--json", "as_json", is_flag=True, help="Print one JSON document, in N and mm."
)
build_argument = click.argument("build", type=click.Path(path_type=Path))
use_flagged_option = click.option(
    "--use-flagged", is_flag=True, help="Include weak, stiff, short and odd springs."
)
effort_option = click.option(
    "--effort",
    type=click.Choice(EFFORTS),
    default="shims",
    help="What may be done under the springs.",
)
seconds_option = click.option(
    "--seconds",
    type=click.FloatRange(0.0, 86_400.0),
    default=SECONDS,
    show_default=True,
    help="Search so long, then give the best so far with its bound; so does Ctrl-C.",
)
branch_option = click.option(
    "--branch",
    type=click.Choice(["mean", "loading", "unloading"]),
    default="mean",
    help="Which branch loads and rates are read from.",
)
Decorated = Callable[..., Any]


def runs(module: str) -> Callable[[Decorated], Decorated]:
    """Let a command run the function of its name in a module of this package, which loads then."""

    def declared(command: Decorated) -> Decorated:
        @wraps(command)
        def run(**asked: Any) -> Any:
            body = import_module(f"coilbench.analysis.cli.{module}")
            return getattr(body, command.__name__)(**asked)

        return run

    return declared


def at_option(words: str) -> Callable[[Decorated], Decorated]:
    """Return the option --at, several heights as `heights_mm`, with its help."""
    return click.option("--at", "heights_mm", type=LENGTH, multiple=True, help=words)


def print_document(document: Any) -> None:
    """Print one JSON document on stdout."""
    click.echo(document_text(document))


def say_aside(words: str) -> None:
    """Tell the person something on stderr: stdout is for the answer."""
    click.echo(words, err=True)


def say_taken_as(*named: str) -> None:
    """Say which units numbers without one are taken in, each unit once a run."""
    said: set[str] = click.get_current_context().meta.setdefault(f"{__name__}.taken_as", set())
    new = [unit for unit in named if unit not in said]
    if new:
        say_aside(f"Numbers without a unit are taken as {' and '.join(new)}.")
    said.update(new)


def show_warnings(warned: Sequence[Finding]) -> None:
    """Print the warnings on the rig's figures in one line; nothing where there are none."""
    if warned:
        shown = units()
        click.echo(f"Warning: {'; '.join(describe(one, shown) for one in warned)}.")


def say(text: str) -> None:
    """Print a sentence; a terminal breaks it on words, in a file or a pipe a line is a line."""
    click.echo(text)
