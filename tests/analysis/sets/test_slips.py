"""What is asked of a reading just typed: slips of the key are, sound readings are not."""

from __future__ import annotations

from pathlib import Path

import pytest

from coilbench.analysis.inputs.keying import DEEP_SHARE, STRANGE_MM, meant_height, strange_height
from coilbench.analysis.sets.courses import SAME_MM, ReadAt
from coilbench.analysis.sets.foretelling import NEAR_MM, Given
from coilbench.analysis.sets.slips import slips
from coilbench.capture.book.nominals import NominalLoad, SetNominal

KG = 9.80665
WATERTOWN = Path(__file__).parents[2] / "data" / "watertown1900_springs.csv"


def read(label: str, height_mm: float, load_kg: float, *, up: bool = False) -> ReadAt:
    """A reading good to 0.3 kg and 0.04 mm, k = 1: a bathroom scale and a quill."""
    return ReadAt(label, height_mm, load_kg * KG, not up, 0.3 * KG, 0.04, f"{label}:1")


def asked(one: ReadAt, *held: ReadAt, given: Given | None = None) -> list[str]:
    found = slips(one, held, given or Given())
    return [each.foretold.basis if each.foretold else each.kind for each in found]


TWELVE = [
    read(f"a{n:02}", height_mm, load_kg + 0.3 * (n % 3))
    for n in range(11)
    for height_mm, load_kg in ((38.5, 22.4), (27.6, 41.7))
]


@pytest.mark.parametrize(
    ("load_kg", "found"),
    [(41.9, []), (33.5, []), (31.9, ["mates"]), (419.0, ["mates"]), (4.19, ["mates"])],
)
def test_a_load_far_from_the_others_is_asked_about(load_kg: float, found: list[str]) -> None:
    """A fifth lower is a tired spring; a first digit or a decimal point is a slip: 419 for 41.9."""
    assert asked(read("b", 27.6, load_kg), *TWELVE) == found


def test_its_own_other_reading_tells_more_than_the_others() -> None:
    """A spring a tenth weaker at one height is so at the other."""
    own = read("b", 38.5, 20.2)
    assert asked(read("b", 27.6, 37.7), own, *TWELVE) == []
    assert asked(read("b", 27.6, 47.7), own, *TWELVE) == ["shape"]  # within 15 % of the others


@pytest.mark.parametrize(("share", "found"), [(0.1, []), (0.16, ["again"])])
def test_the_same_press_again_gives_the_same(share: float, found: list[str]) -> None:
    own = read("b", 27.6, 41.9)
    assert asked(read("b", 27.6, 41.9 * (1.0 + share)), own) == found


@pytest.mark.parametrize(
    ("high_kg", "low_kg", "falls"), [(22.4, 21.7, False), (22.4, 21.5, True), (41.9, 22.4, True)]
)
def test_no_spring_pushes_less_when_it_is_pressed_deeper(
    high_kg: float, low_kg: float, falls: bool
) -> None:
    """Twice hypot(0.3, 0.3) kg is 0.85 kg: less of a fall may be none."""
    found = slips(read("b", 27.6, low_kg), [read("b", 38.5, high_kg)])
    assert [one.kind == "falls" and one.impossible for one in found] == ([True] if falls else [])
    again = slips(read("b", 38.5, high_kg), [read("b", 27.6, low_kg)])
    assert [one.kind for one in again] == [one.kind for one in found]
    assert all(one.other is not None and one.other.name == "b:1" for one in found)


def test_the_way_up_lies_below_the_way_down() -> None:
    assert asked(read("b", 30.0, 20.0, up=True), read("b", 38.5, 22.4)) == []


@pytest.mark.parametrize(
    ("given", "load_kg", "found"),
    [
        (Given(SetNominal((NominalLoad(38.5, 24.0 * KG),))), 15.0, []),
        (Given(SetNominal((NominalLoad(38.5, 24.0 * KG),))), 13.0, ["nominal"]),
        (Given(SetNominal((NominalLoad(38.5, 24.0 * KG),))), 240.0, ["nominal"]),
        # Shigley, chapter 10: G d^4/(8 D^3 n) = 79350*4.5^4/(8*33^3*8.5) = 13.3 N/mm; 14.5 mm down
        (Given(free_length_mm=53.0, rate_n_per_mm=13.3), 22.4, []),
        (Given(free_length_mm=53.0, rate_n_per_mm=13.3), 224.0, ["dimensions"]),
        (Given(free_length_mm=53.0, rate_n_per_mm=13.3), 2.24, ["dimensions"]),
        (Given(free_length_mm=53.0), 224.0, []),  # nothing is known of it
        (Given(solid_height_mm=37.5), 22.4, []),
        (Given(solid_height_mm=37.51), 22.4, ["near solid"]),
    ],
)
def test_the_first_reading_is_held_against_what_is_given(
    given: Given, load_kg: float, found: list[str]
) -> None:
    assert asked(read("b", 38.5, load_kg), given=given) == found


