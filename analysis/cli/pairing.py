"""`coilbench pair --limits`: what wire, coils and valve train bear under one combination.

`coilbench pair`: sets against the cam card.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any, NamedTuple

import click

from coilbench.analysis.cli.common import (
    json_option,
    load_cell,
    plain_table,
    print_document,
    print_uncut,
    read_build,
    say,
    show_warnings,
    units,
)
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.combination import Combination, LoadRange
from coilbench.analysis.engine.pairing import Pairing, bars, best_of_each, pair_sets
from coilbench.analysis.engine.pairing import to_document as pairing_document
from coilbench.analysis.engine.placed import SetCurves
from coilbench.analysis.inputs.lift_file import lift_table_beside
from coilbench.analysis.inputs.measured import Candidates, candidate_sets
from coilbench.analysis.inputs.rig_record import rig_warnings
from coilbench.analysis.limits.lift_table import LiftTable
from coilbench.analysis.limits.limits import LimitsReport, assess_limits
from coilbench.analysis.report.limits_text import CAUTIONS, findings
from coilbench.analysis.report.limits_text import to_document as limits_document
from coilbench.analysis.report.pair_words import choice_words, margin_words, room_words
from coilbench.analysis.report.units import Units
from coilbench.capture.book.opening import open_book
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
                hint=f"Name one that stands under springs.{role}",
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


CAUTION, LIMITS_CAUTION = CAUTIONS


@click.command(name="pair", epilog="Example: coilbench pair road.toml track.toml")
@click.argument("builds", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--use-flagged", is_flag=True, help="Count weak, stiff, short and odd springs in.")
@click.option("--top", type=click.IntRange(1), default=10, show_default=True, help="Rows shown.")
@click.option("--limits", "with_limits", is_flag=True, help="Add wire stress, surge, valve float.")
@click.option("--outer", help="Limits of the best combination with this outer set.")
@click.option("--inner", help="Limits of the best combination with this inner set.")
@json_option
def pair_command(
    builds: tuple[Path, ...],
    use_flagged: bool,
    top: int,
    with_limits: bool,
    outer: str | None,
    inner: str | None,
    as_json: bool,
) -> None:
    """Rank outer, inner and shim combinations against the cam card.

    Each set counts with the mean of its springs; springs that the set check flags as weak,
    stiff, short or odd are left out, and named. Several build files compare cam cards on the same
    springs. Exits with 1 when no combination fits.

    With --limits also: the wire's stress and fatigue, surge, and the speed at which the valve
    leaves its cam, of the best combination or of the sets named, as far as the build file and
    the book hold what they are computed from.
    """
    with_limits = with_limits or outer is not None or inner is not None
    files = [read_build(path) for path in builds]
    tables = [
        lift_table_beside(build, path) if with_limits else None
        for build, path in zip(files, builds, strict=True)
    ]
    with open_book(book_path()) as db:
        candidates = [candidate_sets(db, build, use_flagged, units()) for build in files]
        warned = rig_warnings(db)
    found: list[_Paired] = []
    for build, table, candidate in zip(files, tables, candidates, strict=True):
        pairing = pair_sets(build, candidate.sets, units())
        chosen = chosen_combination(pairing, outer, inner) if with_limits else None
        limits = None if chosen is None else limits_of(build, candidate.sets, chosen, table)
        found.append(_Paired(build, candidate, pairing, chosen, limits))
    if as_json:
        documents = [_document(each) for each in found]
        whole = documents[0] if len(documents) == 1 else {"builds": documents}
        print_document(whole | {"warnings": list(warned)})
    else:
        _show(found, top)
        show_warnings(warned)
        say(CAUTION)
        if with_limits:
            say(LIMITS_CAUTION)
    if not any(each.pairing.combinations[0].fits for each in found):
        raise click.exceptions.Exit(1)


class _Paired(NamedTuple):
    """A build file's combinations, and the limits of the chosen one where they are asked for."""

    build: BuildFile
    candidates: Candidates
    pairing: Pairing
    chosen: Combination | None
    limits: LimitsReport | None


def _document(each: _Paired) -> dict[str, Any]:
    document: dict[str, Any] = {"build": each.build.name, **pairing_document(each.pairing)}
    document["left_out"] = each.candidates.left_out
    document["unsure"] = each.candidates.unsure
    if each.chosen is not None and each.limits is not None:
        names = {"outer": each.chosen.outer, "inner": each.chosen.inner}
        document["limits"] = names | limits_document(each.limits)
    return document


