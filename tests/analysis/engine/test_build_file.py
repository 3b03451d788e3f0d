"""The build file: what it reads, and one clear line for whatever is wrong in it."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench.analysis.engine.build_file import BuildFile, Shim
from coilbench.analysis.engine.build_parsing import parse_build
from coilbench.analysis.engine.toml_source import _line_of
from coilbench.capture.blocks import Finding
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.unit_factors import INCH_MM, KGF_N, LBF_N

GOOD = """\
[cam]
name = "Lake six, road grind"
valve_lift = "10.2 mm"            # or lobe_lift, rocker_ratio, lash
seat_load = "34 kg"
seat_tolerance = "2 kg"
open_load = "72 kg"
open_tolerance = "3 kg"
max_rpm = 6200                    # optional

[head]
installed_height = "39.0 mm"
inner_offset = "2.0 mm"
max_seat_cut = "0.6 mm"
seat_cut_step = "0.1 mm"

[head.valves]
"1 in" = "39.1 mm"
"1 ex" = "38,8 mm"

[[shims]]
thickness = "0.5 mm"
count = 12

[[shims]]
thickness = "1 mm"

[limits]
coil_bind_margin = "1.3 mm"
max_shims = 3

[springs]
outer = ["larch", "rowan"]
inner = [
  "heron",
  "plover",
]
"""
LEAST = """\
[cam]
name = "card"
valve_lift = "10.2 mm"
seat_load = "34 kg"
seat_tolerance = "2 kg"
open_load = "72 kg"
open_tolerance = "3 kg"
[head]
installed_height = "39.0 mm"
[springs]
outer = ["larch"]
"""


def refused(text: str) -> str:
    with pytest.raises(CoilbenchError) as caught:
        parse_build(text, "six.toml")
    message = str(caught.value)
    assert "\n" not in message
    assert message.startswith("six.toml")
    return message


def changed(old: str, new: str) -> str:
    assert GOOD.count(old) == 1
    return GOOD.replace(old, new)


def test_every_number_is_read() -> None:
    build = parse_build(GOOD, "six.toml")
    assert build.name == "six.toml"
    cam = build.cam
    assert cam.name == "Lake six, road grind"
    assert cam.valve_lift_mm == pytest.approx(10.2)
    assert (cam.seat_load_n, cam.open_load_n) == pytest.approx((34 * KGF_N, 72 * KGF_N))
    assert (cam.seat_tolerance_n, cam.open_tolerance_n) == pytest.approx((2 * KGF_N, 3 * KGF_N))
    assert cam.max_rpm == 6200.0
    head = build.head
    assert dict(head.valve_heights_mm) == {"1 in": 39.1, "1 ex": 38.8}
    assert head.installed_height_mm == pytest.approx(38.95)  # the valves' mean, not 39.0
    assert head.lowest_height_mm == 38.8
    assert (head.inner_offset_mm, head.max_seat_cut_mm, head.seat_cut_step_mm) == (2.0, 0.6, 0.1)
    assert build.shims == (Shim(0.5, 12), Shim(1.0, None))
    assert (build.limits.coil_bind_margin_mm, build.limits.max_shims) == (1.3, 3)
    assert build.springs.outer == ("larch", "rowan")
    assert build.springs.inner == ("heron", "plover")
    assert build.notes == ()


def test_what_is_left_out_is_said() -> None:
    build = parse_build(LEAST.replace('"]\n', '"]\ninner = ["heron"]\n'), "six.toml")
    assert build.head.inner_offset_mm == 0.0
    assert build.head.max_seat_cut_mm == 0.0
    assert build.limits.coil_bind_margin_mm == 1.2
    assert build.cam.max_rpm is None
    assert any("inner_offset" in note.kind for note in build.notes)
    assert any("coil_bind_margin" in note.kind for note in build.notes)


def test_a_number_of_valves_instead_of_a_list() -> None:
    build = parse_build(LEAST.replace("[head]\n", "[head]\nvalves = 12\n"), "six.toml")
    assert build.head.valve_count == 12
    assert build.head.valve_heights_mm == {}
    assert build.head.installed_height_mm == 39.0
    assert parse_build(GOOD, "six.toml").head.valve_count == 2
    assert parse_build(LEAST, "six.toml").head.valve_count is None


def test_clearance_of_the_retainer() -> None:
    """Common practice, no source: about 0.05 in from retainer to seal at full lift."""
    text = LEAST.replace("[head]\n", '[head]\nretainer_clearance = "12.5 mm"\n')
    build = parse_build(text, "six.toml")
    assert build.clearance_mm == pytest.approx(2.3)
    assert build.limits.min_clearance_mm == 1.3
    assert Finding.of("min_clearance_assumed", limit_mm=1.3) in build.notes
    own = parse_build(text + '[limits]\nmin_clearance = "1 mm"\n', "six.toml")
    assert own.limits.min_clearance_mm == 1.0
    without = parse_build(LEAST, "six.toml")
    assert without.clearance_mm is None
    assert not any("min_clearance" in note.kind for note in without.notes)


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("valves = 0", ["head.valves", "0 is", ">= 1", "like 2"]),
        ("valves = 100", ["head.valves", "100 is", "<= 64"]),
        ("valves = 1.5", ["head.valves", "whole number"]),
        ('valves = "12"', ["head.valves", "whole number"]),
        ("retainer_clearance = 12", ["head.retainer_clearance", "unit"]),
        ('retainer_clearance = "-1 mm"', ["head.retainer_clearance", "'-1 mm'", "0 or more"]),
    ],
)
def test_valves_and_clearance_that_cannot_be(line: str, says: list[str]) -> None:
    message = refused(LEAST.replace("[head]\n", f"[head]\n{line}\n"))
    for word in says:
        assert word in message


def test_single_springs_need_no_offset() -> None:
    build = parse_build(LEAST, "six.toml")
    assert build.springs.inner == ()
    assert not any("inner_offset" in note.kind for note in build.notes)


def test_lift_from_the_lobe() -> None:
    """Common practice, no source: lift at the valve is lobe lift times ratio, less lash."""
    lobe = 'lobe_lift = "7.00 mm"\nrocker_ratio = 1.5\nlash = "0.30 mm"'
    build = parse_build(LEAST.replace('valve_lift = "10.2 mm"', lobe), "six.toml")
    assert build.cam.valve_lift_mm == pytest.approx(10.2)
    no_lash = lobe.replace('lash = "0.30 mm"', "")
    build = parse_build(LEAST.replace('valve_lift = "10.2 mm"', no_lash), "six.toml")
    assert build.cam.valve_lift_mm == pytest.approx(10.5)
    assert any("lash" in note.kind for note in build.notes)


def test_card_implies_a_rate() -> None:
    """Common practice, no source: 40 kg shut, 78 kg at 10.9 mm of lift imply 3.49 kg/mm."""
    text = LEAST.replace("10.2 mm", "10.9 mm").replace("34 kg", "40 kg").replace("72 kg", "78 kg")
    rate = parse_build(text, "six.toml").cam.implied_rate_n_per_mm
    assert rate / KGF_N == pytest.approx(3.49, abs=0.005)


def test_other_units_and_line_ends() -> None:
    text = LEAST.replace("34 kg", "75 lbf").replace("72 kg", "706 N").replace("39.0 mm", "1,5 in")
    build = parse_build("\ufeff" + text.replace("\n", "\r\n"), "six.toml")
    assert build.cam.seat_load_n == pytest.approx(75 * LBF_N)
    assert build.cam.open_load_n == pytest.approx(706.0)
    assert build.head.installed_height_mm == pytest.approx(1.5 * INCH_MM)


@pytest.mark.parametrize(
    ("old", "new", "line", "says"),
    [
        ("valve_lift =", "valv_lift =", 3, ["cam.valv_lift", "unknown", "valve_lift is meant"]),
        ("[limits]", "[limit]", 27, ["limit", "unknown", "limits is meant"]),
        ('"10.2 mm"', '"10.2"', 3, ["cam.valve_lift", "no unit"]),
        ('"10.2 mm"', "10.2", 3, ["cam.valve_lift", "unit", "quotes"]),
        ('"10.2 mm"', '"10.2 kg"', 3, ["cam.valve_lift", "kg", "length"]),
        ('"10.2 mm"', '"-10.2 mm"', 3, ["cam.valve_lift", "above 0"]),
        ('"10.2 mm"', '"1e300 mm"', 3, ["cam.valve_lift"]),
        ('"34 kg"', '"74 kg"', 6, ["cam.open_load", "above the seat load"]),
        ('"34 kg"', '"0 kg"', 4, ["cam.seat_load", "above 0"]),
        ('"2 kg"', '"0 kg"', 5, ["cam.seat_tolerance", "above 0"]),
        ('"3 kg"', '"-1 kg"', 7, ["cam.open_tolerance", "above 0"]),
        ("6200 ", "true ", 8, ["cam.max_rpm", "not a number"]),
        ("6200 ", "nan ", 8, ["cam.max_rpm", "not a number"]),
        ("6200 ", "0x" + "f" * 6000 + " ", 8, ["cam.max_rpm", "not a number"]),
        ('"39.0 mm"', '"9 mm"', 11, ["head.installed_height", "lift"]),
        ('"39.1 mm"', '"12 mm"', 17, ["head.valves.'1 in'", "inner", "10.00 mm", "lift"]),
        ('"0.6 mm"', '"-0.6 mm"', 13, ["head.max_seat_cut"]),
        ('"0.1 mm"', '"0 mm"', 14, ["head.seat_cut_step", "above 0"]),
        ('"0.1 mm"', '"0.00001 mm"', 13, ["head.max_seat_cut", "choices"]),
        ("count = 12", "count = -1", 22, ["shims[1].count", "-1"]),
        ("count = 12", "count = 1.5", 22, ["shims[1].count", "1.5"]),
        ('"1 mm"', '"0.5 mm"', 25, ["shims[2].thickness", "twice"]),
        ('"1 mm"', '"0 mm"', 25, ["shims[2].thickness", "above 0"]),
        ('thickness = "1 mm"', "", 24, ["shims[2]", "thickness", "missing"]),
        ("max_shims = 3", "max_shims = -1", 29, ["limits.max_shims"]),
        ("max_shims = 3", "max_shims = 100", 29, ["limits.max_shims", "stacks"]),
        ('"1.3 mm"', '"-1 mm"', 28, ["limits.coil_bind_margin"]),
        ('"rowan"', '"larch"', 32, ["springs.outer", "'larch'", "twice"]),
        ('"rowan"', "7", 32, ["springs.outer[2]", "7 is not text", "quotes"]),
        ('"plover"', '"larch"', 33, ["springs.inner", "'larch'", "outer"]),
        ('["larch", "rowan"]', "[]", 32, ["springs.outer", "[] is not a list", '["larch"]']),
        ('name = "Lake six, road grind"', "name = 6", 2, ["cam.name", "6 is not text", "quotes"]),
        ('seat_load = "34 kg"', "", 1, ["cam", "seat_load", "missing"]),
        ('"34 kg"', "34 kg", 4, ["TOML", "quotes"]),
        ("[head]", "[cam]", 10, ["TOML"]),
        ('valve_lift = "10.2 mm"', 'lobe_lift = "7 mm"', 1, ["rocker_ratio", "missing"]),
        ("seat_load =", 'lash = "0.2 mm"\nseat_load =', 4, ["cam.lash", "'0.2 mm'", "valve_lift"]),
    ],
)
def test_one_line_names_file_line_and_key(old: str, new: str, line: int, says: list[str]) -> None:
    message = refused(changed(old, new))
    assert f"line {line}," in message or f"line {line})" in message
    for word in says:
        assert word in message


def test_lash_that_eats_the_lift() -> None:
    lobe = 'lobe_lift = "1 mm"\nrocker_ratio = 1\nlash = "1 mm"'
    assert "cam.lobe_lift" in refused(changed('valve_lift = "10.2 mm"', lobe))


@pytest.mark.parametrize("section", ["cam", "head", "springs"])
def test_a_missing_section(section: str) -> None:
    parts = [part for part in f"\n{LEAST}".split("\n[") if not part.startswith(section)]
    message = refused("\n[".join(parts))
    assert f"missing: {section}." in message
    assert "line" not in message  # it stands on none


def test_all_missing_keys_are_told_at_once() -> None:
    text = LEAST.replace('seat_load = "34 kg"\n', "").replace('installed_height = "39.0 mm"\n', "")
    text = text.replace("open_load =", "lash =").replace("valve_lift", "lobe_lift")
    message = refused(text.replace('"72 kg"', '"0.1 mm"') + "[[shims]]\ncount = 2\n")
    keys = ["seat_load", "open_load", "rocker_ratio"]
    for key in (*(f"cam.{key}" for key in keys), "head.installed_height", "shims[1].thickness"):
        assert key in message
    assert message.startswith("six.toml, line 1, cam:")
    assert "Add each to its section" in message


def test_a_key_that_is_near_another_is_told_before_what_is_missing() -> None:
    assert "seat_load is meant" in refused(LEAST.replace("seat_load", "seat_laod"))
    assert "springs is meant" in refused(LEAST.replace("[springs]", "[spring]"))


def test_no_shims_is_an_answer() -> None:
    build = parse_build(GOOD.replace("max_shims = 3", "max_shims = 0"), "six.toml")
    assert build.limits.max_shims == 0
    assert not any("max_shims" in note.kind for note in build.notes)


@pytest.mark.parametrize(
    "text", ["cam = 1", "shims = 1", "springs = []", "[[cam]]", "x=" + "[" * 9999]
)
def test_wrong_shapes(text: str) -> None:
    refused(f"{text}\n")
    refused(f"{text}\n[springs]\nouter = ['larch']")


def test_the_line_of_a_key_is_where_its_statement_begins() -> None:
    text = 'a = """\nb = 1\n"""\nb = [\n  1,\n\n  2,\n]\nc.d = { e = 1 }\n[[f]]\n[[f]]\ng = 1\n'
    assert _line_of(text, ("a",)) == 1
    assert _line_of(text, ("b",)) == 4  # not line 2, which is inside a text
    assert _line_of(text, ("c", "d", "e")) == 9
    assert _line_of(text, ("f", 0)) == 10
    assert _line_of(text, ("f", 1, "g")) == 12
    assert _line_of(text, ("f", 1, "h")) is None
    assert _line_of(text.replace("\n", "\r\n"), ("f", 1)) == 11


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_mangled_text_is_refused_or_read_never_a_traceback(data: st.DataObject) -> None:
    text = GOOD
    for _ in range(data.draw(st.integers(1, 3))):
        start = data.draw(st.integers(0, len(text)))
        end = data.draw(st.integers(start, min(start + 40, len(text))))
        filling = st.text(max_size=6) | st.sampled_from(
            [
                "",
                '"',
                "[",
                "]]",
                "=",
                "\n",
                "-",
                "nan",
                "1e999",
                "0",
                "mm",
                "true",
                "{}",
                "1979-05-27",
            ]
        )
        text = text[:start] + data.draw(filling) + text[end:]
    try:
        outcome: object = parse_build(text, "six.toml")
    except CoilbenchError as error:
        outcome = error
    assert isinstance(outcome, BuildFile) or len(str(outcome).splitlines()) == 1


lengths = st.floats(0.01, 9.0).map(lambda number: round(number, 4))


@settings(max_examples=50, deadline=None)
@given(
    lift=lengths,
    height=lengths,
    seat=st.floats(1, 500),
    rise=st.floats(1, 500),
    comma=st.booleans(),
)
def test_numbers_come_back(
    lift: float, height: float, seat: float, rise: float, comma: bool
) -> None:
    def quantity(number: float, unit: str) -> str:
        digits = f"{number:.5f}"
        return f"{digits.replace('.', ',') if comma else digits} {unit}"

    text = LEAST.replace("10.2 mm", quantity(lift, "mm"))
    text = text.replace("39.0 mm", quantity(lift + height, "mm"))
    text = text.replace("34 kg", quantity(seat, "N")).replace("72 kg", quantity(seat + rise, "N"))
    build = parse_build(text, "six.toml")
    assert build.cam.valve_lift_mm == pytest.approx(lift, abs=1e-5)
    assert build.head.installed_height_mm == pytest.approx(lift + height, abs=1e-5)
    assert build.cam.seat_load_n == pytest.approx(seat, abs=1e-5)
    assert build.cam.open_load_n == pytest.approx(seat + rise, abs=1e-5)


def test_a_build_file_cannot_be_changed() -> None:
    build = parse_build(GOOD, "six.toml")
    with pytest.raises(AttributeError):
        build.cam.valve_lift_mm = 1.0  # type: ignore[misc]
