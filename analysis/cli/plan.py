"""`coilbench plan`: what to press next, and how sure the decision is."""

from __future__ import annotations

from collections.abc import Collection
from datetime import UTC, datetime
from pathlib import Path

import click

from coilbench.analysis.cli.common import (
    FRACTION,
    LENGTH,
    LOAD,
    print_document,
    say,
    show_warnings,
    units,
)
from coilbench.analysis.cli.files_out import refuse_existing, write_whole
from coilbench.analysis.cli.hand_options import NOTE_FLAGS
from coilbench.analysis.cli.set_edit import say_lengths
from coilbench.analysis.cli.set_readings import suspect_lines
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.cli.tables import plain_table, print_uncut
from coilbench.analysis.engine.build_file import ScaleGiven
from coilbench.analysis.engine.press_plan import once, plan_presses
from coilbench.analysis.engine.press_shop import Shop
from coilbench.analysis.engine.presses import PressPlan
from coilbench.analysis.inputs.build_input import in_book, read_build
from coilbench.analysis.inputs.plan_input import read_shop
from coilbench.analysis.inputs.rig_record import waiting_warnings
from coilbench.analysis.report.curve_text import give_left_out, tare_zero
from coilbench.analysis.report.document import document
from coilbench.analysis.report.plan_text import plan_text
from coilbench.capture.blocks import Finding
from coilbench.capture.book.calibrations import newest_part
from coilbench.capture.book.connection import Database
from coilbench.capture.book.keyed_readings import last_setup
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.provenance import never_weighed
from coilbench.capture.book.scales import find_scale
from coilbench.capture.book.sets import find_set
from coilbench.capture.book.state import scale_weighed
from coilbench.capture.calibration.keyed_setup import SCALE_U_RELATIVE, KeyedSetup
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.plain import as_typed

GRID = "coilbench note --plan"
MANY_ROWS = 10  # of presses: above more of them the cautions scroll off


def plan_command(
    build: Path, page: Path | None, at_once: bool, every_set: bool, force: bool, as_json: bool
) -> None:
    """Say which springs to press next, at which heights: the fewest presses that decide."""
    if at_once and every_set:
        raise CoilbenchError(
            "--every-set says nothing beside --once", hint="The fixed plan reads every set anyway"
        )
    if force and page is None:
        raise CoilbenchError("--force is without a page", hint="Name it with --sheet FILE")
    parsed = read_build(build)
    if page is not None:
        refuse_existing(page, force, (build, book_path()))
    with open_book(book_path()) as db:
        parsed = in_book(db, parsed)
        shop = read_shop(db, parsed)
        warned = (*waiting_warnings(db, shop.sets), *_plan_warnings(db, shop.sets))
        doubts = _doubts(db, shop)
    plan = once(shop) if at_once else plan_presses(shop, every_set=every_set)
    if page is not None:
        from coilbench.analysis.report.plan_page import plan_page

        made_utc = datetime.now(UTC).isoformat()
        write_whole(page, plan_page(plan, parsed.name, units(), made_utc))
        click.echo(f"Wrote {page}.", err=as_json)
    if as_json:
        print_document(document(plan) | {"warnings": document(warned)})
    else:
        show_plan(plan, build, parsed.scale)
        for line in doubts:
            say(f"{line}.")
        say_taken(shop)
        show_warnings(warned)
    if plan.stage == "no_choice":
        raise click.exceptions.Exit(1)


def say_taken(shop: Shop) -> None:
    """Say what no ± of the readings so far holds: a give that isn't known, a tare of 0."""
    curves = [curve for one in shop.sets.values() for curve in one.springs.curves]
    for line in (*tare_zero(curves, units()), *give_left_out(curves, units())):
        say(line)


def _doubts(db: Database, shop: Shop) -> list[str]:
    """Say which readings may be slips, for which springs are pressed again, not left out."""
    sets = {name: one.doubted for name, one in shop.sets.items() if one.doubted}
    found = [line for name in sets for line in suspect_lines(db, find_set(db, name), sets[name])]
    return [f"Not counted until it is settled: {line}" for line in found]


def is_weighed(scale: str) -> bool:
    """Tell whether the book has a calibration of a scale of that name."""
    with open_book(book_path(), create=True) as db:
        try:
            find_scale(db, scale)
        except CoilbenchError:
            return False
        return True


