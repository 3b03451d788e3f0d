"""`coilbench begin`: asks what a builder knows, and keeps it in the book and in a build file."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import click
import msgspec

from coilbench.analysis.cli.asking import Reply, WentBack, ask, one_of, part, yes_or_no
from coilbench.analysis.cli.begin_draft import Draft
from coilbench.analysis.cli.begin_sets import ask_sets, candidates
from coilbench.analysis.cli.common import say, units
from coilbench.analysis.cli.plan import is_weighed, say_taken, show_plan
from coilbench.analysis.cli.questions import CARD, GIVE, HEAD, LIFTS, MAX_RPM, NAME, SCALE, Question
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.engine.build_parsing import parse_build
from coilbench.analysis.engine.press_plan import plan_presses
from coilbench.analysis.inputs import build_draft
from coilbench.analysis.inputs.build_draft import SIDES, Value, check_so_far, known
from coilbench.analysis.inputs.build_input import in_book, read_text, with_named_sets
from coilbench.analysis.inputs.plan_input import read_shop
from coilbench.capture.book.opening import open_book
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.plain import as_typed
from coilbench.capture.tables.dimensions import SHIM_MM, refuse_length
from coilbench.capture.units import parse_length_mm

HOW = (
    "One question at a time. Enter keeps the answer in brackets; where there is none it means "
    "don't know yet. ? forgets an answer, u goes back to the question before. Every answer is "
    "kept at once: Ctrl-C ends, and the same command goes on."
)
_TIMES = re.compile(r"(.+?)\s*[x×*]\s*([0-9]{1,6})", re.IGNORECASE)
_SAME_MM = 1e-6


def begin_command(build: Path) -> None:
    """Answer what you know: springs, cam card, head, shims, scale. It writes the build file."""
    text = build_draft.new_draft()
    if build.exists():
        text = read_text(build)
        check_so_far(text, build.name)
    elif not build.parent.is_dir():
        hint = "Make the folder, or name a file in another"
        raise CoilbenchError("there is no such folder", where=str(build.parent), hint=hint)
    draft = Draft(build, text)
    say(HOW)
    try:
        _ask_all(draft)
    except (click.Abort, KeyboardInterrupt):
        where = f"the book and {build}" if build.exists() else "the book"
        click.echo("")
        say(f"Stopped. What was answered is kept in {where}; go on with: {_again(build)}")
        raise click.Abort from None
    _close(draft)


def _ask_all(draft: Draft) -> None:
    """Ask part by part; `u` at a part's first question goes back to the last one of that before."""
    new_sets: tuple[str, ...] = ()

    def sets() -> None:
        nonlocal new_sets
        new_sets = ask_sets(draft.pending, draft.keep_pending)

    parts: list[tuple[Callable[[], None], bool]] = [
        (sets, True),
        (lambda: _ask_candidates(draft, new_sets), False),
        (lambda: _ask_card(draft), False),
        (lambda: _ask_head(draft), False),
        (lambda: _ask_shims(draft), True),
        (lambda: _ask_scale(draft), False),
    ]
    ends: dict[int, str | None] = {}  # each part's last question, where one can go back to it
    at, until = 0, None
    while at < len(parts):
        ask_part, again_whole = parts[at]
        try:
            ends[at] = part(ask_part, until, again_whole=again_whole)
        except WentBack:
            at = max(at - 1, 0)
            until = ends.get(at)
        else:
            at, until = at + 1, None


def _again(build: Path) -> str:
    return f"coilbench begin {as_typed(build)}"


def _ask_card(draft: Draft) -> None:
    click.echo("\nThe cam card")
    draft.keep(draft.text)
    draft.put(NAME)
    sides = [side for side in SIDES if draft.known("cam", side) is not None]
    if not sides:
        words = "One card for all valves, or one each for intake and exhaust (one or two)"
        if ask(words, one_of("one", "two"), "one") == "two":
            draft.keep(build_draft.with_two_cards(draft.text))
            sides = list(SIDES)
    for side in sides or [""]:
        section = ("cam", side) if side else ("cam",)
        who = f"{side}: " if side else ""
        _ask_lift(draft, section, who)
        for question in CARD:
            draft.put(question, section, who)
    draft.put(MAX_RPM)


def _ask_lift(draft: Draft, section: tuple[str, ...], who: str) -> None:
    """Ask for the lift as the card gives it: at the valve, or the lobe's own."""
    at_lobe = draft.known(*section, "lobe_lift") is not None
    words = f"{who}Does the card give the valve's lift or the lobe's (valve or lobe)"
    answer = ask(words, one_of("valve", "lobe"), "lobe" if at_lobe else "valve")
    if answer is Reply.UNKNOWN:
        return
    at = answer if isinstance(answer, str) else "lobe" if at_lobe else "valve"
    for question in LIFTS[at]:
        draft.put(question, section, who)