def _show(found: list[_Paired], top: int) -> None:
    for each in found:
        show_pairing(each.build, each.pairing, each.candidates, top)
        if each.chosen is not None and each.limits is not None:
            show_limits(each.limits, _named(each.chosen, units()))
    if len(found) > 1:
        _compare([each.pairing for each in found])


def show_pairing(build: BuildFile, pairing: Pairing, found: Candidates, top: int) -> None:
    """Print a card, its combinations as a table, and the best one with its reasons."""
    shown = units()
    say_card(build, found)
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
    )
    for combination in pairing.combinations[:top]:
        table.add_row(*_row(combination, shown))
    print_uncut(table)
    best = pairing.combinations[0]
    verdict = "Best fit" if best.fits else "Nothing fits. Nearest"
    say(f"{verdict}: {_named(best, shown)}.")
    for reason in best.reasons:
        say(f"  {reason}")
    for words in (*(margin_words(each, shown) for each in best.margins), room_words(build, shown)):
        if words:
            say(f"  {words}.")
    if best.seat is not None and best.full is not None:
        say(f"  Weakest to strongest springs: {_range_words(best.seat, best.full, shown)}.")
    say("What each pair would take:")
    for answer in pairing.answers:
        say(f"  {_sets(answer.outer, answer.inner)}: {answer.words}.")
    if pairing.trades:
        say(
            "Closeness against effort, least effort first; the bar is what is missed, "
            "1 where one load is off by its tolerance:"
        )
    for trade, drawn in zip(pairing.trades, bars(pairing.trades), strict=True):
        each = trade.combination
        say(f"  {drawn}  {_sets(each.outer, each.inner)}, {trade.words}.")


def _range_words(seat: LoadRange, full: LoadRange, shown: Units) -> str:
    return ", ".join(
        f"{shown.load_text(load.lowest_n)} to {shown.load_text(load.highest_n)} {where}"
        for load, where in ((seat, "shut"), (full, "at full lift"))
    )


def _sets(outer: str, inner: str | None) -> str:
    return outer if inner is None else f"{outer} with {inner}"


def say_card(build: BuildFile, found: Candidates) -> None:
    """Print what the card asks for, what was assumed and what is left out."""
    shown, cam = units(), build.cam
    say(
        f"{cam.name} ({build.name}): {shown.load_text(cam.seat_load_n)} "
        f"± {shown.load_text(cam.seat_tolerance_n)} shut, {shown.load_text(cam.open_load_n)} "
        f"± {shown.load_text(cam.open_tolerance_n)} at {shown.length_text(cam.valve_lift_mm)} "
        f"lift; that asks for {shown.rate_text(cam.implied_rate_n_per_mm)}."
    )
    for note in build.notes:
        say(f"Note: {note}.")
    if found.left_out:
        say(f"Left out as flagged: {', '.join(found.left_out)} (--use-flagged counts them in).")
    if found.unsure:
        say(f"Counted in, though their check is unsure: {', '.join(found.unsure)}.")


def _row(combination: Combination, shown: Units) -> tuple[str, ...]:
    choice = combination.choice
    return (
        "fits" if combination.fits else "no",
        combination.outer,
        "-" if combination.inner is None else combination.inner,
        shown.length_text(choice.shim_mm).split()[0] if choice.shim_mm else "-",
        shown.length_text(choice.seat_cut_mm).split()[0] if choice.seat_cut_mm else "-",
        _load_cell(combination.seat, shown),
        _load_cell(combination.full, shown),
        shown.rate_text(combination.rate_n_per_mm).split()[0],
        shown.length_text(combination.coil_bind_margin_mm).split()[0],
    )


def _load_cell(load: LoadRange | None, shown: Units) -> str:
    return "-" if load is None else load_cell(load.load_n, load.load_u_n, shown)


def _named(combination: Combination, shown: Units) -> str:
    names = _sets(combination.outer, combination.inner)
    return f"{names}, {choice_words(combination.choice, shown)}"


def _compare(pairings: list[Pairing]) -> None:
    shown = units()
    say("The cards, the one that is met best first:")
    for pairing, best in best_of_each(pairings):
        verdict = "fits" if best.fits else "does not fit"
        say(f"  {pairing.cam.name} ({pairing.name}): {_named(best, shown)}, {verdict}")
