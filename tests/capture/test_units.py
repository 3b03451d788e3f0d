"""Quantities with units: definitions, what people type, and what cannot be read."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench.analysis.report.units import Units
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.units import (
    counted,
    known_to,
    parse_fraction,
    parse_length_mm,
    parse_load_n,
    parse_mass_g,
    parse_number,
    parse_rate_n_per_mm,
    parse_stress_mpa,
)


@pytest.mark.parametrize(
    ("parse", "text", "value"),
    [
        (parse_load_n, "1 kg", 9.80665),  # 3rd CGPM, 1901
        (parse_load_n, "1kgf", 9.80665),
        (parse_load_n, "75 lbf", 75 * 0.45359237 * 9.80665),  # the pound of 1959, same gravity
        (parse_load_n, "75 lbs", 75 * 0.45359237 * 9.80665),
        (parse_load_n, "330N", 330.0),
        (parse_length_mm, "1in", 25.4),  # international inch, 1959
        (parse_length_mm, '1.5"', 38.1),
        (parse_length_mm, "38,5 mm", 38.5),
        (parse_mass_g, "1lb", 453.59237),
        (parse_mass_g, "2 lbs", 907.18474),
        (parse_mass_g, "16 oz", 453.59237),
        (parse_stress_mpa, "1ksi", 1000 * 0.45359237 * 9.80665 / 25.4**2),
        (parse_fraction, "5 %", 0.05),
        (parse_number, " 4,5 ", 4.5),
        (parse_number, "-1e-3", -0.001),
        (parse_rate_n_per_mm, "1.6kg/mm", 1.6 * 9.80665),
        (parse_rate_n_per_mm, "90 lbf / in", 90 * 0.45359237 * 9.80665 / 25.4),
        (parse_rate_n_per_mm, "16N/mm", 16.0),
    ],
)
def test_what_people_type(parse, text, value):
    assert parse(text) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("parse", "text", "words"),
    [
        (parse_load_n, "34", "has no unit"),
        (parse_load_n, "34mm", "not a unit of load"),
        (parse_load_n, "kg", "is not a load"),
        (parse_load_n, "", "is not a load"),
        (parse_length_mm, "1,234mm", "ambiguous"),
        (parse_length_mm, "1.2.3mm", "is not a length"),
        (parse_length_mm, "1e999mm", "too large"),
        (parse_length_mm, "1e308mm", "too large"),
        (parse_load_n, "-1.01e12N", "too large"),
        (parse_length_mm, "٣٨mm", "is not a length"),  # Arabic digits
        (parse_number, "３８", "is not a number"),
        (parse_length_mm, "nan mm", "is not a length"),
        (parse_fraction, "5", "has no unit"),
        (parse_rate_n_per_mm, "16", "is not a rate"),
        (parse_rate_n_per_mm, "16N", "is not a rate"),
        (parse_rate_n_per_mm, "16N/kg", "is not a rate"),
        (parse_rate_n_per_mm, "16/mm", "has no unit"),
        (parse_rate_n_per_mm, "16N/mm/mm", "is not a rate"),
        (parse_number, "½", "is not a number"),
    ],
)
def test_what_cannot_be_read_is_one_sentence(parse, text, words):
    with pytest.raises(CoilbenchError, match=words) as told:
        parse(text)
    assert "\n" not in str(told.value)
    assert told.value.hint


@given(text=st.text(max_size=20))
@settings(max_examples=200)
def test_any_text_is_a_finite_number_or_a_sentence(text):
    for parse in (parse_load_n, parse_length_mm, parse_fraction, parse_rate_n_per_mm):
        try:
            assert math.isfinite(parse(text))
        except CoilbenchError:
            continue


@given(load_n=st.floats(0.0, 5e3), length_mm=st.floats(0.0, 500.0))
@settings(max_examples=50)
def test_what_is_shown_reads_back(load_n, length_mm):
    for units, load_step, length_step in (
        (Units(), 0.1, 0.01),
        (Units("N", "mm"), 0.1, 0.01),
        (Units("lbf", "in"), 0.5, 0.03),
    ):
        assert parse_load_n(units.load_text(load_n)) == pytest.approx(load_n, abs=load_step)
        assert parse_length_mm(units.length_text(length_mm)) == pytest.approx(
            length_mm, abs=length_step
        )
        rate = units.rate_value(parse_rate_n_per_mm(f"{load_n:.6f}N/mm"))
        assert rate == pytest.approx(
            units.load_value(load_n) / units.length_value(1.0), rel=1e-6, abs=1e-4
        )
    assert Units().load_text(None) == Units().length_text(None) == Units().rate_text(None) == "-"


def test_one_is_one_and_none_are_many():
    assert [counted(n, "stroke") for n in (0, 1, 2)] == ["0 strokes", "1 stroke", "2 strokes"]


@pytest.mark.parametrize(
    ("value", "u", "kept"),
    [
        (229.23456, 1.0, 229.2),
        (229.23456, 0.99, 229.23),
        (229.23456, 14.0, 229.0),
        (229.23456, 140.0, 230.0),
        (229.23456, 0.0, 229.23456),
        (229.23456, float("inf"), 229.23456),
    ],
)
def test_a_number_goes_no_further_than_it_is_known(value: float, u: float, kept: float) -> None:
    """JCGM 100:2008, 7.2.6: at most two digits of an uncertainty."""
    assert known_to(value, u) == kept