def _ask_candidates(draft: Draft, new_sets: Sequence[str]) -> None:
    """Ask which sets of the book are to be tried; those of the book are proposed."""
    for role in ("outer", "inner"):
        listed = draft.known("springs", role)
        given = [str(name) for name in listed] if isinstance(listed, list) else []
        proposed, read = candidates(role, given, new_sets, draft.known("springs", "outer"))
        if not proposed:
            continue

        def keep(text: str, role: str = role, read: Callable[[str], list[str]] = read) -> str:
            names = read(text)
            return draft.changed(lambda old: build_draft.with_value(old, ("springs", role), names))

        words = f"{role} sets to try" if role == "inner" else "outer (or single) sets to try"
        answer = ask(f"{words}, separated by commas", keep, ", ".join(proposed))
        if answer is Reply.KEEP and proposed != given:
            answer = keep(", ".join(proposed))
        if isinstance(answer, str):
            draft.keep(answer)


def _ask_head(draft: Draft) -> None:
    click.echo("\nThe head (how to measure: hardware/HEAD.md)")
    draft.put(HEAD["installed_height"])
    sides = [side for side in SIDES if draft.known("cam", side) is not None]
    for side in sides or [""]:
        _ask_valves(draft, side)
    draft.put(HEAD["height_u"])
    if draft.known("springs", "inner"):
        draft.put(HEAD["inner_offset"])
    draft.put(HEAD["max_seat_cut"])


def _ask_valves(draft: Draft, side: str) -> None:
    """Ask for the valves of one card: how many, or their names and what heights they have."""
    listed = draft.known("head", "valves")
    valves = listed if isinstance(listed, dict) else {}
    names = [name for name in valves if not side or _field(valves[name], "cam") == side]
    number = str(listed) if isinstance(listed, int) else None
    if side:
        words = f"{side}: the valves' names, separated by commas (like 1 in, 2 in)"
    else:
        words = "How many valves (like 12); or their names, by commas, where heights differ"

    def read(text: str) -> str | list[str]:
        if text.isascii() and text.isdecimal() and not side:
            return draft.changed(
                lambda old: build_draft.with_value(old, ("head", "valves"), int(text))
            )
        found = [name.strip() for name in text.split(",") if name.strip()]
        draft.changed(lambda old: _with_valves(old, found, side))
        return found

    answer = ask(words, read, ", ".join(names) or number)
    if isinstance(answer, str):
        draft.keep(answer)
        return
    if isinstance(answer, list):
        draft.keep(_with_valves(draft.text, answer, side))
        names = answer
    for name in names:
        _ask_height(draft, name, side)


def _with_valves(text: str, names: Sequence[str], side: str) -> str:
    """Return it with valves of these names; those that are there stay as they are."""
    if isinstance(known(text, "head", "valves"), int):
        text = build_draft.without(text, ("head", "valves"))
    text = build_draft.without_line(text, ("head",), "valves")
    for name in names:
        if known(text, "head", "valves", name) is None:
            value: Value = {"cam": side} if side else {}
            text = build_draft.with_value(text, ("head", "valves", name), value)
    return text


def _ask_height(draft: Draft, name: str, side: str) -> None:
    present = _field(draft.known("head", "valves", name), "height")
    question = HEAD["installed_height"]

    def read(text: str, *, sure: bool = False) -> str:
        height = str(question.value_of(text, units()))
        value: Value = {"height": height, "cam": side} if side else height
        kept = draft.changed(
            lambda old: build_draft.with_value(old, ("head", "valves", name), value)
        )
        if not sure:
            draft.refuse_unlikely(question, height)
        return kept

    words = f"valve {name}: its own installed height (Enter: that of all)"
    answer = ask(words, read, present, sure=partial(read, sure=True))
    if isinstance(answer, str):
        draft.keep(answer)


def _field(valve: object, key: str) -> str | None:
    """Return a field of a valve of [head.valves], which is its height alone or a table."""
    if isinstance(valve, dict):
        return str(valve[key]) if key in valve else None
    return str(valve) if key == "height" and valve is not None else None


def _ask_shims(draft: Draft) -> None:
    click.echo("\nWashers (shims) in the drawer; Enter: no more")
    while True:
        listed = draft.known("shims")
        shims = [one for one in listed if isinstance(one, dict)] if isinstance(listed, list) else []
        stock = ", ".join(f"{one.get('thickness')} x {one.get('count', 'any')}" for one in shims)
        like = f"{units().length_text(0.5)} x 12"

        def read(text: str, shims: Sequence[dict[str, Any]] = shims, *, sure: bool = False) -> str:
            typed = parse_shims(text, units().length)
            if not sure:
                refuse_length(parse_length_mm(typed.thickness), SHIM_MM)
            if typed.unit_taken:
                click.echo(f"  taken as {typed.thickness}")
            same = next((at for at, one in enumerate(shims) if typed.same(one)), None)
            return draft.changed(
                lambda old: build_draft.with_shims(old, typed.thickness, same, typed.count)
            )

        answer = ask(
            f"thickness x how many, like {like}", read, stock or None, partial(read, sure=True)
        )
        if not isinstance(answer, str):
            return
        draft.keep(answer)


