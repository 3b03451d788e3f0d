"""Readings of a scale and a quill, typed."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from coilbench.capture.calibration.keyed_setup import KeyedSetup
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.tables.keyed import KeyedBranches, KeyedReading, parse_shown, with_units

KG = 9.80665  # N, exact: 3rd CGPM, 1901


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("larch-07 38.5mm 22.4kg", KeyedReading("larch-07", 22.4 * KG, height_mm=38.5)),
        ("larch-07 38,5mm 22,4kg", KeyedReading("larch-07", 22.4 * KG, height_mm=38.5)),
        ("larch-07 38.5 mm 22.4 kg", KeyedReading("larch-07", 22.4 * KG, height_mm=38.5)),
        ("larch-07 22.4kg 38.5mm", KeyedReading("larch-07", 22.4 * KG, height_mm=38.5)),
        ("larch-07 15mm down 22.4kg", KeyedReading("larch-07", 22.4 * KG, depth_mm=15.0)),
        ("larch-07 15 MM DOWN 22.4KG", KeyedReading("larch-07", 22.4 * KG, depth_mm=15.0)),
        ("larch-07 15mm down 22kg up", KeyedReading("larch-07", 22 * KG, None, 15.0, False)),
        ("7 38.5mm 22kg Up", KeyedReading("7", 22 * KG, 38.5, None, False)),
        ("7 1.5in 220N", KeyedReading("7", 220.0, height_mm=38.1)),
        ("7 1.5in 50 lbs", KeyedReading("7", 50 * 4.4482216152605, height_mm=38.1)),
        ('7 1.5" 50lbf', KeyedReading("7", 50 * 4.4482216152605, height_mm=38.1)),
        ("  7   38mm  22kg ", KeyedReading("7", 22 * KG, height_mm=38.0)),
    ],
)
def test_notes(text: str, expected: KeyedReading) -> None:
    read = KeyedReading.parse(text)
    assert (read.label, read.loading) == (expected.label, expected.loading)
    assert read.shown_load_n == pytest.approx(expected.shown_load_n, rel=1e-12)
    for ours, theirs in (
        (read.height_mm, expected.height_mm),
        (read.depth_mm, expected.depth_mm),
    ):
        assert ours is theirs or ours == pytest.approx(theirs, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "label, length or load is missing"),
        ("larch-07", "label, length or load is missing"),
        ("larch-07 38.5mm", "1 lengths and 0 loads"),
        ("38.5mm 22.4kg", "0 lengths and 1 loads"),
        ("larch-07 38.5mm 27mm 22.4kg", "2 lengths and 1 loads"),
        ("larch-07 38.5 22.4kg", "'38.5' has no unit"),
        ("larch-07 38.5mm 22.4", "'22.4' has no unit"),
        ("larch-07 38.5mm 22.4psi", "'22.4psi' cannot be read"),
        ("larch-07 38.5mm about 22.4kg", "'about' cannot be read"),
        ("larch-07 38.5mm 22.4kg down", "'down' marks a depth and comes right after it"),
        ("larch-07 down 38.5mm 22.4kg", "'down' marks a depth and comes right after it"),
        ("larch-07 15mm down down 22.4kg", "'down' marks a depth and comes right after it"),
        ("larch-07 15mm up 22.4kg", "'up' comes once, at the end"),
        ("larch-07 15mm 22.4kg up up", "'up' comes once, at the end"),
        ("larch-07 1,234mm 22.4kg", "'1,234' is ambiguous"),
        ("larch-07 38..5mm 22.4kg", "'38..5mm' is not a length"),
    ],
)
def test_notes_refused(text: str, said: str) -> None:
    with pytest.raises(CoilbenchError) as caught:
        KeyedReading.parse(text)
    assert str(caught.value).startswith(said)
    assert caught.value.hint


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("7 38.5 22.4", "7 38.5mm 22.4kg"),
        ("7 15 down 22,4 up", "7 15mm down 22,4kg up"),
        ("7 38.5mm 22.4", "7 38.5mm 22.4kg"),
        ("7 38.5 22.4kg", "7 38.5mm 22.4kg"),
        ("7 22.4kg 38.5", "7 22.4kg 38.5mm"),
        ("7 38.5 22.4 # at 20 C", "7 38.5mm 22.4kg # at 20 C"),
        ("7 38.5mm 22.4kg", "7 38.5mm 22.4kg"),
        ("7 38.5 27.6 22.4", "7 38.5 27.6 22.4"),  # what is which?
        ("7 38.5mm 22.4kg 3", "7 38.5mm 22.4kg 3"),
        ("7 22.4", "7 22.4mm"),
        ("", ""),
    ],
)
def test_units_that_are_left_out(text: str, expected: str) -> None:
    assert with_units(text, "mm", "kg") == expected


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("22.4", (22.4 * KG, True)),
        (" 22,4 kg ", (22.4 * KG, True)),
        ("22.4 up", (22.4 * KG, False)),
        ("22.4 kg UP", (22.4 * KG, False)),
        ("220N", (220.0, True)),
        ("-3", (-3.0 * KG, True)),
        ("7 38.5 22.4", None),
        ("", None),
    ],
)
def test_what_the_scale_shows_by_itself(text: str, expected: tuple[float, bool] | None) -> None:
    read = parse_shown(text, "kg")
    assert read == (None if expected is None else (pytest.approx(expected[0]), expected[1]))


@pytest.mark.parametrize("text", ["22.4psi", "22.4mm", "22.4 down", "1,234", "22..4"])
def test_what_no_scale_shows_is_refused(text: str) -> None:
    with pytest.raises(CoilbenchError):
        parse_shown(text, "kg")


def test_a_remark_is_kept_with_its_reading() -> None:
    read = KeyedReading.parse("7 38.5mm 22.0kg up # rusty, 5mm\x1b lower")
    assert (read.loading, read.remark) == (False, "rusty, 5mm lower")
    assert len(KeyedReading.parse(f"7 38.5mm 22kg # {'long ' * 99}").remark) == 200


@settings(max_examples=100)
@given(
    st.text(max_size=60)
    | st.lists(
        st.sampled_from(
            ["a", "15mm", "22kg", "down", "up", "kg", "1", "1,5", "nanmm", "1e999kg", '"', "-3mm"]
        )
    ).map(" ".join)
)
def test_any_line_is_a_reading_or_a_sentence(text: str) -> None:
    try:
        reading = KeyedReading.parse(text)
    except CoilbenchError as refused:
        said = str(refused)
        reading = None
    else:
        said = ""
    assert len(said.splitlines()) < 2
    assert reading is None or math.isfinite(reading.shown_load_n)


def test_depths_of_the_trade() -> None:
    """Common practice, no source: 53 mm free, 22.4 kg 15 mm down, 40.7 kg 25.9 mm down."""
    readings = [
        KeyedReading.parse("x 15mm down 22.4kg"),
        KeyedReading.parse("x 25.9mm down 40.7kg"),
    ]
    branches = KeyedBranches.of(readings, KeyedSetup(), free_length_mm=53.0)
    assert branches.loading.height_mm.tolist() == pytest.approx([38.0, 27.1])
    assert len(branches.unloading) == 0
    low, high = branches.loading.load_n / KG
    assert (high - low) / (38.0 - 27.1) == pytest.approx(1.68, abs=0.005)  # kg/mm


def test_tare_and_lever() -> None:
    """Common practice, no source: a bar that halves the load, on blocks of 1.2 kg."""
    setup = KeyedSetup(tare_n=1.2 * KG, lever_ratio=2.0, lever_ratio_u=0.01)
    readings = [KeyedReading.parse("x 38mm 12.4kg"), KeyedReading.parse("x 38mm 12.2kg up")]
    branches = KeyedBranches.of(readings, setup)
    assert branches.loading.load_n.tolist() == pytest.approx([22.4 * KG])
    assert branches.unloading.load_n.tolist() == pytest.approx([22.0 * KG])
    # a scale that was never weighed: 0.5 % (common practice, no source)
    assert branches.load_u_relative == pytest.approx(math.hypot(0.01, 0.005))
    # twice of two readings, with the spring and without: 2 sqrt(2) of one
    one_n = math.hypot(0.1 * KG / math.sqrt(12.0), 0.2 * KG)
    assert branches.load_u_n == pytest.approx(2.0 * math.sqrt(2.0) * one_n)


def test_uncertainty_of_a_step() -> None:
    # GUM (JCGM 100:2008) F.2.2.1: an indication's step dx gives u = 0.29 dx; of two readings'
    # difference, as where a tare was read or on the quill, the root of two of it.
    setup = KeyedSetup(scale_resolution_n=1.0, scale_repeatability_n=0.0, quill_resolution_mm=0.1)
    assert setup.load_u_n == pytest.approx(0.29, abs=0.002)
    assert replace(setup, tare_n=5.0).load_u_n / math.sqrt(2) == pytest.approx(0.29, abs=0.002)
    assert setup.height_u_mm / math.sqrt(2) == pytest.approx(0.029, abs=0.0002)
    noisy = KeyedSetup(scale_resolution_n=0.0, scale_repeatability_n=1.0)
    assert noisy.load_u_n == pytest.approx(1.0)
    assert replace(noisy, tare_n=5.0).load_u_n == pytest.approx(math.sqrt(2))


@pytest.mark.parametrize(
    ("reading", "setup", "free_length_mm", "said"),
    [
        (
            KeyedReading("x", 9.0, 38.0),
            KeyedSetup(tare_n=10.0),
            None,
            "x: the scale shows 9 N, no more than the tare of 10 N",
        ),
        (KeyedReading("x", 9.0, 54.0), KeyedSetup(), 53.0, "x: the height 54 mm is above the free"),
        (KeyedReading("x", 9.0, -1.0), KeyedSetup(), None, "x: the height would be -1 mm"),
        (KeyedReading("x", 9.0, None, 15.0), KeyedSetup(), None, "x: the depth 15 mm needs the"),
        (KeyedReading("x", 9.0, None, -1.0), KeyedSetup(), 53.0, "x: the depth -1 mm is negative"),
        (KeyedReading("x", 9.0, None, 53.0), KeyedSetup(), 53.0, "x: the height would be 0 mm"),
        (KeyedReading("x", 9.0), KeyedSetup(), 53.0, "x: the reading has neither a height nor"),
    ],
)
def test_readings_refused(
    reading: KeyedReading, setup: KeyedSetup, free_length_mm: float | None, said: str
) -> None:
    with pytest.raises(CoilbenchError) as caught:
        KeyedBranches.of([reading], setup, free_length_mm)
    assert str(caught.value).startswith(said)
    assert caught.value.hint


@pytest.mark.parametrize(
    "settings",
    [
        {"lever_ratio": 0.0},
        {"lever_ratio": -1.0},
        {"tare_n": math.nan},
        {"scale_resolution_n": -1.0},
        {"quill_resolution_mm": math.inf},
    ],
)
def test_setups_refused(settings: dict[str, float]) -> None:
    with pytest.raises(CoilbenchError):
        KeyedSetup(**settings)


def test_what_lay_on_the_spring_at_the_tare_is_added_whole_and_known_to_five_grams() -> None:
    """The tare took 0.15 kg of the cup with it, and a lever does not multiply that."""
    bare = KeyedSetup(tare_n=1.2 * KG, lever_ratio=2.0)
    cup = replace(bare, rests_n=0.15 * KG)
    reading = KeyedReading("x", 11.2 * KG, 38.5)
    gained = reading.spring_load_n(cup) - reading.spring_load_n(bare)
    assert gained == pytest.approx(0.15 * KG)
    assert cup.load_u_n**2 - bare.load_u_n**2 == pytest.approx((0.0025 * KG) ** 2, rel=1e-6)
    with pytest.raises(CoilbenchError, match="rests"):
        replace(bare, rests_n=-0.1)
