"""The cam card: intake and exhaust, percentages, what is assumed, and one clear line for errors."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.build_parsing import parse_build
from coilbench.capture.blocks import Finding
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.unit_factors import KGF_N, LBF_N

CAM = """\
[cam]
name = "Lake six"
valve_lift = "10 mm"
seat_load = "34 kg"
open_load = "72 kg"
"""
REST = """\
[head]
installed_height = "39 mm"
{valves}
[springs]
outer = ["larch"]
inner = ["heron"]
"""
TWO = '[head.valves]\n"1 in" = {height = "39.1 mm", cam = "intake"}\n"1 ex" = {cam = "exhaust"}\n'


def build_of(cam: str = "", valves: str = "", rest: str = "", base: str = CAM) -> BuildFile:
    return parse_build(base + cam + REST.format(valves=valves) + rest, "six.toml")


def refused(cam: str = "", valves: str = "", rest: str = "", base: str = CAM) -> str:
    with pytest.raises(CoilbenchError) as caught:
        build_of(cam, valves, rest, base)
    assert len(str(caught.value).splitlines()) == 1
    return str(caught.value)


def test_one_card_serves_all_valves() -> None:
    build = build_of()
    assert build.cards == (build,)
    assert build.cam.side is None
    assert build.cam_of("1 in") is build.cam
    assert build.title == build.cam.name == "Lake six"


def test_a_part_overrides_the_card_key_by_key() -> None:
    exhaust = '[cam.exhaust]\nopen_load = "70 kg"\nopen_tolerance = "2 kg"\nmax_rpm = 5000\n'
    build = build_of(f"max_rpm = 6000\n{exhaust}", TWO)
    intake, other = build.cam_of("1 in"), build.cam_of("1 ex")
    assert (intake.open_load_n, other.open_load_n) == pytest.approx((72 * KGF_N, 70 * KGF_N))
    assert (intake.seat_load_n, other.seat_load_n) == pytest.approx((34 * KGF_N,) * 2)
    assert other.open_tolerance_n == pytest.approx(2 * KGF_N)
    assert (intake.max_rpm, other.max_rpm) == (6000.0, 5000.0)
    assert (intake.side, other.side) == ("intake", "exhaust")
    assert build.title == "Lake six"


def test_each_card_has_its_own_valves_and_heights() -> None:
    build = build_of('[cam.intake]\nvalve_lift = "11 mm"\n', TWO)
    assert {card.cam.side: dict(card.head.valve_heights_mm) for card in build.cards} == {
        "intake": {"1 in": 39.1},
        "exhaust": {"1 ex": 39.0},  # the head's own height
    }
    assert dict(build.head.valve_heights_mm) == {"1 in": 39.1, "1 ex": 39.0}
    assert [card.head.installed_height_mm for card in build.cards] == pytest.approx([39.1, 39.0])
    assert build.greatest_lift_mm == 11.0


def test_a_card_may_stand_in_two_parts_alone() -> None:
    part = '[cam.{side}]\nvalve_lift = "{lift} mm"\nseat_load = "34 kg"\nopen_load = "72 kg"\n'
    parts = part.format(side="intake", lift=10) + part.format(side="exhaust", lift=9)
    build = build_of(parts, TWO, base='[cam]\nname = "Lake"\n')
    assert [build.cam_of(valve).valve_lift_mm for valve in ("1 in", "1 ex")] == [10.0, 9.0]


def test_a_part_may_give_its_lift_the_other_way() -> None:
    lobe = 'lobe_lift = "7 mm"\nrocker_ratio = 1.5\nlash = "0.3 mm"\n'
    by_lobe = build_of(f"[cam.exhaust]\n{lobe}", TWO)
    assert by_lobe.cam_of("1 ex").valve_lift_mm == pytest.approx(10.2)
    assert by_lobe.cam_of("1 in").valve_lift_mm == 10.0
    base = CAM.replace('valve_lift = "10 mm"\n', lobe)
    by_valve = build_of('[cam.exhaust]\nvalve_lift = "9 mm"\n', TWO, base=base)
    assert by_valve.cam_of("1 ex").valve_lift_mm == 9.0
    assert by_valve.by_card[1].train.rocker_ratio is None
    assert by_valve.by_card[0].train.rocker_ratio == 1.5


def test_valves_that_do_not_say_their_cam_are_listed() -> None:
    valves = TWO + '"2 in" = "39 mm"\n"2 ex" = {height = "39 mm"}\n'
    message = refused('[cam.intake]\nopen_load = "70 kg"\n', valves)
    assert "'2 in', '2 ex'" in message
    assert "'1 in'," not in message
    assert 'cam = "intake"' in message
    assert "head.valves" in message


@pytest.mark.parametrize("valves", ["", "valves = 12"])
def test_two_cards_need_their_valves_listed(valves: str) -> None:
    assert "head.valves" in refused('[cam.intake]\nopen_load = "70 kg"\n', valves)


@pytest.mark.parametrize(
    ("cam", "valves", "says"),
    [
        ("[cam.inlet]\nmax_rpm = 1\n", TWO, ["cam.inlet", "unknown", "[cam.intake]"]),
        ("intake = 5\n", TWO, ["cam.intake", "5", "not a section", "[cam.intake]"]),
        ("[cam.intake]\nlift = 5\n", TWO, ["cam.intake.lift", "unknown", "line 7"]),
        ('[cam.intake]\nopen_load = "30 kg"\n', TWO, ["cam.intake.open_load", "above the seat"]),
        ('[cam.intake]\nvalve_lift = "-1 mm"\n', TWO, ["cam.intake.valve_lift", "'-1 mm'"]),
        ('[cam.intake]\nvalve_lift = "39.1 mm"\n', TWO, ["head.valves.'1 in'", "lift 39.10 mm"]),
        ("[cam.intake.intake]\nmax_rpm = 5\n", TWO, ["cam.intake.intake", "unknown"]),
        ("", TWO.replace("exhaust", "outlet"), ["'1 ex'.cam", "'outlet'", "'intake' or 'exhaust'"]),
        (
            "[cam.intake]\nmax_rpm = 5\n[cam.exhaust]\nmax_rpm = 5\n",
            '[head.valves]\n"1 in" = {cam = "intake"}\n',
            ["cam.exhaust", "no valve"],
        ),
        ("", '[head.valves]\n"1" = {height = 5}\n', ["head.valves.1.height", "no unit"]),
        ("", '[head.valves]\n"1" = {depth = "5 mm"}\n', ["head.valves.1.depth", "unknown", "cam"]),
        ("", '[head.valves]\n"1" = 5\n', ["head.valves.1", "no unit"]),
    ],
)
def test_what_cannot_be_in_a_card_of_two(cam: str, valves: str, says: list[str]) -> None:
    message = refused(cam, valves)
    for word in says:
        assert word in message, message


def test_a_valve_without_any_height() -> None:
    text = (CAM + REST.format(valves=TWO)).replace('installed_height = "39 mm"\n', "")
    with pytest.raises(CoilbenchError, match=r"'1 ex'.*no height.*installed_height"):
        parse_build(text, "six.toml")


def test_a_tolerance_that_is_not_given_is_the_cautious_one_and_said() -> None:
    """5 %, half of what is often allowed: common practice, no source."""
    build = build_of('seat_tolerance = "2 kg"\n')
    assert build.cam.open_tolerance_n == pytest.approx(0.05 * 72 * KGF_N)
    assert Finding.of("tolerance_assumed", ends=["open"], share=0.05) in build.notes
    both = build_of().notes
    assert Finding.of("tolerance_assumed", ends=["seat", "open"], share=0.05) in both
    given = build_of('seat_tolerance = "2 kg"\nopen_tolerance = "3 kg"\n').notes
    assert not any(note.kind == "tolerance_assumed" for note in given)


@settings(max_examples=30, deadline=None)
@given(percent=st.floats(0.01, 50.0).map(lambda p: round(p, 2)), comma=st.booleans())
def test_a_tolerance_in_percent_is_of_its_own_load(percent: float, comma: bool) -> None:
    text = str(percent).replace(".", ",") if comma else str(percent)
    cam = build_of(f'seat_tolerance = "{text}%"\nopen_tolerance = "{percent} %"\n').cam
    assert cam.seat_tolerance_n == pytest.approx(percent / 100 * 34 * KGF_N)
    assert cam.open_tolerance_n == pytest.approx(percent / 100 * 72 * KGF_N)


def test_a_percentage_is_of_the_load_of_the_part() -> None:
    build = build_of('open_tolerance = "10%"\n[cam.exhaust]\nopen_load = "60 kg"\n', TWO)
    tolerances = [build.cam_of(valve).open_tolerance_n for valve in ("1 in", "1 ex")]
    assert tolerances == pytest.approx([7.2 * KGF_N, 6.0 * KGF_N])


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ('seat_tolerance = "0%"', ["cam.seat_tolerance", "above 0", "5%"]),
        ('seat_tolerance = "51%"', ["cam.seat_tolerance", "'51%'", "out of range"]),
        ('seat_tolerance = "-5%"', ["cam.seat_tolerance", "above 0"]),
        ('seat_tolerance = "5"', ["cam.seat_tolerance", "no unit"]),
        ("seat_tolerance = 0.05", ["cam.seat_tolerance", "no unit", "5%"]),
        ('seat_tolerance = "5 mm"', ["cam.seat_tolerance", "mm"]),
    ],
)
def test_tolerances_that_cannot_be(line: str, says: list[str]) -> None:
    message = refused(f"{line}\n")
    for word in says:
        assert word in message, message


def test_the_name_is_the_files_where_none_is_given() -> None:
    base = CAM.replace('name = "Lake six"\n', "")
    assert build_of(base=base).cam.name == "six"
    assert parse_build(base + REST.format(valves=""), "lake").cam.name == "lake"


def test_pounds_as_people_write_them() -> None:
    build = build_of(base=CAM.replace("34 kg", "75 lbs").replace("72 kg", "160 LBS"))
    assert build.cam.seat_load_n == pytest.approx(75 * LBF_N)
    assert build.cam.open_load_n == pytest.approx(160 * LBF_N)


@pytest.mark.parametrize("zero", ["0", "0.0", '"0"', '"0 mm"'])
def test_a_lash_of_zero_needs_no_unit(zero: str) -> None:
    lobe = f"lobe_lift = '7 mm'\nrocker_ratio = 1.5\nlash = {zero}"
    build = build_of(base=CAM.replace('valve_lift = "10 mm"', lobe))
    assert build.cam.lash_mm == 0.0
    assert build.cam.valve_lift_mm == pytest.approx(10.5)
    assert not any(note.kind == "lash_assumed" for note in build.notes)


@pytest.mark.parametrize("wrong", ["0.3", "false", '"0.3"', "[]"])
def test_any_other_lash_does(wrong: str) -> None:
    lobe = f"lobe_lift = '7 mm'\nrocker_ratio = 1.5\nlash = {wrong}"
    assert "cam.lash" in refused(base=CAM.replace('valve_lift = "10 mm"', lobe))


@pytest.mark.parametrize("zero", ["seat_load = 0", "valve_lift = 0"])
def test_what_must_be_above_zero_is_not_helped(zero: str) -> None:
    key = zero.split(" ", maxsplit=1)[0]
    base = "\n".join(zero if line.startswith(key) else line for line in CAM.splitlines())
    assert f"cam.{key}" in refused(base=f"{base}\n")


def test_all_that_is_missing_is_told_with_an_example() -> None:
    with pytest.raises(CoilbenchError) as caught:
        parse_build('[cam]\nname = "x"\n[springs]\n[head]\n', "six.toml")
    for example in (
        'cam.seat_load = "34 kg"',
        'cam.open_load = "72 kg"',
        'cam.valve_lift = "10.2 mm" (or lobe_lift',
        'head.installed_height = "38.5 mm"',
        'springs.outer = ["larch"]',
    ):
        assert example in str(caught.value)


def test_what_is_missing_for_one_of_two_cards_says_for_which() -> None:
    base = CAM.replace('open_load = "72 kg"\n', "")
    message = refused('[cam.intake]\nopen_load = "72 kg"\n', TWO, base=base)
    assert "for [cam.exhaust]: cam.open_load" in message


@settings(max_examples=100, deadline=None)
@given(data=st.data())
def test_a_mangled_file_of_two_cards_is_refused_or_read(data: st.DataObject) -> None:
    parts = '[cam.intake]\nvalve_lift = "11 mm"\n[cam.exhaust]\nopen_tolerance = "5%"\n'
    text = CAM + parts + REST.format(valves=TWO)
    bits = ["", '"', "[", "=", "\n", "{}", "0", "5", "true", "cam", "[cam]", "%", "intake", "nan"]
    for _ in range(data.draw(st.integers(1, 3))):
        start = data.draw(st.integers(0, len(text)))
        end = data.draw(st.integers(start, min(start + 30, len(text))))
        text = text[:start] + data.draw(st.sampled_from(bits)) + text[end:]
    try:
        outcome: object = parse_build(text, "six.toml")
    except CoilbenchError as error:
        outcome = error
    assert isinstance(outcome, BuildFile) or len(str(outcome).splitlines()) == 1


def test_every_example_of_what_is_missing_is_taken() -> None:
    """The examples put into a file make one that can be read."""
    with pytest.raises(CoilbenchError) as caught:
        parse_build("[cam]\n[springs]\n[head]\n", "six.toml")
    shown = caught.value.what.partition(": ")[2].replace(
        " (or lobe_lift, rocker_ratio and lash)", ""
    )
    keys = [line.strip() for line in shown.split(", ")]
    sections: dict[str, list[str]] = {}
    for key in keys:
        section, _, rest = key.partition(".")
        sections.setdefault(section, []).append(rest)
    text = "".join(f"[{name}]\n" + "\n".join(lines) + "\n" for name, lines in sections.items())
    assert parse_build(text, "six.toml").cam.valve_lift_mm == pytest.approx(10.2)


def test_what_springs_lose_raises_both_loads_and_is_said() -> None:
    """By hand: 34 kg and 72 kg and 3 % of each are 35.02 kg and 74.16 kg."""
    build = build_of('seat_tolerance = "5%"\n', rest='[limits]\nloss_allowance = "3%"\n')
    cam = build.cam
    assert (cam.seat_load_n, cam.open_load_n) == pytest.approx((35.02 * KGF_N, 74.16 * KGF_N))
    assert cam.seat_tolerance_n == pytest.approx(1.7 * KGF_N)  # of what the card asks for
    (note,) = [note for note in build.notes if note.kind == "loss_allowance"]
    assert note["share"] == pytest.approx(0.03)
    assert (note["card_seat_n"], note["card_open_n"]) == pytest.approx((34 * KGF_N, 72 * KGF_N))
    none = build_of()
    assert none.cam.loss_allowance == 0.0
    assert not any(note.kind == "loss_allowance" for note in none.notes)


@pytest.mark.parametrize("value", ['"60%"', '"-1%"', '"3"', "0.03", '"3 mm"'])
def test_losses_that_cannot_be(value: str) -> None:
    assert "limits.loss_allowance" in refused(rest=f"[limits]\nloss_allowance = {value}\n")
