"""Put a build sheet together from what was worked out. Pure."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from coilbench.analysis.curves.curve import HeightNotMeasured
from coilbench.analysis.engine.assignment import Valve
from coilbench.analysis.engine.assignment_levels import Assignment
from coilbench.analysis.engine.combination import Combination
from coilbench.analysis.engine.placed import SetCurves
from coilbench.analysis.limits.limits import LimitsReport
from coilbench.analysis.report import sheet_text as words
from coilbench.analysis.report.limits_text import CAUTIONS as LIMITS_CAUTIONS
from coilbench.analysis.report.limits_text import findings
from coilbench.analysis.report.pair_words import choice_words
from coilbench.analysis.report.sheet import BudgetPart, LimitsPart, RigPart, SetPart, Sheet
from coilbench.analysis.report.sheet_build import (
    Chosen,
    chosen_by_assignment,
    chosen_by_pair,
    lines_of,
    margins_of,
)
from coilbench.analysis.report.units import Units


@dataclass(frozen=True)
class Worked:
    """What was worked out for a build.

    Attributes:
        assignment: of single springs to valves; may hold none.
        best: the best pair of sets; needed where the assignment holds none.
        valves: as the build file lists them.
        sets: candidate sets' curves by name, without the springs that must not be used.
        parts: the candidate sets as the sheet shows them, by name.
        left_out: names of flagged springs that must not be used.
    """

    assignment: Assignment
    best: Combination | None
    valves: tuple[Valve, ...]
    sets: Mapping[str, SetCurves]
    parts: Mapping[str, SetPart]
    left_out: tuple[str, ...]

    @property
    def chosen(self) -> Chosen:
        """Which springs the sheet builds with."""
        build, level = self.assignment.build, self.assignment.chosen
        if level.valves:
            return chosen_by_assignment(build, level.valves)
        if self.best is None:
            raise ValueError("neither an assignment nor a pair to build with")
        return chosen_by_pair(build, self.valves, self.sets, self.best)


@dataclass(frozen=True)
class Circumstances:
    """What else the sheet records.

    Attributes:
        build_text: the build file as it was read.
        made_utc: now, ISO 8601.
        book: the book's file name.
        versions: of programs, by name.
    """

    build_text: str
    made_utc: str
    book: str
    versions: Mapping[str, str]


def make_sheet(
    worked: Worked,
    chosen: Chosen,
    limits: Sequence[LimitsReport],
    rig: RigPart,
    about: Circumstances,
    units: Units,
) -> Sheet:
    """Put a sheet together.

    Args:
        worked: assignment or pair, and the sets.
        chosen: `worked.chosen`.
        limits: of every pair of sets that is used.
        rig: what weighed the springs.
        about: what else to record.
        units: for the words.
    """
    assignment, best = worked.assignment, worked.best
    build, level = assignment.build, assignment.chosen
    used = [springs.name for springs in chosen.sets]
    parts = tuple(worked.parts[name] for name in used)
    verdict, reasons = _verdict(worked, chosen, units)
    return Sheet(
        build=build,
        build_text=about.build_text,
        made_utc=about.made_utc,
        effort=assignment.effort,
        named=chosen.named,
        fits=all(row.fits for row in chosen.rows),
        verdict=verdict,
        loads_of="" if chosen.named or best is None else words.loads_of(best, units),
        reasons=reasons,
        valves=chosen.rows,
        levels=assignment.levels if chosen.named else (),
        spares=tuple(spring.name for spring in level.spares),
        left_out=worked.left_out,
        lines=lines_of(build, chosen),
        margins=margins_of(build, chosen),
        clearance_mm=build.clearance_mm,
        sets=parts,
        unused=tuple(name for name in worked.sets if name not in used),
        limits=_limits(limits, units),
        budget=_budget(build.cam.valve_lift_mm, chosen),
        rig=rig,
        method=tuple(_method(worked, parts, about)),
        notes=(*build.notes, *assignment.notes),
    )


def _verdict(worked: Worked, chosen: Chosen, units: Units) -> tuple[str, tuple[str, ...]]:
    level, best = worked.assignment.chosen, worked.best
    if chosen.named or best is None:
        return words.verdict(level), ()
    pair = (
        f"set: {best.outer}"
        if best.inner is None
        else (f"pair of sets: {best.outer} with {best.inner}")
    )
    how = "which fits the card" if best.fits else "which is the nearest, and does not fit"
    if best.seat is None or best.full is None:
        how = "of which it can't be said whether it fits"
    instead = (
        f"{words.no_assignment(level)}, so this sheet shows the best {pair}, "
        f"{choice_words(best.choice, units)}, {how}"
    )
    return instead, tuple(dict.fromkeys((*worked.assignment.reasons, *best.reasons)))


def _limits(reports: Sequence[LimitsReport], units: Units) -> LimitsPart:
    """Join the limits of several pairs; what holds for one set is said once."""
    found, said = [], set[str]()
    for each in reports:
        new = tuple(words for words in findings(each, units) if words not in said)
        said.update(new)
        names = " with ".join(one.set_name for one in each.sets)
        if new:
            found.append((f"{names}, {choice_words(each.choice, units)}", new))
    missing = dict.fromkeys(words for each in reports for words in each.missing)
    return LimitsPart(tuple(found), tuple(missing), LIMITS_CAUTIONS)


def _budget(lift_mm: float, chosen: Chosen) -> BudgetPart | None:
    """Return the budget of the outer that is least sure at full lift."""
    heights_mm = {row.outer.spring: row.outer.height_mm for row in chosen.rows}
    found: list[BudgetPart] = []
    for springs in chosen.sets:
        for curve in springs.curves if springs.role != "inner" else ():
            names = (curve.label, f"{springs.name}/{curve.label}", None)
            name = next((each for each in names if each in heights_mm), "")
            if name == "":
                continue
            try:
                reading = curve.load_at(heights_mm[name] - lift_mm)
            except HeightNotMeasured:
                continue
            called = curve.label if name is None else name
            found.append(BudgetPart(called, reading.height_mm, reading.load_n, reading.budget))
    return max(found, key=lambda part: part.budget.expanded_u_n, default=None)


def _method(
    worked: Worked, parts: Sequence[SetPart], about: Circumstances
) -> Iterable[tuple[str, str]]:
    assignment = worked.assignment
    yield "Loads", words.LOADS_METHOD
    yield "Choice", words.choice_method(assignment.chosen, assignment.effort)
    yield "Flags", words.flags_method([part.check for part in parts if part.check is not None])
    yield "Uncertainty", words.UNCERTAINTY_METHOD
    for part in parts:
        yield f"Measured, {part.name}", words.came_words(part)
    digest = hashlib.sha256(about.build_text.encode()).hexdigest()
    yield "Build file", f"{assignment.build.name}, SHA-256 {digest}"
    yield "Book", about.book
    yield "Made", f"{about.made_utc[:16].replace('T', ' ')} UTC"
    yield "Versions", ", ".join(f"{name} {version}" for name, version in about.versions.items())