def test_a_free_length_makes_a_line_of_one_reading() -> None:
    given = Given(free_length_mm=53.0)
    own = read("b", 38.5, 22.4)  # straight on: 39.2 kg at 27.6 mm
    assert asked(read("b", 27.6, 41.9), own, given=given) == []
    assert asked(read("b", 27.6, 60.0), own, given=given) == ["line"]
    assert asked(read("c", 27.6, 41.9), own, given=given) == []
    assert asked(read("c", 27.6, 419.0), own, given=given) == ["set"]


def test_two_readings_close_together_tell_little_of_one_far_from_them() -> None:
    """22.4 kg at 38.5 mm and 22.7 at 38.0: straight on, 27.6 mm would make 29 kg."""
    given = Given(free_length_mm=53.0)
    own = (read("b", 38.5, 22.4), read("b", 38.0, 22.7))
    assert asked(read("b", 27.6, 41.9), *own, given=given) == []
    assert asked(read("b", 27.6, 60.0), *own, given=given) == ["line"]
    between = (read("b", 38.5, 22.4), read("b", 27.6, 41.9))  # 32.0 kg in their middle
    assert asked(read("b", 33.0, 32.0), *between, given=given) == []
    assert asked(read("b", 33.0, 27.5), *between) == []
    assert asked(read("b", 33.0, 23.0), *between) == ["own_rate"]  # 0.1 kg/mm, then 3.5
    assert asked(read("b", 33.0, 15.0), *between) == ["falls", "line"]


def test_strange_and_meant_heights() -> None:
    known = [38.5, 27.6]
    assert not strange_height(38.5 + STRANGE_MM, known)
    assert strange_height(38.5 + STRANGE_MM + 0.01, known)
    assert meant_height(38.5 - NEAR_MM, known)
    assert not meant_height(38.5 - NEAR_MM - 0.01, known)
    assert not strange_height(15.0, [])
    assert not strange_height(DEEP_SHARE * 53.0, [], 53.0)
    assert strange_height(DEEP_SHARE * 53.0 - 0.01, [], 53.0)  # 15 for 15 mm down
    assert SAME_MM < NEAR_MM < STRANGE_MM


def watertown() -> list[ReadAt]:
    """Twelve real springs of 1900, read to 20 lbf and 0.01 in as printed."""
    rows = [
        line.split(",")
        for line in WATERTOWN.read_text().splitlines()
        if line and not line.startswith(("#", "label"))
    ]
    lbf_n, inch_mm = 4.4482216152605, 25.4
    return [
        ReadAt(label, float(h) * inch_mm, float(load) * lbf_n, way == "loading", 40.0, 0.1, label)
        for label, h, load, way in rows
    ]


def test_real_springs_are_seldom_asked_about_and_their_slips_always() -> None:
    """Watertown Arsenal, 1900: the weak one, 17, and the stiff one, 13, are in it."""
    real = watertown()
    doubted = [one for at, one in enumerate(real) if slips(one, real[:at] + real[at + 1 :])]
    assert len(doubted) <= len(real) // 10, [(one.label, one.height_mm) for one in doubted]
    for at, one in enumerate(real):
        held = real[:at] + real[at + 1 :]
        for load_n in (10.0 * one.load_n, one.load_n / 10.0):
            assert slips(one._replace(load_n=load_n), held), one


# 22.4 kg at 38.5 mm and 1.62 kg/mm from there on
@pytest.mark.parametrize("twins", [0, 1, 4])
@pytest.mark.parametrize(("load_kg", "found"), [(38.4, False), (40.4, True), (36.8, True)])
def test_two_figures_exchanged_show_in_the_rate_beside(
    load_kg: float, found: bool, twins: int
) -> None:
    """38.6 kg is right at 28.5 mm; what may be off is 0.35, or 0.5, of the 3.24 kg of 2 mm.

    But no less than three standard uncertainties: 3 hypot(0.3, 0.3) kg is 1.27 kg.
    """
    line = {mm: 22.4 + 1.62 * (38.5 - mm) for mm in (38.5, 30.5, 28.5, 26.5)}
    own = [read("b", mm, kg) for mm, kg in line.items() if mm != 28.5]
    mates = [read(f"t{n}", mm, kg) for n in range(twins) for mm, kg in line.items()]
    typed = read("b", 28.5, load_kg)
    basis = ["rate" if twins > 1 else "own_rate"]
    assert asked(typed, *own, *mates) == (basis if found else [])