def _say_lengths(plan: PressPlan) -> None:
    """Say of which sets the depths are in doubt, or once all is pressed, the chosen ones' loads."""
    pressed = dict.fromkeys(one.set_name for one in plan.presses if one.depth_mm is not None)
    if not plan.presses and plan.best is not None:
        pressed = dict.fromkeys(name for name in (plan.best.outer, plan.best.inner) if name)
    with open_book(book_path(), create=True) as db:
        for name in pressed:
            say_lengths(db, find_set(db, name))


def _last_setup(set_name: str) -> KeyedSetup:
    with open_book(book_path(), create=True) as db:
        return (last_setup(db, find_set(db, set_name)) or (KeyedSetup(), ""))[0]


def _options(last: KeyedSetup, scale: ScaleGiven) -> str:
    """Return what `note` must be told: how the last readings were taken, else the file's scale."""
    said = _options_text(last)
    if scale.step_n is not None and "--resolution" not in said:
        said += f" --resolution {units().load_value(scale.step_n):.6g}{units().load}"
    if scale.tare_n is not None and "--tare" not in said:
        said += f" --tare {units().load_value(scale.tare_n):.6g}{units().load}"
    if scale.give_mm is not None and scale.give_at_n is not None and not last.give_known:
        give = units().length_text(scale.give_mm).replace(" ", "")
        said += f" --give {give}@{units().load_value(scale.give_at_n):.6g}{units().load}"
    if scale.name is not None and last.scale is None and is_weighed(scale.name):
        said += f" --scale {as_typed(scale.name)}"
    return said


def show_plan(plan: PressPlan, build: Path, scale: ScaleGiven) -> None:
    """Print what to press next and how to key it in, on the build file's scale."""
    shown = units()
    text = plan_text(plan, shown)
    for words in text.cautions:
        say(f"Caution: {words}")
    say(f"{text.title}{':' if text.rows else '.'}")
    if text.rows:
        length = shown.length
        titles = ("set", "spring", f">height, {length}", f">depth, {length}", "why")
        print_uncut(plain_table(*titles, rows=text.rows))
    for words in text.sentences:
        say(f"{words}.")
    if len(text.rows) > MANY_ROWS:
        say(f"Caution, again: {text.cautions[0]}")
    _say_lengths(plan)
    named = as_typed(build)
    if plan.presses:
        first = plan.presses[0]
        last = _last_setup(first.set_name)
        if last.give_known:
            give = f"{shown.length_text(last.give_mm)} at {shown.load_text(last.give_at_n)}"
            say(
                "These are heights between the faces: set the quill deeper by what scale and press "
                f"give, {give} ({GRID} {named} does)."
            )
        line = as_typed(f"{first.label} {shown.length_text(first.height_mm)} LOAD {shown.load}")
        options = _options(last, scale)
        say(
            f"Key them in: {GRID} {named}{options} (a grid, set by set, that goes on with the "
            f"plan); or as lines: coilbench note --set {as_typed(first.set_name)} {line}"
            f"{options}, then: coilbench plan {named}"
        )
    elif plan.best is not None:
        effort = " --effort cuts" if plan.best.choice.seat_cut_mm > 0.0 else ""
        say(
            f"Next: coilbench pair {named}; with the chosen sets alone under [springs]: "
            f"coilbench assign {named}{effort}"
        )


def _options_text(setup: KeyedSetup) -> str:
    """Write a setup as options of `note`, each after a blank; what is usual is left out."""
    shown, usual, parts = units(), KeyedSetup(), []
    for name, (flag, kind, _) in NOTE_FLAGS.items():
        value = getattr(setup, name)
        if abs(value - getattr(usual, name)) < 1e-9:
            continue
        if kind is LOAD:
            text = f"{shown.load_value(value):.6g}{shown.load}"
        elif kind is LENGTH:
            text = shown.length_text(value).replace(" ", "")
        else:
            text = f"{100 * value:.6g}%" if kind is FRACTION else f"{value:.6g}"
        parts.append(f" {flag} {text}")
    if setup.scale is not None:
        parts.append(f" --scale {as_typed(setup.scale.name)}")
    return "".join(parts)


def _plan_warnings(db: Database, set_names: Collection[str]) -> tuple[Finding, ...]:
    """Return that the scale should be weighed first: it never was, or nothing is known yet."""
    known = scale_weighed(db) or newest_part(db, "load") is not None
    if known and not never_weighed(db, set_names):
        return ()
    return (Finding.of("weigh_scale_first", u_relative=2.0 * SCALE_U_RELATIVE),)
