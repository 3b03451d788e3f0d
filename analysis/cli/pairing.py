"""`coilbench pair`: sets against the cam card, and with --limits what wire and valve train bear."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import click

from coilbench.analysis.cli.common import print_document, say, show_warnings, units
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.cli.tables import load_cell, plain_table, print_uncut
from coilbench.analysis.cli.waiting import Waiting
from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.outcomes import Combination, Pairing
from coilbench.analysis.engine.pairing import pair_sets, with_limits
from coilbench.analysis.inputs.build_input import in_book, lift_table_beside, read_build
from coilbench.analysis.inputs.candidates import Candidates, candidate_sets
from coilbench.analysis.inputs.rig_record import rig_warnings, set_warnings
from coilbench.analysis.inputs.selecting import Selection, select
from coilbench.analysis.report.build_text import (
    CAUTIONS,
    card_facts,
    lobes_of,
    shims_text,
    verdict_text,
)
from coilbench.analysis.report.curve_text import give_left_out
from coilbench.analysis.report.document import describe, document, filled
from coilbench.analysis.report.pairing_text import pair_text, pairing_lines
from coilbench.analysis.report.selection_text import (
    names_or_count,
    selection_document,
    selection_lines,
)
from coilbench.analysis.report.units import SI, Units
from coilbench.capture.book.connection import Database
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import name_in_book
from coilbench.capture.errors import CoilbenchError

if TYPE_CHECKING:
    from coilbench.analysis.limits.limits import LimitsReport
    from coilbench.analysis.limits.valve_motion import LiftTable


CAUTION, LIMITS_CAUTION = CAUTIONS


class _Paired(NamedTuple):
    build: BuildFile
    candidates: Candidates
    pairing: Pairing
    selection: Selection
    limits: LimitsReport | None = None

    @property
    def fits(self) -> bool:
        """Whether the best fits the card, and keeps its limits where they were asked for."""
        return self.pairing.combinations[0].fits


def pair_command(
    builds: tuple[Path, ...],
    use_flagged: bool,
    top: int,
    with_limits: bool,
    outer: str | None,
    inner: str | None,
    as_json: bool,
) -> None:
    """Rank outer, inner and shim combinations against the cam card."""
    with_limits = with_limits or outer is not None or inner is not None
    read = [(read_build(path, from_book=True), path) for path in builds]
    cards = [(card, path) for build, path in read for card in build.cards]
    tables = [lift_table_beside(*card) if with_limits else None for card in cards]
    found: list[_Paired] = []
    with Waiting() as waiting, open_book(book_path()) as db:
        for whole, _ in read:
            selection = select(db, in_book(db, whole), say=waiting.say)
            for build in selection.build.cards:
                candidates = candidate_sets(
                    db, build, use_flagged, waiting.say, from_book=selection.from_book
                )
                candidates = candidates.of_sets(selection.narrowed(candidates.sets))
                waiting.say("Comparing the sets with the card")
                with candidates.before() as before:
                    pairing = pair_sets(build, candidates.sets, before)
                found.append(_Paired(build, candidates, pairing, selection))
        outer, inner = (None if x is None else _called(db, x) for x in (outer, inner))
        names = {name for each in found for name in each.candidates.sets}
        warned = (*rig_warnings(db), *set_warnings(db, names))
    if with_limits:
        each_table = zip(found, tables, strict=True)
        found = [_with_limits(each, table, outer, inner) for each, table in each_table]
    if as_json:
        documents = [_document(each) for each in found]
        told = documents[0] if len(documents) == 1 else {"builds": documents}
        print_document(document(told | {"warnings": warned}))
    else:
        _show(found, top)
        show_warnings(warned)
        say(CAUTION)
        if with_limits:
            say(LIMITS_CAUTION)
    fits: dict[Path, bool] = {}  # a file whose valves have several cards has to meet them all
    for (_, path), each in zip(cards, found, strict=True):
        fits[path] = fits.get(path, True) and each.fits
    if not any(fits.values()):
        raise click.exceptions.Exit(1)


def _called(db: Database, name: str) -> str:
    """Return what the book calls a set; a name that it doesn't know is refused later."""
    with suppress(CoilbenchError):
        return name_in_book(db, name)
    return name


def _with_limits(
    each: _Paired, table: LiftTable | None, outer: str | None, inner: str | None
) -> _Paired:
    """Let the limits count, and add those of the best combination of the sets asked for."""
    from coilbench.analysis.limits.limits import assess_limits  # imported late: slow to load

    def limits_of(one: Combination) -> LimitsReport:
        sets = each.candidates.sets
        inner_set = None if one.inner is None else sets[one.inner].without(one.set_aside)
        outer_set = sets[one.outer].without(one.set_aside)
        return assess_limits(each.build, outer_set, inner_set, one.choice, table)

    pairing = with_limits(each.pairing, lambda one: limits_of(one).failures)
    limits = limits_of(_chosen(pairing, outer, inner))
    return each._replace(pairing=pairing, limits=limits)


def _chosen(pairing: Pairing, outer: str | None, inner: str | None) -> Combination:
    """Return the best combination of the sets asked for, else of all; refuses unknown ones."""
    found = pairing.combinations
    for role, name in (("outer", outer), ("inner", inner)):
        if name is None:
            continue
        found = tuple(each for each in found if getattr(each, role) == name)
        if not found:
            raise CoilbenchError(
                f"{pairing.name} names no {role} set {name!r}",
                where=f"--{role}",
                hint=f"Name one that is listed under springs.{role}",
            )
    return found[0]


