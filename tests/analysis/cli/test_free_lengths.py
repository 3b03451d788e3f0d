"""Loads that contradict the free length that depths are counted from: said, and asked about."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

Call = Callable[..., Any]
WORDS = "run out near"  # on the line through the readings
RATE_KG, TRUE_MM = 1.6, 50.0


def lines(free_mm: float = TRUE_MM, share: float = 1.0) -> list[str]:
    """Three springs of 50 mm, straight, keyed at heights."""
    return [
        f"{n} {mm}mm {share * RATE_KG * (free_mm - mm):.1f}kg"
        for n in (1, 2, 3)
        for mm in (38.0, 27.0)
    ]


@pytest.fixture
def ash(call: Call) -> Call:
    """Registered as 53 mm long, and 50 mm long."""
    new = ("set", "new", "ash", "--role", "outer", "--count", "3", "--free-length", "53mm")
    assert call(*new).status == 0
    return call


def test_it_is_said_where_readings_and_lengths_come_in(ash: Call) -> None:
    for command in (
        ("note", "--set", "ash", *lines()),
        ("set", "measure", "ash", "ash-01 mark red"),
        ("set", "edit", "ash", "--free-length", "54mm"),
    ):
        said = ash(*command)
        assert said.status == 0
        assert " ".join(said.out.split()).count(WORDS) == 1
        assert "3 of 3 springs run out near 50.0" in said.out


def test_a_depth_is_asked_about_and_refused_where_nobody_answers(ash: Call) -> None:
    assert ash("note", "--set", "ash", *lines()).status == 0
    ash("note", "--set", "ash", "1 20mm down 27.2kg").refused("contradict")
    assert ash("note", "--set", "ash", "--yes", "1 20mm down 27.2kg").status == 0
    assert ash("note", "--set", "ash", "2 33mm 27.2kg").status == 0  # a height needs no length


def test_measured_lengths_that_agree_end_it(ash: Call) -> None:
    assert ash("note", "--set", "ash", *lines()).status == 0
    own = [f"ash-0{n} free 50.1mm" for n in (1, 2, 3)]
    assert WORDS not in ash("set", "measure", "ash", *own).out
    assert ash("note", "--set", "ash", "1 17.1mm down 27.2kg").status == 0


@pytest.mark.parametrize(
    "keyed",
    [
        lines(53.0),  # they agree
        lines(52.4),  # within 2 %
        ["1 38mm 19.2kg", "1 27mm 36.8kg", *lines(53.0)[2:]],  # one spring of three
        ["1 15mm down 19.2kg", "1 26mm down 36.8kg"],  # depths follow the free length
        ["1 38mm 19.2kg", "2 38mm 19.2kg"],  # one height shows no line
        ["1 38mm 19.2kg", "1 37mm 20.8kg"],  # too near each other
    ],
)
def test_nothing_is_said_where_loads_do_not_contradict_it(ash: Call, keyed: list[str]) -> None:
    said = ash("note", "--set", "ash", *keyed)
    assert said.status == 0
    assert WORDS not in said.out


@pytest.mark.parametrize(
    ("tare", "over_kg", "suspected"),
    [((), 5.0, True), (("--tare", "1kg"), 6.0, False), ((), -5.0, False)],
)
def test_loads_that_are_all_too_high_name_the_tare_first(
    ash: Call, tare: tuple[str, ...], over_kg: float, suspected: bool
) -> None:
    """A tare that was taken off can't have been forgotten, nor one that makes loads too low."""
    keyed = [
        f"{n} {mm}mm {RATE_KG * (53.0 - mm) + over_kg:.1f}kg" for n in (1, 2, 3) for mm in (38, 27)
    ]
    said = " ".join(ash("note", "--set", "ash", *tare, *keyed).out.split())
    assert WORDS in said
    assert ("5.00 kg too high: was the tare forgotten?" in said) == suspected
    if suspected:
        assert said.index("tare forgotten") < said.index("--free-length")


@pytest.mark.parametrize(
    ("heights_mm", "accused"), [((38.0, 27.0), False), ((47.0, 38.0, 27.0), True)]
)
def test_a_length_is_accused_only_where_the_shape_near_it_is_known(
    ash: Call, heights_mm: tuple[float, ...], accused: bool
) -> None:
    """A two-rate spring of 53 mm, softer above 38 mm, pushes there as a straight one of 50 mm."""
    keyed = [f"{n} {mm}mm {RATE_KG * (50.0 - mm):.1f}kg" for n in (1, 2, 3) for mm in heights_mm]
    said = " ".join(ash("note", "--set", "ash", "--yes", *keyed).out.split())
    assert ("contradict each other" in said) == accused
    assert ("is right is not known" in said) != accused
    assert ("softer near its free height" in said) != accused
