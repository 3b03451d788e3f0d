"""`coilbench pair --limits`: what wire, coils and valve train bear under one combination."""

from __future__ import annotations

from collections.abc import Mapping

from coilbench.analysis.cli.common import say, units
from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.combination import Combination
from coilbench.analysis.engine.pairing import Pairing
from coilbench.analysis.engine.placed_sets import SetCurves
from coilbench.analysis.limits.lift_table import LiftTable
from coilbench.analysis.limits.limits import LimitsReport, assess_limits
from coilbench.analysis.limits.limits_words import findings
from coilbench.capture.errors import CoilbenchError


def limits_of(
    build: BuildFile,
    sets: Mapping[str, SetCurves],
    combination: Combination,
    table: LiftTable | None,
) -> LimitsReport:
    """Work out the limits of one combination.

    Args:
        build: its build file.
        sets: the sets by name.
        combination: one of the build file's.
        table: the lift table that the build file names; None where it names none.
    """
    inner = None if combination.inner is None else sets[combination.inner]
    outer = sets[combination.outer]
    return assess_limits(build, outer, inner, combination.choice, build.given, table)


def chosen_combination(pairing: Pairing, outer: str | None, inner: str | None) -> Combination:
    """Return the best combination of the sets asked for; of all where none is.

    Raises:
        CoilbenchError: the build file names no such set.
    """
    found = pairing.combinations
    for role, name in (("outer", outer), ("inner", inner)):
        if name is None:
            continue
        found = tuple(each for each in found if getattr(each, role) == name)
        if not found:
            raise CoilbenchError(
                f"{pairing.name} names no {role} set {name!r}",
                where=f"--{role}",
                mend=f"Name one that stands under springs.{role}",
            )
    return found[0]


def show_limits(report: LimitsReport, named: str) -> None:
    """Print what was found, and in a line each what wasn't given.

    Args:
        report: the limits.
        named: the combination in words.
    """
    say(f"Limits of {named}:")
    for words in findings(report, units()):
        say(f"  {words}.")
    for words in report.missing:
        say(f"  Not given: {words}.")
