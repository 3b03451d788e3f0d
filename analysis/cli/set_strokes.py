"""`coilbench set strokes`: every stroke of a set, what was seen in it, the user's word on it."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import click
from rich.console import Console

from coilbench.analysis.cli.common import console, json_option, print_document, units, wrapped
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.inputs.measured import measured_set
from coilbench.analysis.sets.stroke_choice import RULE, JudgedStroke
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import find_set
from coilbench.capture.book.sweeps import Ruling, keep_rulings
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.units import counted

Strokes = Mapping[str, Sequence[JudgedStroke]]


class NamedStroke(NamedTuple):
    """A stroke as typed."""

    label: str
    number: int


class _StrokeParam(click.ParamType[NamedStroke]):
    """Reads `larch-03:2`."""

    name = "label:number"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> NamedStroke:
        label, _, number = str(value).rpartition(":")
        if not label or not (number.isascii() and number.isdecimal()) or len(number) > 6:
            raise CoilbenchError(
                f"{value!r} names no stroke",
                where=None if param is None else param.get_error_hint(ctx).strip("'"),
                hint="Write it like larch-03:2, the spring's label and the stroke's number",
            )
        return NamedStroke(label, int(number))


STROKE = _StrokeParam()


@click.command(
    name="strokes",
    epilog="Examples: coilbench set strokes larch ; coilbench set strokes larch --leave larch-03:2",
)
@click.argument("name")
@click.option("--spring", "only", metavar="LABEL", help="Show this spring's strokes alone.")
@click.option(
    "--use", "used", type=STROKE, multiple=True, help="Count this stroke in, whatever was seen."
)
@click.option("--leave", "left", type=STROKE, multiple=True, help="Leave this stroke out.")
@click.option(
    "--by-rule", "ruled", type=STROKE, multiple=True, help="Take your word on this stroke back."
)
@json_option
def set_strokes(
    name: str,
    only: str | None,
    used: tuple[NamedStroke, ...],
    left: tuple[NamedStroke, ...],
    ruled: tuple[NamedStroke, ...],
    as_json: bool,
) -> None:
    """Show every stroke of a set: what was seen in it, whether it is kept, and why.

    A stroke that slipped or was too fast is left out where another is left, one that cocked or lies
    apart where most of the spring's strokes agree. Your own word goes before that: it is kept in
    the book, and every later report follows it.
    """
    words: list[tuple[str, int, Ruling | None]] = [(*one, "use") for one in used]
    words += [(*one, "leave") for one in left]
    words += [(*one, None) for one in ruled]
    with open_book(book_path()) as db:
        record = find_set(db, name)
        if only is not None:
            record.spring(only)
        if words:
            keep_rulings(db, record, words)
        asked_mm = () if record.nominal is None else [n.height_mm for n in record.nominal.loads]
        reach_mm = min(asked_mm, default=None)
        strokes = measured_set(db, record, reach_mm=reach_mm, units=units()).strokes
    shown = {label: own for label, own in strokes.items() if only in (None, label)}
    if as_json:
        springs = [
            {"label": label, "strokes": [one.to_document() for one in own]}
            for label, own in shown.items()
        ]
        print_document({"set": record.name, "springs": springs})
        return
    for label, own in shown.items():
        if only is None and all(_plain(one) for one in own):
            click.echo(f"{label}: {_all_kept(own)}.")
            continue
        click.echo(f"{label}:")
        for one in own:
            click.echo(stroke_line(one, console().width))
    click.echo(textwrap.fill(f"{RULE}.", console().width))


def _plain(stroke: JudgedStroke) -> bool:
    """Whether there is nothing to say about a stroke."""
    return stroke.kept and not stroke.findings and stroke.ruling is None


def _all_kept(strokes: Sequence[JudgedStroke]) -> str:
    if not strokes:
        return "not measured yet"
    them = "it" if len(strokes) == 1 else "them"
    return f"{counted(len(strokes), 'stroke')} kept, nothing against {them}"


def stroke_line(stroke: JudgedStroke, width: int) -> str:
    """Write one stroke, wrapped to a width."""
    return textwrap.fill(
        f"{stroke.number}: {stroke.words()}.",
        width,
        initial_indent="  ",
        subsequent_indent=" " * 6,
    )


def show_strokes(name: str, strokes: Strokes, out: Console) -> None:
    """Print the strokes that are left out or doubtful, and how to overrule."""
    seen = [(label, one) for label, own in strokes.items() for one in own if _doubtful(one)]
    for label, one in seen:
        click.echo(wrapped(f"{label} stroke {one.number}: {one.words()}.", out))
    for words, option, kept in (
        ("To count one in", "--use", False),
        ("To leave one out", "--leave", True),
    ):
        named = next((f"{label}:{one.number}" for label, one in seen if one.kept == kept), None)
        if named is not None:
            click.echo(f"{words}: coilbench set strokes {name} {option} {named}")


def _doubtful(stroke: JudgedStroke) -> bool:
    """Whether it was counted and is left out, or differs from its mates, or is spoilt."""
    if not stroke.kept:
        return bool(stroke.findings) or stroke.ruling is not None
    return any(one.spoils or one.kind == "apart" for one in stroke.findings)


def strokes_document(strokes: Strokes, label: str) -> list[dict[str, Any]]:
    """Return a spring's strokes for JSON."""
    return [one.to_document() for one in strokes[label]]
