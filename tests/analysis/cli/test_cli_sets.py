"""`coilbench set …`: one spring's rulings, nominals, the same springs again, the curves drawn."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest

KG = 9.80665
AT = ("--at", "38.5mm", "--at", "27.6mm")
FINE = ("--resolution", "0.01kg", "--repeatability", "0.02kg", "--quill", "0.01mm")

Call = Callable[..., Any]  # says what conftest.py's Said is


# ------------------------------------------------------------------------- why


def test_why_tells_every_rule_about_one_spring(larch: Call) -> None:
    said = larch("set", "check", "larch", *AT, "--why", "larch-08")
    assert said.status == 1
    assert said.out.startswith("larch-08: weak\n")
    told = " ".join(said.out.split())
    assert re.search(r"WEAK.*\b20\.70 kg.*\b38\.50 mm.*\b9\.8% below", told)
    assert "set outlier" in told
    assert re.search(r"\b5\.0%.*alarm", told)
    sound = larch("set", "check", "larch", *AT, "--why", "larch-01")
    assert sound.status == 0  # the exit status is that spring's alone
    assert sound.out.startswith("larch-01: no flag\n")
    assert "passes" in sound.out


def test_why_as_json_has_the_rulings_of_that_spring(larch: Call) -> None:
    told = larch("set", "check", "larch", *AT, "--why", "larch-08", "--json").document
    assert told["label"] == "larch-08"
    weak = [one for one in told["rulings"] if one["outcome"] == "weak"]
    assert {one["height_mm"] for one in weak if one["rule"] == "set_tolerance"} >= {38.5, 27.6}


def test_why_of_a_spring_that_is_not_there_or_not_measured(
    larch: Call, content: Callable[[], str]
) -> None:
    before = content()
    larch("set", "check", "larch", *AT, "--why", "larch-99").refused("no spring 'larch-99'")
    assert content() == before
    assert larch("set", "new", "elm", "--role", "inner", "--labels", "a,b").status == 0
    assert larch("note", "--set", "elm", "a 38.5mm 10kg").status == 0
    larch("set", "check", "elm", *AT[:2], "--why", "b").refused("'b'.*checked")


def test_a_flag_tells_its_two_strongest_reasons_and_where_the_others_are(larch: Call) -> None:
    said = larch("set", "check", "larch", *AT)
    (line,) = [line for line in said.out.splitlines() if line.startswith("larch-08 weak")]
    assert line.count("below the set's middle") == 2
    assert re.search(r"\b1\b.*--why larch-08\.", line)
    (flag,) = larch("set", "check", "larch", *AT, "--json").document["springs"][7]["flags"]
    assert flag["reason"].count("below the set's middle") == 3


def test_one_apart_within_tolerance_is_named_and_no_flag(call: Call) -> None:
    """Ten springs of 1.63 kg/mm and 53 mm, each read three times; the fourth has 1.5 % less."""
    assert call("set", "new", "elm", "--role", "outer", "--count", "10").status == 0
    lines = [
        f"{number} {height}mm {1.63 * (0.985 if number == 4 else 1.0) * (53 - height) + off:.2f}kg"
        for number in range(1, 11)
        for height in (38.5, 27.6)
        for off in (0.01, 0.0, -0.01)
    ]
    assert call("note", "--set", "elm", *FINE, *lines).status == 0
    said = call("set", "check", "elm", *AT)
    assert said.status == 0
    assert "No spring stands out" not in said.out
    assert re.findall(r"^elm-\d\d (?=apart, within tolerance)", said.out, re.M) == ["elm-04 "]
    assert "within tolerance" in call("set", "check", "elm", *AT, "--why", "elm-04").out
    told = call("set", "check", "elm", *AT, "--json").document
    assert told["apart_within"] == ["elm-04"]
    assert not any(one["flags"] for one in told["springs"])


def test_two_springs_alone_are_told_from_nothing(call: Call) -> None:
    assert call("set", "new", "elm", "--role", "inner", "--labels", "a,b").status == 0
    assert call("note", "--set", "elm", "a 38.5mm 10kg", "b 38.5mm 14kg").status == 0
    said = call("set", "check", "elm", "--at", "38.5mm")
    assert "Fewer than 3 springs have no middle to be compared with" in said.out
    assert "No spring stands out" not in said.out
    held = call("set", "check", "elm", "--nominal", "14kg@38.5mm")
    assert held.status == 1
    assert re.search(r"\ba weak.*\b10\.00 kg.*\b38\.50 mm.*\b28\.6% below", held.out)


# ------------------------------------------------------------------------- nominals


def weak_ones(said: Any) -> list[str]:
    return [
        spring["label"]
        for spring in said.document["springs"]
        if "weak" in [flag["kind"] for flag in spring["flags"]]
    ]


EVERY = [f"larch-{number:02d}" for number in range(1, 9)]


def test_a_wholly_tired_set_shows_against_a_nominal(larch: Call) -> None:
    assert weak_ones(larch("set", "check", "larch", *AT, "--json")) == ["larch-08"]
    typed = ("--nominal", "26kg", "--nominal", "42kg")
    assert weak_ones(larch("set", "check", "larch", *AT, *typed, "--json")) == EVERY
    placed = larch("set", "check", "larch", "--nominal", "26kg@38.5mm", "--json")
    assert weak_ones(placed) == EVERY
    assert [row["height_mm"] for row in placed.document["summary"]] == [38.5]
    assert placed.document["summary"][0]["nominal_n"] == pytest.approx(26.0 * KG)


def test_a_nominal_is_kept_and_shows_without_retyping(larch: Call) -> None:
    said = larch("set", "nominal", "larch", "26kg@38.5mm", "42kg@27.6mm")
    assert said.out == (
        "Set larch: nominal 26.00 kg at 38.50 mm\nSet larch: nominal 42.00 kg at 27.60 mm\n"
    )
    # alone, its heights are where the set is judged
    told = larch("set", "check", "larch", "--json")
    assert [row["height_mm"] for row in told.document["summary"]] == [38.5, 27.6]
    assert weak_ones(told) == EVERY
    # beside a height asked for it comes after, and still tells
    told = larch("set", "check", "larch", "--at", "27.6mm", "--json")
    assert [row["height_mm"] for row in told.document["summary"]] == [27.6, 38.5]
    assert told.document["summary"][0]["nominal_n"] == pytest.approx(42.0 * KG)
    assert weak_ones(told) == EVERY
    # what is typed comes before what is kept
    told = larch("set", "check", "larch", "--nominal", "23kg@38.5mm", "--json")
    assert told.document["summary"][0]["nominal_n"] == pytest.approx(23.0 * KG)
    # the table shows it, and so does set show
    shown = larch("set", "check", "larch").out
    assert "nominal" in shown.splitlines()[0]
    assert re.search(r"nominal.*\b26\.00 kg", shown)
    assert re.search(r"\b26\.00 kg.*\b38\.50 mm", larch("set", "show", "larch").out)


def test_a_nominal_where_nothing_was_measured_is_said_and_bars_nothing(larch: Call) -> None:
    assert larch("set", "nominal", "larch", "10kg@45mm", "42kg@27.6mm").status == 0
    said = larch("set", "check", "larch", "--at", "38.5mm")
    assert said.status == 1
    words = "no spring was measured at 45.00 mm: the nominal there is not used"
    assert f"Note: {words}." in said.out
    told = larch("set", "check", "larch", "--at", "38.5mm", "--json").document
    assert [row["height_mm"] for row in told["summary"]] == [38.5, 27.6]
    assert words in told["notes"]
    drawn = larch("set", "show", "larch", "--curves")
    assert re.search(r"larch.*\b27\.60 mm", drawn.out)


def test_a_nominal_with_a_tolerance_of_its_own_and_a_rate(larch: Call) -> None:
    """23 kg against 25 kg is 8 % low, 18 kg over 10.9 mm against 1.8 kg/mm is 8.3 % low."""
    arguments = ("set", "nominal", "larch", "25kg@38.5mm", "--rate", "1.8kg/mm")
    assert larch(*arguments, "--tolerance", "10%").status == 0
    assert weak_ones(larch("set", "check", "larch", *AT, "--json")) == ["larch-08"]
    assert larch(*arguments).status == 0
    told = larch("set", "check", "larch", *AT, "--why", "larch-01")
    assert re.search(r"nominal.*\b25\.00 kg", " ".join(told.out.split()))
    assert re.search(r"nominal.*\b1\.800 kg/mm", " ".join(told.out.split()))
    kept = larch("set", "nominal", "larch", "--json").document["nominal"]
    assert kept["rate_n_per_mm"] == pytest.approx(1.8 * KG)
    assert kept["tolerance"] is None
    assert larch("set", "nominal", "larch", "--clear").status == 0
    assert larch("set", "show", "larch", "--json").document["set"]["nominal"] is None


def test_a_nominal_is_given_with_the_new_set_in_any_unit(call: Call) -> None:
    arguments = ("set", "new", "elm", "--role", "single", "--count", "2")
    assert call(*arguments, "--nominal", "75lbf@1.5in", "--nominal-rate", "90lbf/in").status == 0
    kept = call("set", "show", "elm", "--json").document["set"]["nominal"]
    # pound-force and inch: international pound and yard agreement, 1959
    assert kept["loads"][0]["load_n"] == pytest.approx(75 * 4.4482216152605)
    assert kept["loads"][0]["height_mm"] == pytest.approx(38.1)
    assert kept["rate_n_per_mm"] == pytest.approx(90 * 4.4482216152605 / 25.4)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("set", "nominal", "larch", "24kg"), "names no height"),
        (("set", "nominal", "larch", "24@38.5mm"), "has no unit"),
        (("set", "nominal", "larch", "-4kg@38.5mm"), "No such option"),
        (("set", "nominal", "larch", "0kg@38.5mm"), "not above 0"),
        (("set", "nominal", "larch", "24kg@0mm"), "not above 0"),
        (("set", "nominal", "larch", "24kg@38.5mm", "24kg@27.6mm"), "is not less than at"),
        (("set", "nominal", "larch", "24kg@38.5mm", "25kg@38.5mm"), "two loads at 38.50 mm"),
        (("set", "nominal", "larch", "--tolerance", "8%"), "needs a load or a rate"),
        (("set", "nominal", "larch", "24kg@38mm", "--tolerance", "0%"), r"between.*\b0\b.*\b1\b"),
        (("set", "nominal", "larch", "--rate", "1.6kg"), "is not a rate"),
        (("set", "nominal", "larch", "24kg@38.5mm", "--clear"), "--clear"),
        (("set", "nominal", "oak", "24kg@38.5mm"), "there is no set 'oak'"),
        (("set", "check", "larch", *AT, "--nominal", "24kg"), r"\b1\b.*\b2\b.*heights"),
        (("set", "check", "larch", "--nominal", "9kg", "--nominal", "9kg@30mm"), "some loads name"),
        (("set", "check", "larch"), "no height to check at"),
        (("set", "list", "--jsom"), r"Did you mean '--json'\? See: "),
        (("set", "new", "oak", "--role", "outer", "--count", "2", "--free-length", "50mm",
          "--nominal", "20kg@55mm"), "below.*free length"),
    ],
)  # fmt: skip
def test_a_bad_nominal_is_one_line_and_changes_nothing(
    larch: Call, content: Callable[[], str], arguments: tuple[str, ...], words: str
) -> None:
    before = content()
    larch(*arguments).refused(words)
    assert content() == before


# ------------------------------------------------------------------------- the same springs again


def again(larch: Call, name: str = "after") -> Any:
    return larch("set", "new", name, "--again", "larch")


def test_again_takes_labels_dimensions_and_nominal(call: Call) -> None:
    first = ("set", "new", "elm", "--role", "inner", "--labels", "a,b", "--free-length", "45mm")
    assert call(*first, "--wire", "3mm", "--nominal", "10kg@35mm").status == 0
    said = call("set", "new", "elm-2", "--again", "elm", "--free-length", "44.5mm")
    assert said.status == 0
    assert re.search(r"elm-2.*\b2 springs", said.out)
    old, new = (call("set", "show", n, "--json").document for n in ("elm", "elm-2"))
    assert [row["label"] for row in new["springs"]] == ["a", "b"]
    assert new["set"] == old["set"] | {"name": "elm-2", "free_length_mm": 44.5}


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("after", "--again", "oak"), "there is no set 'oak'"),
        (("after", "--again", "larch", "--count", "8"), "--again takes role and labels"),
        (("after", "--again", "larch", "--role", "outer"), "--again takes role and labels"),
        (("after", "--again", "larch", "--labels", "a"), "--again takes role and labels"),
        (("larch", "--again", "larch"), "there is already a set 'larch'"),
        (("after",), "--role is missing"),
        (("after", "--role", "outer"), "--count.*--labels"),
    ],
)
def test_again_refuses_in_one_line(
    larch: Call, content: Callable[[], str], arguments: tuple[str, ...], words: str
) -> None:
    before = content()
    larch("set", "new", *arguments).refused(words)
    assert content() == before


def test_compare_tells_what_changed(larch: Call) -> None:
    assert again(larch).status == 0
    readings = [
        f"larch-{number:02d} {height} {kg * (0.9 if number == 8 else 1.0):.3f}kg"
        for number in range(1, 9)
        for height, kg in (("38.5mm", 22.4 if number < 8 else 23.0), ("27.6mm", 41.0))
    ]
    said = larch("note", "--set", "after", *FINE, *readings)
    assert said.status == 0
    told = larch("set", "compare", "larch", "after", *AT, "--json").document
    first, last = told["springs"][0], told["springs"][-1]
    # larch-01 showed 23 kg less 0.2 %, then 22.4 kg
    seat = first["readings"][0]
    assert seat["change_n"] == pytest.approx((22.4 - 23.0 * 0.998) * KG, abs=0.01)
    assert first["changed"] == (abs(seat["change_n"]) > seat["change_u_n"])
    assert last["readings"][0]["change_n"] == pytest.approx(0.0, abs=0.01)
    assert last["readings"][0]["verdict"] == "cannot_tell"
    shown = larch("set", "compare", "larch", "after", *AT)
    assert shown.status == 0
    assert re.search("Change.*larch", shown.out)
    assert "8 springs" in shown.out
    assert re.search("taken to be read off one\\s+scale", shown.out)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("larch", "oak", *AT), "there is no set 'oak'"),
        (("larch", "elm"), "no height to compare at"),
        (("larch", "after", *AT), "'after'.*measured"),
        (("larch", "larch", *AT), "with itself"),
        (("larch", "elm", *AT), "measured.*spring"),
        (("larch", "after", "--at", "high"), "is not a length"),
        (("larch", "after", "--build", "no.toml"), r"no\.toml"),
    ],
)
def test_compare_refuses_in_one_line(
    larch: Call, content: Callable[[], str], arguments: tuple[str, ...], words: str
) -> None:
    assert again(larch).status == 0
    assert larch("set", "new", "elm", "--role", "inner", "--labels", "a").status == 0
    assert larch("note", "--set", "elm", "a 38.5mm 10kg").status == 0
    before = content()
    larch("set", "compare", *arguments).refused(words)
    assert content() == before


# ------------------------------------------------------------------------- curves


def test_curves_are_drawn_with_the_flagged_one_as_a_letter(larch: Call) -> None:
    said = larch("set", "show", "larch", "--curves", *AT)
    assert said.status == 0
    lines = said.out.splitlines()
    assert re.search(r"larch.*\b38\.50 mm.*\b27\.60 mm", lines[0])
    assert lines[-1] == "A larch-08 weak   dots: the other 7"
    assert sum(line.count("A") for line in lines[1:-2]) > 5
    assert len(lines) <= 24
    assert max(map(len, lines)) <= 80
    assert "\x1b" not in said.out


def test_curves_say_what_is_not_measured(larch: Call) -> None:
    assert larch("set", "new", "elm", "--role", "inner", "--labels", "a,b").status == 0
    assert larch("note", "--set", "elm", "a 38.5mm 10kg", "a 27mm 20kg").status == 0
    assert re.search(r"\b1 spring\.", larch("set", "show", "elm", "--curves").out)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("larch", "--at", "38.5mm"), "--at goes with --curves"),
        (("larch", "--curves", "--json"), "--curves draws"),
        (("larch", "--curves", "--at", "12mm"), r"not at 12\.00 mm"),
        (("oak", "--curves"), "there is no set 'oak'"),
        (("new", "--curves"), "'new'.*measured"),
    ],
)
def test_curves_refuse_in_one_line(
    larch: Call, content: Callable[[], str], arguments: tuple[str, ...], words: str
) -> None:
    assert larch("set", "new", "new", "--role", "outer", "--count", "2").status == 0
    before = content()
    larch("set", "show", *arguments).refused(words)
    assert content() == before
