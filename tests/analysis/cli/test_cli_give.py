"""The give of scale and press: said where it is in no ± of what is read by hand, else corrected."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from coilbench.analysis.inputs.keying import Desk
from coilbench.capture.book.keyed_readings import last_setup
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import find_set
from coilbench.capture.calibration.keyed_setup import KeyedSetup

Call = Callable[..., Any]
WORDS = "scale and press give"
BUILD = """
[cam]
valve_lift = "10.9 mm"
seat_load = "23 kg"
open_load = "41 kg"
[head]
installed_height = "38.5 mm"
valves = 2
[springs]
outer = ["elm"]
"""


def said_once(out: str) -> bool:
    return " ".join(out.split()).count(WORDS) == 1


@pytest.fixture
def build(tmp_path: Path) -> str:
    path = tmp_path / "road.toml"
    path.write_text(BUILD)
    return str(path)


def elm(call: Call, lines: list[str]) -> str:
    assert call("set", "new", "elm", "--role", "single", "--count", "3").status == 0
    said = call("note", "--set", "elm", *lines)
    assert said.status == 0
    return str(said.out)


def test_readings_by_hand_say_it_once_wherever_their_uncertainty_matters(
    call: Call, build: str
) -> None:
    """18 kg over 10.9 mm: 1.65 kg for each millimetre."""
    noted = elm(call, [f"{n} {at}" for n in (1, 2, 3) for at in ("38.5mm 23kg", "27.6mm 41kg")])
    assert said_once(noted)
    assert "SCALE.md" in noted.splitlines()[-1]
    at = ("--at", "38.5mm")
    for command in (
        ("pair", build),
        ("assign", build),
        ("set", "check", "elm", *at, "--budget"),
        ("set", "check", "elm", *at, "--budget", "--why", "elm-01"),
    ):
        said = call(*command)
        assert said_once(said.out)
        assert "1.65 kg" in " ".join(said.out.split())
    assert WORDS not in call("set", "check", "elm", *at).out


def test_loads_that_a_file_states_are_not_said_to_be_read_by_hand(
    call: Call, build: str, tmp_path: Path
) -> None:
    assert call("set", "new", "elm", "--role", "single", "--count", "3").status == 0
    rows = [f"elm-0{n},{mm},{kg}" for n in (1, 2, 3) for mm, kg in ((38.5, 23.0), (27.6, 41.0))]
    file = tmp_path / "points.csv"
    file.write_text("\n".join(["label,height_mm,load_kg", *rows]))
    assert call("import", str(file), "--set", "elm").status == 0
    assert WORDS not in call("pair", build).out
    assert WORDS not in call("set", "check", "elm", "--at", "38.5mm", "--budget").out


# A scale and a press that give 0.02 mm/kg under a spring of 1.6 kg/mm, 53 mm long. The quill is
# exact to its step, so the spring stands where 53 - h = quill's depth - give.
GIVE_PER_KG, RATE, FREE = 0.02, 1.6, 53.0
STATED = ("--give", "0.8mm@40kg", "--give", "1.6mm@80kg")


def shown_at(quill_mm: float) -> float:
    """Solve load = RATE (FREE - quill - GIVE load): what the scale shows, kg."""
    return RATE * (FREE - quill_mm) / (1.0 + RATE * GIVE_PER_KG)


def beech(call: Call, *how: str) -> None:
    assert (
        call("set", "new", "beech", "--role", "single", "--count", "3", "--free-length", "53mm")
    ).status == 0
    lines = [f"{n} {mm}mm {shown_at(mm):.1f}kg" for n in (1, 2) for mm in (38.0, 27.0)]
    lines += [f"3 {53 - mm}mm down {shown_at(mm):.1f}kg" for mm in (38.0, 27.0)]
    assert call("note", "--set", "beech", *lines, *how).status == 0


def checked(call: Call, height_mm: float) -> list[dict[str, Any]]:
    said = call("set", "check", "beech", "--at", f"{height_mm}mm", "--json").document
    return [spring["readings"][0] for spring in said["springs"]]


def test_told_it_corrects_heights_and_depths_and_counts_in_the_budget(call: Call) -> None:
    beech(call, *STATED)
    true_n = RATE * (FREE - 38.4) * 9.80665
    for read in checked(call, 38.4):
        assert abs(read["load_n"] - true_n) < 1.0  # 0.05 kg of rounding is 0.5 N
    budget = call("set", "check", "beech", "--at", "38.4mm", "--budget").out
    assert budget.count("give of scale and press") == 3


def test_not_told_it_is_off_by_more_than_the_interval(call: Call) -> None:
    """So the test above would fail without the correction."""
    beech(call)
    true_n = RATE * (FREE - 38.0) * 9.80665
    assert all(abs(read["load_n"] - true_n) > read["load_u_n"] for read in checked(call, 38.0))


def test_it_is_carried_over_said_and_taken_away(call: Call) -> None:
    beech(call, *STATED)
    later = call("note", "--set", "beech", "3 33mm 31kg")
    assert "As the last time: give 1.60 mm at 80.00 kg" in later.out
    assert WORDS not in later.out
    row = call("set", "readings", "beech", "3", "--json").document["readings"][-1]
    assert row["spring_height_mm"] == pytest.approx(33.0 + 31.0 * GIVE_PER_KG)
    assert "give 1.60 mm at 80.00 kg" in call("set", "readings", "beech").out
    without = call("note", "--set", "beech", "--give", "none", "3 30mm 36kg")
    assert WORDS in without.out
    row = call("set", "readings", "beech", "3", "--json").document["readings"][-1]
    assert row["spring_height_mm"] == 30.0


def test_depths_of_another_free_length_keep_it(call: Call) -> None:
    beech(call, *STATED)
    assert call("set", "edit", "beech", "--free-length", "53.4mm").status == 0
    rows = call("set", "readings", "beech", "3", "--json").document["readings"]
    counting = [row for row in rows if row["counts"]]
    assert [row["spring_height_mm"] for row in counting] == pytest.approx(
        [53.4 - row["depth_mm"] + GIVE_PER_KG * row["load_n"] / 9.80665 for row in counting]
    )


def test_a_reading_is_replaced_and_doubted_where_the_quill_stood(call: Call) -> None:
    beech(call, *STATED)
    assert call("note", "--set", "beech", "--replace", "1 38mm 23.1kg").status == 0
    slip = call("note", "--set", "beech", "2 38mm 41kg")
    assert slip.status == 2
    assert "38.00 mm" in slip.err


def test_points_of_a_file_take_it_too(call: Call, tmp_path: Path) -> None:
    assert call("set", "new", "beech", "--role", "single", "--count", "3").status == 0
    file = tmp_path / "points.csv"
    rows = [f"{n},{mm},{shown_at(mm):.1f}" for n in (1, 2, 3) for mm in (38.0, 27.0)]
    file.write_text("\n".join(["label,height_mm,load_kg", *rows]))
    assert call("import", str(file), "--set", "beech", *STATED).status == 0
    true_n = RATE * (FREE - 38.4) * 9.80665
    assert all(abs(read["load_n"] - true_n) < 2.0 for read in checked(call, 38.4))


def test_a_press_of_the_plans_is_asked_for_where_the_faces_then_are(
    call: Call, tmp_path: Path
) -> None:
    """By the load that the set's other readings foretell there."""
    beech(call, *STATED)
    with open_book(tmp_path / "b.db") as db:
        record = find_set(db, "beech")
        setup, _ = last_setup(db, record) or (KeyedSetup(), "")
        stop_mm = Desk(db, record, setup).stop_mm(38.4)
    assert stop_mm == pytest.approx(38.4 - GIVE_PER_KG * RATE * (FREE - 38.4), abs=0.06)


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (("--give", "1.6mm"), "names no load"),
        (("--give", "1.6mm@0kg"), "1.60 mm at 0.00 kg is impossible"),
        (("--give", "1.6mm@0.8kg"), "1.60 mm at 0.80 kg is impossible"),
        (("--give", "16mm@80kg"), "16.00 mm at 80.00 kg is impossible"),
        (("--give", "none", "--give", "1.6mm@80kg"), "none beside a point"),
    ],
)
def test_what_is_no_give_is_refused(call: Call, given: tuple[str, ...], said: str) -> None:
    assert call("set", "new", "beech", "--role", "single", "--count", "3").status == 0
    refused = call("note", "--set", "beech", "1 38mm 23kg", *given)
    assert refused.status == 2
    assert said in refused.err


def test_a_give_that_lifts_the_faces_above_the_free_length_is_refused(call: Call) -> None:
    made = call("set", "new", "beech", "--role", "single", "--count", "3", "--free-length", "53mm")
    assert made.status == 0
    refused = call("note", "--set", "beech", "1 52mm 12kg", "--give", "1.6mm@16kg")
    assert refused.status == 2
    assert (
        "with the give 1.20 mm the height 53.20 mm is above the free length 53.00 mm" in refused.err
    )
    assert call("set", "readings", "beech").out.count("beech-01") == 0


def test_near_solid_is_judged_between_the_faces_not_at_the_quill(call: Call) -> None:
    """The quill at 24.4 mm would be solid; the faces are 1.2 mm farther apart."""
    sizes = ("--free-length", "53mm", "--solid-height", "24.5mm")
    assert call("set", "new", "beech", "--role", "single", "--count", "3", *sizes).status == 0
    line = "1 24.4mm 60kg"
    assert call("note", "--set", "beech", line, "--yes").status == 2
    told = call("note", "--set", "beech", line, "--yes", "--give", "1.6mm@80kg")
    assert told.status == 0, told.err
