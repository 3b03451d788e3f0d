"""What a build file takes and assumes, each limit at its value. Common practice, no source."""

from __future__ import annotations

import numpy as np
import pytest
from msgspec.structs import replace

from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.build_parsing import parse_build
from coilbench.analysis.engine.coil import Coil
from coilbench.analysis.engine.pairing import _load_by_change
from coilbench.analysis.engine.placed import SetCurves
from coilbench.analysis.engine.shims import SeatChoice
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.pairing_text import _choice_text
from coilbench.analysis.report.units import Units
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep

BUILD = """
[cam]
name = "card"
valve_lift = "10 mm"
seat_load = "300 N"
seat_tolerance = "20 N"
open_load = "600 N"
open_tolerance = "30 N"
[springs]
outer = ["larch"]
[head]
installed_height = "40 mm"
"""


def build(head: str = "", rest: str = "") -> BuildFile:
    return parse_build(BUILD + head + "\n" + rest, "b.toml")


def test_valves_may_have_their_own_clearance() -> None:
    """The least one counts, less the lift of 10 mm; what has none takes the one of all."""
    own = '[head.retainer_clearances]\n"1" = "12 mm"\n"2" = "11.5 mm"\n'
    alone = build("valves = 2\n", own)
    assert alone.head.clearances_mm == {"1": 12.0, "2": 11.5}
    assert alone.clearance_mm == 1.5
    assert any("min_clearance" in describe(note, Units()) for note in alone.notes)
    others = build('valves = 3\nretainer_clearance = "11.2 mm"\n', own)
    assert others.head.clearances_mm == {"1": 12.0, "2": 11.5, "": 11.2}
    assert others.clearance_mm == pytest.approx(1.2)
    unknown = build("valves = 3\n", own)
    assert unknown.head.clearances_mm[""] is None
    assert unknown.clearance_mm == 1.5
    with pytest.raises(CoilbenchError, match="no valve of"):
        build("", own + '[head.valves]\n"1" = "40 mm"\n')
    with pytest.raises(CoilbenchError, match="no unit"):
        build("", '[head.retainer_clearances]\n"1" = "12"\n')


def test_what_is_assumed_where_nothing_is_said() -> None:
    plain = build('retainer_clearance = "12 mm"\n', '[[shims]]\nthickness = "0.5 mm"\n')
    assert plain.limits.coil_bind_margin_mm == 1.2
    assert plain.limits.max_shims == 2
    assert plain.limits.min_clearance_mm == 1.3
    assert plain.head.seat_cut_step_mm == 0.1
    assert plain.head.max_seat_cut_mm == 0.0
    said = [describe(note, Units("lbf", "in")) for note in plain.notes]
    assert "coil_bind_margin isn't given: 0.047 in assumed, common practice" in said
    assert "max_shims isn't given: 2 assumed" in said


def shims(thicknesses: int, most: int) -> str:
    stock = "".join(f'[[shims]]\nthickness = "0.{at} mm"\n' for at in range(1, thicknesses + 1))
    return f"{stock}[limits]\nmax_shims = {most}\n"


@pytest.mark.parametrize(
    ("head", "rest", "refused"),
    [
        ("valves = 64", "", False),
        ("valves = 65", "", True),
        ('max_seat_cut = "199.9 mm"', "", False),  # 2000 steps of 0.1 mm
        ('max_seat_cut = "200.1 mm"', "", True),
        ("", shims(2, 61), False),  # 63 over 2 are 1953 stacks
        ("", shims(2, 62), True),  # 64 over 2 are 2016
    ],
)
def test_a_plan_and_a_slip_of_the_pen(head: str, rest: str, refused: bool) -> None:
    if refused:
        with pytest.raises(CoilbenchError):
            build(head, rest)
    else:
        assert build(head, rest).name


@pytest.mark.parametrize(("load", "refused"), [("999999 N", False), ("1000001 N", True)])
def test_a_million_is_the_most_of_anything(load: str, refused: bool) -> None:
    text = BUILD.replace('"600 N"', f'"{load}"')
    if refused:
        with pytest.raises(CoilbenchError, match="open_load"):
            parse_build(text, "b.toml")
    else:
        assert parse_build(text, "b.toml").cam.open_load_n == pytest.approx(999999.0)


@pytest.mark.parametrize(("beyond_n", "fits"), [(0.0, True), (1e-12, True), (1e-6, False)])
def test_a_load_that_lies_on_its_limit_is_inside_whatever_its_last_digits_say(
    beyond_n: float, fits: bool
) -> None:
    cam = build().cam
    assert cam.fits(320.0 + beyond_n, 570.0 - beyond_n) == fits


@pytest.mark.parametrize(("change_mm", "nothing"), [(0.0049, True), (0.0051, False)])
def test_less_than_five_micrometres_under_a_spring_are_nothing(
    change_mm: float, nothing: bool
) -> None:
    for choice in (SeatChoice(seat_cut_mm=change_mm), SeatChoice(shims_mm=(change_mm,))):
        assert ("mm" not in _choice_text(choice, Units())) == nothing


def test_a_plan_reaches_five_millimetres_either_way() -> None:
    heights_mm = np.array([60.0, 5.0])
    down = Branch(heights_mm, 20.0 * (60.0 - heights_mm))
    none = Branch(np.array([]), np.array([]))
    sweep = Sweep("0", "1", Origin.KEYED, down, none, 1.0, 0.0, 0.0)
    larch = SetCurves("larch", "single", (fit_curve("1", [sweep], free_length_mm=60.0),), 5.0)
    plan = _load_by_change(((larch, 40.0),), {})
    assert (plan.known[0][0], plan.known[-1][0]) == (-5.0, 5.0)


def test_what_wire_and_coils_say() -> None:
    """d (n + 2) and 1.5 n (0.0015 D^2/d + 0.1 d): Shigley, table 10-1, and EN 13906-1."""
    coil = Coil(4.0, 5.0, 28.0)
    assert coil.solid_height_mm == 28.0
    assert coil.smallest_gap_mm == pytest.approx(7.5 * (0.0015 * 784.0 / 4.0 + 0.4))
    assert replace(coil, coil_diameter_mm=None).smallest_gap_mm is None


@pytest.mark.parametrize("text", ["a\\u202eb", "a\\u001b[31mb", "a\\nb", "a\\u2028b"])
def test_what_could_be_taken_for_more_than_text_is_refused_where_it_stands(text: str) -> None:
    for spoilt in (BUILD.replace("card", text), BUILD.replace("larch", text)):
        with pytest.raises(CoilbenchError, match=r"line \d+, \w+\.\w+.*control characters"):
            parse_build(spoilt, "b.toml")
    assert parse_build(BUILD.replace("card", "Käfer 山 ± 2"), "b.toml").cam.name == "Käfer 山 ± 2"


@pytest.mark.parametrize("filler", ["# {}", 'x = "{}"'])
def test_a_text_is_as_long_as_may_be_and_no_longer(filler: str) -> None:
    room = 50_000 - len(BUILD) - len(filler) + 2
    parse_build(BUILD + "# " + "." * (50_000 - len(BUILD) - 2), "b.toml")
    with pytest.raises(CoilbenchError, match="more than 50000 characters"):
        parse_build(BUILD + filler.format("y" * (room + 1)), "b.toml")


@pytest.mark.parametrize(("parts", "said"), [(101, "unknown key"), (102, "100 dots in a line")])
def test_a_key_has_as_many_parts_as_may_be(parts: int, said: str) -> None:
    with pytest.raises(CoilbenchError, match=said):
        parse_build(BUILD + ".".join(["a"] * parts) + " = 1\n", "b.toml")