def _document(each: _Paired) -> dict[str, object]:
    whole: dict[str, object] = {"build": each.build.name} | document(each.pairing)
    whole |= {"left_out": each.candidates.left_out, "unsure": each.candidates.unsure}
    facts = card_facts(each.build)
    whole |= {name: document(facts[name]) for name in ("notes", "lobe")}
    if each.limits is not None:
        whole["limits"] = limits_document(each.limits)
    return whole | selection_document(each.selection.shelves)


def limits_document(limits: LimitsReport) -> dict[str, object]:
    """Return a pair's limits as JSON holds them."""
    from coilbench.analysis.report.limits_text import limits_text  # imported late: slow to load

    return {**document(limits), **document(limits_text(limits, SI))}


def say_limits(limits: LimitsReport) -> None:
    """Print a pair's limits: what isn't kept, the figures, what they rest on and what they lack."""
    from coilbench.analysis.report.limits_text import limits_text  # imported late: slow to load

    text = limits_text(limits, units())
    side = limits.side and f" ({limits.side})"
    say(f"Limits of {_named(limits, units())}{side}:")
    for words in (*text.verdicts, *text.findings, *text.assumed):
        say(f"  {words}.")
    for missing in text.not_given:
        say(f"  Not given: {missing}.")


def _show(found: list[_Paired], top: int) -> None:
    shown = units()
    for each in found:
        show_pairing(each.build, each.candidates, each.pairing, top, each.selection)
        if each.limits is not None:
            say_limits(each.limits)
    if any(each.build.cam.side for each in found):
        say(
            "Cards for intake and exhaust are judged apart, each with all springs and shims: "
            "whether they go round for all valves, coilbench assign says."
        )
    if len({each.build.name for each in found}) > 1:
        say("The cards, the one that is met best first:")
        for each in sorted(found, key=lambda one: one.pairing.rank):
            best = each.pairing.combinations[0]
            named = f"{_named(best, shown)}, {verdict_text(best.verdict)}"
            say(f"  {each.pairing.cam.name} ({each.pairing.name}): {named}")


def _named(each: Combination | LimitsReport, shown: Units) -> str:
    return pair_text(each.outer, each.inner, each.choice, shown)


def show_pairing(
    build: BuildFile,
    found: Candidates,
    pairing: Pairing,
    top: int,
    selection: Selection | None = None,
) -> None:
    """Print a card, its combinations as a table, and what is to be said of them."""
    shown = units()
    say_card(build, found, selection)
    length, load = shown.length, shown.load
    table = plain_table(
        "",
        "outer",
        "inner",
        f">shim\n{length}",
        f">cut\n{length}",
        f">shut\n{load}",
        f">full lift\n{load}",
        f">rate\n{load}/{length}",
        f">bind margin\n{length}",
        rows=(_row(each, shown) for each in pairing.combinations[:top]),
    )
    print_uncut(table)
    for line in pairing_lines(pairing, shown):
        say(line)


def say_card(build: BuildFile, found: Candidates, selection: Selection | None = None) -> None:
    """Print what the card asks for, what was assumed, what is left out and what is unsure."""
    for line in card_lines(build, units()):
        say(line)
    for line in selection_lines(selection.shelves) if selection is not None else ():
        say(line)
    curves = [curve for springs in found.sets.values() for curve in springs.curves]
    for line in give_left_out(curves, units()):
        say(line)
    if found.left_out:
        flagged = names_or_count(found.left_out, "judged spring")
        say(f"Left out as flagged: {flagged} (--use-flagged includes them).")
    if found.unsure:
        unsure = names_or_count(found.unsure, "judged spring")
        say(f"Included, though their check is unsure: {unsure}.")


def _row(combination: Combination, shown: Units) -> tuple[str, ...]:
    choice, loads = combination.choice, (combination.seat, combination.full)
    return (
        verdict_text(combination.verdict),
        combination.outer,
        "-" if combination.inner is None else combination.inner,
        shown.length_number(choice.shim_mm or None) if choice.alike else shims_text(choice, shown),
        shown.length_number(choice.seat_cut_mm or None),
        *("-" if load is None else load_cell(load.load_n, load.load_u_n, shown) for load in loads),
        shown.rate_number(combination.rate_n_per_mm),
        shown.length_number(combination.coil_bind_margin_mm),
    )


def card_lines(build: BuildFile, units: Units) -> Iterator[str]:
    """Yield what the card asks for, and what was assumed."""
    for card in build.cards:
        asked = describe(card.cam, units)
        yield filled(
            "{cam.name} ({name}): {asked}; that asks for {cam.implied_rate_n_per_mm}.",
            card,
            units,
            asked=asked,
        )
    for whose, finding in lobes_of(build):
        yield f"Lobe{whose and f' ({whose})'}: {describe(finding, units)}."
    yield from (f"Note: {describe(note, units)}." for note in build.notes)
    yield from _heights_left_out(build, units)


def _heights_left_out(build: BuildFile, units: Units) -> Iterator[str]:
    """Say what every ± leaves out where the build file doesn't say how well heights are known."""
    if build.head.height_u_mm is None:
        step_n = 0.1 * max(card.cam.implied_rate_n_per_mm for card in build.cards)
        yield (
            "Every ± here leaves out that of the installed heights, which the build file doesn't "
            f"give (height_u in [head]): {units.length_text(0.1)} of height is about "
            f"{units.load_text(step_n)} of load."
        )
