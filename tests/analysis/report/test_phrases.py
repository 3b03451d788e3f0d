"""Findings are said in the user's units, and stored ones as they were kept."""

from __future__ import annotations

import json
import re

import pytest

from coilbench.analysis.report.document import describe, document, filled
from coilbench.analysis.report.limits_text import _bind
from coilbench.analysis.report.phrases import note_text
from coilbench.analysis.report.units import Units, significant
from coilbench.capture.blocks import Finding
from coilbench.capture.book.notes import with_finding

IMPERIAL = Units("lbf", "in")


def test_a_stored_note_is_said_in_the_users_units_and_an_older_one_as_it_is() -> None:
    note = json.dumps([{"kind": "stopped_early", "lowest_mm": 25.4, "reach_height_mm": 24.13}])
    assert note_text(note, Units()) == "stopped at 25.40 mm, 24.13 mm is required"
    assert note_text(note, IMPERIAL) == "stopped at 1.000 in, 0.950 in is required"
    assert note_text("stopped at 29.1 mm, wanted 26.0 mm", IMPERIAL) == (
        "stopped at 29.1 mm, wanted 26.0 mm"
    )
    assert note_text(None, IMPERIAL) is None


@pytest.mark.parametrize(
    ("note", "words"),
    [
        (None, "redone"),
        ("larch [2].csv", "larch [2].csv; redone"),
        ("12", "12; redone"),
        ('[{"kind": "pressed_again", "presses": 2}]', "pressed 2 times before the release; redone"),
    ],
)
def test_a_finding_is_added_to_any_note(note: str | None, words: str) -> None:
    assert note_text(with_finding(note, Finding.of("redone")), Units()) == words
    assert note is None or note_text(f"{note}; redone", Units()) == words  # as older books keep it


def test_a_sign_is_kept_where_it_says_the_direction() -> None:
    assert "+4.6 N" in describe(Finding.of("zero_not_regained", zero_return_n=4.6), Units("N"))
    assert "-2.1 N" in describe(Finding.of("zero_not_regained", zero_return_n=-2.1), Units("N"))


def test_a_finding_in_json_has_its_numbers_beside_its_kind_and_a_text_in_n_and_mm() -> None:
    found = document(Finding.of("check_failed", made_utc="2026-01-06", mass_kg=20.0,
                                error_percent=2.04, allowed_percent=1.0))  # fmt: skip
    assert (found["kind"], found["mass_kg"], found["error_percent"]) == ("check_failed", 20.0, 2.04)
    assert "20 kg read +2.04 % off, 1.00 % allowed" in found["text"]


def test_masses_are_pounds_beside_pounds_force() -> None:
    task = Finding.of("put_mass", mass_kg=20.0)
    assert "44.09 lb" in describe(task, IMPERIAL)  # 20 / 0.45359237
    assert not re.search(r"\bkg\b", describe(task, IMPERIAL))


def test_what_a_fit_noticed_is_in_the_users_units() -> None:
    units = Units()
    down = Finding.of("going_down", more_kg=-0.1)
    assert "reads 0.100 kg less" in describe(down, units)
    assert "reads 0.220 lb less" in describe(down, IMPERIAL)  # 0.1 / 0.45359237
    back = Finding.of("travel_back", moved_mm=0.0254)
    assert "differed by +0.025 mm" in describe(back, units)
    assert "differed by +0.0010 in" in describe(back, IMPERIAL)
    assert "a parabola" in describe(Finding.of("flex_curved", degree=2), units)
    assert "degree 3" in describe(Finding.of("flex_curved", degree=3), units)
    narrow = Finding.of("gauges_narrow", low_mm=25.4, high_mm=50.8)
    assert "cover 1.000 in to 2.000 in" in describe(narrow, IMPERIAL)
    assert describe("The cell is not linear", IMPERIAL) == "The cell is not linear"


def test_what_a_point_reads_as_has_two_decimals_and_no_minus_at_zero() -> None:
    read = Finding.of("load_read", counts=5.0, noise_counts=2.0, seems_kg=-0.001)
    assert "0.00 kg" in describe(read, Units())
    assert "-0" not in describe(read, Units())
    refused = Finding.of("point_refused", seems_kg=20.004, wanted_kg=10.0)
    assert {"20.00 kg", "10.00 kg"} <= set(re.findall(r"[\d.]+ kg", describe(refused, Units())))
    assert "44.10 lb" in describe(refused, IMPERIAL)  # 20.004 / 0.45359237


def test_a_gap_without_lost_samples_is_no_loss() -> None:
    gap = Finding.of("samples_missing", lost=0, unusable=0, longest_s=0.3)
    assert not re.search(r"\b0 samples", describe(gap, Units()))
    unusable = describe(Finding.of("samples_missing", lost=1, unusable=4, longest_s=0.3), Units())
    assert re.search("1 sample lost.*4 unusable.*0.30 s", unusable)


def test_a_template_takes_facts_and_what_is_worked_out() -> None:
    facts = {"load_n": -4.6, "height_mm": None, "rate_n_per_mm": 2.0, "label": "a"}
    words = "{label!r} {load_n} {load_n:abs} {more_mm:+} {height_mm} {rate_n_per_mm}"
    told = filled(words, facts, Units("N", "mm"), more_mm=1.0)
    assert told == "'a' -4.6 N 4.6 N +1.00 mm - 2.000 N/mm"
    nested = {"facts": facts, "curve": Finding.of("x", low_mm=2.0)}
    assert filled("{facts[load_n]}, {curve.facts[low_mm]}", nested, Units("N")) == "-4.6 N, 2.00 mm"
    assert filled("{label}", {"label": "{load_n}"}, Units()) == "{load_n}"  # a user's braces


@pytest.mark.parametrize(
    ("value", "said"), [(1e-14, "0"), (0.99e-9, "0"), (1.01e-9, "1.01e-09"), (0.01234, "0.0123")]
)
def test_what_is_only_the_computers_rounding_is_no_scatter(value: float, said: str) -> None:
    assert significant(value, 3) == said
    assert significant(-value, 3).removeprefix("-") == said


def test_what_is_usual_of_the_gaps_is_said_in_the_units_asked_for() -> None:
    facts = {"set": "elm", "solid_height_mm": 25.4, "margin_mm": 0.8, "limit_mm": 1.1}
    said = _bind("gaps_small")(facts, Units("lbf", "in"))
    assert "0.039 to 0.059 in" in said
    assert " mm" not in said
    assert "1 to 1.5 mm" in _bind("gaps_small")(facts, Units())
