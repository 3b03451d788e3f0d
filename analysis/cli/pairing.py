"""`coilbench pair`: sets against the cam card, and with --limits what wire and valve train bear."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

import click

from coilbench.analysis.cli.common import print_document, say, show_warnings, units
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.cli.tables import load_cell, plain_table, print_uncut
from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.outcomes import Combination, Pairing
from coilbench.analysis.engine.pairing import pair_sets, with_limits
from coilbench.analysis.inputs.build_input import lift_table_beside, read_build
from coilbench.analysis.inputs.candidates import Candidates, candidate_sets
from coilbench.analysis.inputs.rig_record import rig_warnings, scale_warnings
from coilbench.analysis.limits.limits import LimitsReport, assess_limits
from coilbench.analysis.limits.valve_motion import LiftTable
from coilbench.analysis.report.build_text import card_facts, shims_text, verdict_text
from coilbench.analysis.report.curve_text import give_left_out
from coilbench.analysis.report.document import document
from coilbench.analysis.report.limits_text import CAUTIONS, limits_text
from coilbench.analysis.report.pairing_text import card_lines, pair_text, pairing_lines
from coilbench.analysis.report.units import SI, Units
from coilbench.capture.book.opening import open_book
from coilbench.capture.errors import CoilbenchError

CAUTION, LIMITS_CAUTION = CAUTIONS


class _Paired(NamedTuple):
    build: BuildFile
    candidates: Candidates
    pairing: Pairing
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
    cards = [(card, path) for path in builds for card in read_build(path).cards]
    files = [card for card, _ in cards]
    tables = [lift_table_beside(*card) if with_limits else None for card in cards]
    with open_book(book_path()) as db:
        candidates = [candidate_sets(db, build, use_flagged) for build in files]
        names = {name for each in candidates for name in each.sets}
        warned = (*rig_warnings(db), *scale_warnings(db, names))
    found: list[_Paired] = []
    for build, table, candidate in zip(files, tables, candidates, strict=True):
        with candidate.before() as before:
            each = _Paired(build, candidate, pair_sets(build, candidate.sets, before))
        if with_limits:
            each = _with_limits(each, table, outer, inner)
        found.append(each)
    if as_json:
        documents = [_document(each) for each in found]
        whole = documents[0] if len(documents) == 1 else {"builds": documents}
        print_document(document(whole | {"warnings": warned}))
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


def _with_limits(
    each: _Paired, table: LiftTable | None, outer: str | None, inner: str | None
) -> _Paired:
    """Let the limits count, and add those of the best combination of the sets asked for."""

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
    return whole


def limits_document(limits: LimitsReport) -> dict[str, object]:
    """Return a pair's limits as JSON holds them."""
    return {**document(limits), **document(limits_text(limits, SI))}


def say_limits(limits: LimitsReport) -> None:
    """Print a pair's limits: what isn't kept, the figures, what they rest on and what they lack."""
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
        show_pairing(each.build, each.candidates, each.pairing, top)
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


def show_pairing(build: BuildFile, found: Candidates, pairing: Pairing, top: int) -> None:
    """Print a card, its combinations as a table, and what is to be said of them."""
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
        rows=(_row(each, shown) for each in pairing.combinations[:top]),
    )
    print_uncut(table)
    for line in pairing_lines(pairing, shown):
        say(line)


def say_card(build: BuildFile, found: Candidates) -> None:
    """Print what the card asks for, what was assumed, what is left out and what is unsure."""
    for line in card_lines(build, units()):
        say(line)
    curves = [curve for springs in found.sets.values() for curve in springs.curves]
    for line in give_left_out(curves, units()):
        say(line)
    if found.left_out:
        say(f"Left out as flagged: {', '.join(found.left_out)} (--use-flagged includes them).")
    if found.unsure:
        say(f"Included, though their check is unsure: {', '.join(found.unsure)}.")


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
