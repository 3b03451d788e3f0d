"""What is asked about masses and gauges before they are read, and about the step they make.

Where the input is no terminal nobody can answer: then the cautious answer is taken and said, or the
calibration is refused.
"""

from __future__ import annotations

import sys

import click

from coilbench.analysis.cli.common import say_aside, units
from coilbench.analysis.report.document import describe
from coilbench.capture.blocks import Finding
from coilbench.capture.calibration.fit import LEAST_GAUGES, LEAST_MASSES, step_note
from coilbench.capture.calibration.known_points import MassesErr
from coilbench.capture.calibration.polynomial import PolynomialFit
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.units import parse_fraction, parse_length_mm, parse_number

_KINDS = click.Choice(["each", "together"])
_HOW_THEY_ERR = (
    "Was each mass certified, or weighed on something much better, by itself (each)? Or are they "
    "from one box, stacked, or unknown (together)?"
)
_NO_ZERO = (
    "A shift of all lengths alike shows only where the faces touch each other, with nothing "
    "between. Cups do not let them."
)
_TWO_LENGTHS = "Two lengths cannot show an error in one of them."


def _can_ask() -> bool:
    return sys.stdin.isatty()


def checked_masses_kg(text: str) -> list[float]:
    """Read the list of masses: nothing on the cell first, then two different ones or more.

    Raises:
        CoilbenchError: it is another list.
    """
    masses_kg = [parse_number(one.lower().strip().removesuffix("kg")) for one in text.split(",")]
    if any(mass_kg < 0.0 for mass_kg in masses_kg):
        raise CoilbenchError("a mass is below 0", where="--masses", hint="Give 0 or more")
    if masses_kg[0] != 0.0:
        raise CoilbenchError(
            "the first mass must be 0: by the empty cell is known what is on it later",
            where="--masses",
            hint=f"Write it like 0,{text}",
        )
    if len(set(masses_kg)) < LEAST_MASSES:
        raise CoilbenchError(
            f"fewer than {LEAST_MASSES} different masses, 0 among them, check nothing",
            where="--masses",
            hint="Write it like 0,5,10,20,10,5,0",
        )
    return masses_kg


def asked_masses_err(
    masses_err: MassesErr | None, masses_u: float | None
) -> tuple[MassesErr, float | None]:
    """Ask how the masses err, and how much where it matters; without a terminal: together.

    Raises:
        CoilbenchError: they err each by itself, but nobody says how much.
    """
    if masses_err is None and _can_ask():
        say_aside(_HOW_THEY_ERR)
        answer = click.prompt("The masses err", type=_KINDS, default="together")
        masses_err = "each" if answer == "each" else "together"
    if masses_err != "each":
        return "together", masses_u
    if masses_u is None:
        if not _can_ask():
            raise CoilbenchError(
                "masses that err each by itself need their uncertainty",
                where="--masses-err each",
                hint="Give it with --masses-u, e.g. 0.02%, or: --masses-err together",
            )
        masses_u = click.prompt(
            "The expanded uncertainty of each (k = 2), e.g. 0.02%", value_proc=_fraction
        )
    return "each", masses_u


def _fraction(text: str) -> float:
    try:
        return parse_fraction(text)
    except CoilbenchError as error:
        raise click.UsageError(error.what) from error


def checked_lengths_mm(text: str, *, ask_zero: bool = False) -> list[float]:
    """Read the list of gauge lengths, and ask for a third where there are two.

    Args:
        ask_zero: nothing else would show a shift of all lengths: ask for the faces together.

    Raises:
        CoilbenchError: one is below 0, or all are the same.
    """
    lengths_mm = [parse_length_mm(one) for one in text.split(",")]
    if any(length_mm < 0.0 for length_mm in lengths_mm):
        raise CoilbenchError("a length is below 0", where="--lengths", hint="Give 0mm or more")
    if len(set(lengths_mm)) < LEAST_GAUGES:
        raise CoilbenchError(
            "one length gives no scale factor",
            where="--lengths",
            hint="Give three, e.g. 51mm,43mm,35mm; a new datum alone: --datum",
        )
    if ask_zero and _can_ask() and 0.0 not in lengths_mm:
        say_aside(_NO_ZERO)
        if click.confirm("Can the faces touch? Then length 0 is read last", default=False):
            lengths_mm.append(0.0)
    if len(set(lengths_mm)) > LEAST_GAUGES:
        return lengths_mm
    if not _can_ask():
        say_aside(f"{_TWO_LENGTHS} A third would; the card says that linearity was not checked.")
        return lengths_mm
    third_mm = click.prompt(
        f"{_TWO_LENGTHS} A third length (Enter: go on with two)",
        default="",
        show_default=False,
        value_proc=_length,
    )
    return lengths_mm if third_mm is None else [*lengths_mm, third_mm]


def _length(text: str) -> float | None:
    if not text.strip():
        return None
    try:
        return parse_length_mm(text)
    except CoilbenchError as error:
        raise click.UsageError(error.what) from error


def _insists(words: str) -> bool:
    """Ask whether it shall be stored all the same; nobody there: no."""
    if not _can_ask():
        return False
    say_aside(f"{words}.")
    return click.confirm("Store it all the same?", default=False)


def settle_heights(moved: Finding | None, *, accepted: bool) -> None:
    """Ask whether other heights than those of the calibration before are right.

    Args:
        moved: what was found; None where nothing could be compared.

    Raises:
        CoilbenchError: they are not, or nobody can answer.
    """
    if moved is None or moved.kind != "heights_moved" or accepted:
        return
    words = describe(moved, units())
    if _insists(
        f"{words}. Are the gauges those of the list, and was the quill at its stop at the start? "
        "Other cups, another table or a moved scale make other heights, too"
    ):
        return
    raise CoilbenchError(
        f"not stored: {words}",
        hint="Read the gauges again; if the rig was changed, give --accept-datum",
    )


def settle_step(fit: PolynomialFit, stated_mm_per_count: float | None, *, accepted: bool) -> None:
    """Ask whether a step that is not the scale's is right; nothing where it agrees.

    Raises:
        CoilbenchError: it is not, or nobody can answer.
    """
    note = step_note(fit.coefficients[1], stated_mm_per_count)
    if note.kind != "step_off" or accepted:
        return
    words = describe(note, units())
    if _insists(words):
        return
    raise CoilbenchError(
        f"not stored: {words}",
        hint="Read the gauges again; if the scale really steps so, give --accept-step",
    )