def _ask_scale(draft: Draft) -> None:
    click.echo("\nThe scale you press on by hand; Enter where it is a load cell")
    for question in SCALE:
        draft.put(question)
    draft.put(GIVE[0])
    if draft.known("scale", "give") is not None:
        draft.put(GIVE[1])
    name = draft.known("scale", "name")
    if not isinstance(name, str):
        return
    how = f"coilbench rig weigh --scale {as_typed(name)} --from weights.csv"
    if is_weighed(name):
        click.echo("  it was weighed against known masses: they are in the book")
    elif ask("Has it been weighed against known masses (yes or no)", yes_or_no, "no") is True:
        say(f"  Key the masses and what it showed into a file, then: {how}")
    else:
        say(
            f"  Until it is, it is taken to be right, and its own error can decide. With any known "
            f"mass, 20 to 50 kg best: {how}"
        )


def _missing(draft: Draft) -> Iterator[str]:
    """Say what isn't known, and what that costs."""
    sides = [side for side in SIDES if draft.known("cam", side) is not None]
    for side in sides or [""]:
        at_lobe = any(
            draft.known("cam", *own, "lobe_lift") is not None
            for own in ([], [side] if side else [])
        )
        for question in (*LIFTS["lobe" if at_lobe else "valve"], *CARD):
            known_of = [("cam", question.key), ("cam", side, question.key)]
            if question.why and all(draft.known(*path) is None for path in known_of):
                who = f"{side}: " if side else ""
                yield f"{who}{_named(question)}: {question.why}"
    yield from _missing_elsewhere(draft)
    if not draft.known("springs", "outer"):
        yield "which springs there are: there is nothing to press"
    if not draft.known("shims"):
        yield "washers: no shims are considered"


def _missing_elsewhere(draft: Draft) -> Iterator[str]:
    """Say what of the engine and the scale isn't known beside the card."""
    valves = draft.known("head", "valves")
    own = valves if isinstance(valves, dict) else {}
    for question in (MAX_RPM, *HEAD.values(), *SCALE, *GIVE):
        if question.key == "inner_offset" and not draft.known("springs", "inner"):
            continue
        if question is GIVE[1] and draft.known("scale", "give") is None:
            continue
        without = [name for name, one in own.items() if not _field(one, "height")]
        of = ""
        if question.key == "installed_height" and own:
            if not without:
                continue
            of = f" of {', '.join(without)}"
        if question.why and draft.known(*question.section, question.key) is None:
            yield f"{_named(question)}{of}: {question.why}"


def _named(question: Question) -> str:
    return question.key.replace("_", " ")


def _close(draft: Draft) -> None:
    """Say what is missing and why it matters; print the plan's first presses where it can."""
    click.echo(f"\nThe build file is {draft.path}.")
    for line in _missing(draft):
        say(f"Not known yet: {line}.")
    try:
        build = with_named_sets(parse_build(draft.text, draft.path.name))
    except CoilbenchError:
        say(f"Too little is known for a plan yet. Go on with: {_again(draft.path)}")
        return
    with open_book(book_path(), create=True) as db:
        build = in_book(db, build)
        shop = read_shop(db, build)
    click.echo("")
    show_plan(plan_presses(shop), draft.path, build.scale)
    say_taken(shop)


class _ShimsTyped(msgspec.Struct, frozen=True):
    """Shims of one thickness as typed, with its unit; count is None for as many as needed.

    Attributes:
        unit_taken: whether the unit was not typed.
    """

    thickness: str
    count: int | None
    unit_taken: bool = False

    def same(self, given: Mapping[str, Any]) -> bool:
        """Tell whether a [[shims]] of a build file has the same thickness, under both springs."""
        try:
            other_mm = parse_length_mm(str(given.get("thickness")))
        except CoilbenchError:
            return False
        alike = math.isclose(parse_length_mm(self.thickness), other_mm, abs_tol=_SAME_MM)
        return alike and given.get("under", "both") == "both"


def parse_shims(text: str, unit: str) -> _ShimsTyped:
    """Read a thickness and how many there are; without `x` and a number, as many as needed.

    Args:
        unit: of a thickness without its own.

    Raises:
        CoilbenchError: no thickness can be read.
    """
    match = _TIMES.fullmatch(text.strip())
    thickness, count = (text.strip(), None) if match is None else match.groups()
    bare = re.fullmatch(r"[+-]?[0-9.,]+", thickness) is not None
    thickness = f"{thickness} {unit}" if bare else thickness
    parse_length_mm(thickness)
    return _ShimsTyped(thickness, None if count is None else int(count), bare)
