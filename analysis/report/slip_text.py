"""What is asked of a reading that may be a slip, in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from coilbench.analysis.inputs.free_lengths import LengthsContradicted
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import Units
from coilbench.analysis.sets.foretelling import Foretold
from coilbench.analysis.sets.slips import FitsOther, Slip, Weighed
from coilbench.capture.calibration.keyed_setup import KeyedSetup
from coilbench.capture.plain import as_typed
from coilbench.capture.tables.keyed import KeyedReading
from coilbench.capture.units import counted


@describe.register
def _(slip: Slip, units: Units) -> str:
    read, at = slip.read, units.length_text(slip.read.height_mm)
    load = units.load_text(read.load_n)
    if slip.kind == "falls" and slip.other is not None:
        other = units.load_text(slip.other.load_n)
        there = units.length_text(slip.other.height_mm)
        name = f" ({slip.other.name})" if slip.other.name else ""
        more = "less" if read.height_mm < slip.other.height_mm else "more"
        return (
            f"{load} at {at} is {more} than the {other} read at {there}{name}: "
            "pressed deeper, no spring pushes less, so one of the two is wrong"
        )
    if slip.kind == "far" and slip.foretold is not None:
        return f"{load} at {at}? {_basis(read.label, slip.foretold, units)}"
    if slip.kind == "free length":
        return f"{at} by a depth, counted from a free length that its loads contradict?"
    if slip.solid_height_mm is not None:
        solid = units.length_text(slip.solid_height_mm)
        return f"{at}, so near the solid height {solid}? never press a spring there by hand"
    return f"{at}? nothing else of the set is read near there"


def _basis(label: str, near: Foretold, units: Units) -> str:
    load = units.load_text(near.load_n)
    others = f"the {counted(near.said_by, 'other')} are" if near.said_by > 1 else "the other one is"
    return {
        "again": f"{label} was read as {load} there before",
        "shape": f"its other reading and {counted(near.said_by, 'other spring')} say near {load}",
        "mates": f"{others} near {load}",
        "line": f"going straight through its own readings, near {load}",
        "set": f"going straight through the set's readings, near {load}",
        "rate": f"its next reading, and the rate there of {counted(near.said_by, 'other spring')}, "
        f"make near {load}",
        "own_rate": f"its own readings beside it make near {load}",
        "nominal": f"the nominal there is {load}",
        "dimensions": f"its dimensions make near {load}",
    }[near.basis]


def reading_text(reading: KeyedReading, units: Units) -> str:
    """Write a reading as it would be typed."""
    if reading.height_mm is None:
        length = f"{units.length_text(reading.depth_mm)} down"
    else:
        length = units.length_text(reading.height_mm)
    way = "" if reading.loading else " up"
    remark = f" # {reading.remark}" if reading.remark else ""
    return f"{reading.label} {length} {units.load_text(reading.shown_load_n)}{way}{remark}"


@describe.register
def _(found: FitsOther, _units: Units) -> str:
    return (
        f"the loads of {found.label} are {found.off:.0%} off those of {found.set_name} and fit "
        f"{found.other} within {max(found.other_off, 0.01):.0%} at "
        f"{counted(found.heights, 'height')}: was it taken from among those? Its readings count "
        f"for {found.set_name} until they are taken back"
    )


@describe.register
def _(found: LengthsContradicted, units: Units) -> str:
    set_name = as_typed(found.set_name)
    tare = ""
    if found.tare_forgotten:
        tare = (
            f"As if all loads were about {units.load_text(found.over_n)} too high: was the tare "
            f"forgotten? It was taken as {units.load_text(0.0)}. Read the scale with no spring "
            f"pressed; if it shows that, take the readings back (coilbench note --set {set_name} "
            "--history) and key them in with --tare. If the tare is right: "
        )
    length, ends = units.length_text(found.length_mm), units.length_text(found.ends_mm)
    if not found.shape_known:
        return (
            f"Whether the free length of {found.set_name}, {length}, is right is not known: "
            f"straight on, the loads of {found.springs} of {counted(found.of, 'spring')} run out "
            f"near {ends}, but a progressive or two-rate spring is softer near its free height. "
            "Depths are counted from it: measure some springs (coilbench set measure "
            f"{set_name}), or read some nearer to it"
        )
    return (
        f"The free length of {found.set_name}, {length}, and its loads "
        f"contradict each other: those of {found.springs} of {counted(found.of, 'spring')} run out "
        f"near {ends}. {tare}Depths are counted from it, so measure "
        f"some springs first: coilbench set measure {set_name}, or coilbench set edit {set_name} "
        "--free-length LENGTH"
    )


def height_or_depth(
    numbers_mm: Sequence[float], by_depth_mm: Sequence[float], units: Units
) -> tuple[str, dict[str, str]]:
    """Return what to ask of numbers that may be either, and what the answers h and d mean."""
    numbers = " and ".join(map(units.length_text, numbers_mm))
    there = " and ".join(map(units.length_text, by_depth_mm))
    answers = {"h": f"{numbers} high", "d": f"{numbers} down, {there} high"}
    what = "Are {} heights" if len(numbers_mm) > 1 else "Is {} a height"
    return f"{what.format(numbers)}, or how deep to press?", answers


def setup_text(setup: Mapping[str, Any], units: Units) -> str:
    """Say how readings were taken, where it is not as usual.

    Args:
        setup: as KeyedSetup.to_document; early books have fewer of its keys.
    """
    usual, parts = KeyedSetup().to_document(), []

    def other(name: str) -> bool:
        return abs(float(setup.get(name, usual[name])) - float(usual[name])) > 1e-9

    if other("tare_n"):
        parts.append(f"tare {units.load_text(setup['tare_n'])}")
    if other("lever_ratio"):
        parts.append(f"lever {setup['lever_ratio']:g}")
    if scale := setup.get("scale"):
        parts.append(f"scale {scale['name']}")
    if other("scale_resolution_n"):
        parts.append(f"steps of {units.load_text(setup['scale_resolution_n'])}")
    if other("rests_n"):
        parts.append(f"{units.load_text(setup['rests_n'])} resting on the spring")
    if other("give_at_n"):
        give, at = units.length_text(setup["give_mm"]), units.load_text(setup["give_at_n"])
        parts.append(f"give {give} at {at}")
    if other("quill_resolution_mm"):
        parts.append(f"quill's steps of {units.length_text(setup['quill_resolution_mm'])}")
    return ", ".join(parts)


def choices_of(weighed: Weighed, units: Units) -> dict[str, str]:
    """Return what a person may answer about a doubtful reading: a key, and what it does."""
    choices = {"n": "not stored"}
    if weighed.wrong_beside:
        choices = {"n": "this one is wrong", "o": f"{weighed.wrong_beside} is wrong"}
    elif weighed.refusal is None and not any(one.impossible for one in weighed.found):
        typed = reading_text(weighed.reading, units)
        choices = {"y": f"store {typed} as it is", "n": "not stored"}
        if weighed.earlier:
            choices["o"] = f"{weighed.earlier} is wrong"
    if weighed.meant is not None:
        choices["m"] = f"{reading_text(weighed.meant, units)} is meant"
    return choices


def doubts_text(weighed: Weighed, units: Units) -> str:
    """Say all that makes a reading doubtful, or impossible."""
    if weighed.refusal is not None:
        weighed.refusal.in_units(units.quantity)
        return weighed.refusal.what
    return "; ".join(describe(one, units) for one in weighed.found)


def question_text(weighed: Weighed, units: Units) -> str:
    """Say what a person is asked, or why a reading is refused and what to do about it."""
    hint = "" if weighed.refusal is None else weighed.refusal.hint or ""
    words = doubts_text(weighed, units)
    return f"{words}. {hint}." if hint else f"{words}."
