"""A datum from inside a capture: only where the quill stands still, long enough, unloaded."""

import numpy as np
import pytest
from msgspec.structs import asdict

from coilbench.capture.blocks import RAW_DTYPE, RawBlock, SampleFlag
from coilbench.capture.book.calibrations import current_calibration
from coilbench.capture.book.opening import open_book
from coilbench.capture.calibration.gauge_guide import (
    ABOVE_COUNTS,
    LEANING_N,
    TOUCH_N,
    touch_doubt,
)
from coilbench.capture.calibration.polynomial import PolynomialFit
from coilbench.capture.running.commands import Action, Command, EventKind
from coilbench.capture.running.datum import STAND_S, STAND_SHARE, STILL_MM, STILL_STEPS, LastSecond
from coilbench.capture.running.not_possible import NotPossible
from coilbench.capture.strokes.sweep import apply
from coilbench.capture.strokes.watching import LOADED_N
from coilbench.capture.virtual.bench import GaugeBlock, PressSpring, Rest
from support.recorder_desk import BOOT, HELLO, RIG, SPRINGS, Desk, bench_samples

PER_COUNT_MM = 0.005
OTHER_BOOT = BOOT + 1


def standing(seconds, spread_counts=0.0, rate_hz=90.0):
    samples = np.zeros(round(seconds * rate_hz) + 1, RAW_DTYPE)
    samples["t_us"] = np.rint(np.arange(len(samples)) / rate_hz * 1e6)
    samples["travel_counts"] = 8000
    samples["travel_counts"][len(samples) // 2] += round(spread_counts)
    return samples


def asked(samples, per_count_mm=PER_COUNT_MM):
    stood = LastSecond()
    for piece in np.array_split(samples, 5):
        stood.take(piece)
    try:
        return stood.gauge(30.0, per_count_mm)
    except NotPossible as refusal:
        return refusal.finding.facts["reason"]


def test_it_must_have_stood_nearly_a_second():
    assert asked(standing(STAND_SHARE * STAND_S - 0.02)) == "no_reading"
    assert asked(standing(STAND_SHARE * STAND_S + 0.02)).length_mm == 30.0
    unusable = standing(2.0)
    unusable["flags"] = int(SampleFlag.LOAD_SATURATED)
    assert asked(unusable) == "no_reading"


@pytest.mark.parametrize(
    ("per_count_mm", "still"),
    [(PER_COUNT_MM, STILL_MM / PER_COUNT_MM), (0.05, STILL_STEPS)],
)
def test_it_must_stand_still_to_a_step_or_two(per_count_mm, still):
    assert asked(standing(2.0, still), per_count_mm) != "not_steady"
    assert asked(standing(2.0, still + 1), per_count_mm) == "not_steady"


def test_what_was_before_the_last_second_does_not_matter():
    moved = standing(3.0)
    moved["travel_counts"][:90] = 3000
    assert asked(moved).counts == pytest.approx(8000.0)


LOAD_FIT = PolynomialFit((0.0, 1e-3), ((0.0,) * 2,) * 2, 0.0, 0.0, 1e6, 9)  # 1000 counts/N
E = 0.01


def touched(rise_n, up_mm=5.0, up_n=0.0, zero_n=0.0, sway_n=0.0):
    """Come down by up_mm, there being up_n on the cell, to a stand under rise_n more."""
    stood, down = LastSecond(), standing(1.0)
    down["travel_counts"] = 8000 - round(up_mm / PER_COUNT_MM)
    down["load_counts"] = round(up_n * 1000)
    stand = standing(2.0)
    stand["t_us"] += 1_100_000
    stand["load_counts"] = round((up_n + rise_n) * 1000)
    stand["load_counts"][::2] += round(sway_n * 1000)
    for piece in np.array_split(np.concatenate([down, stand]), 30):
        stood.take(piece)
    try:
        point = stood.gauge(30.0, PER_COUNT_MM)
        stood.require_light_touch(point, PER_COUNT_MM, LOAD_FIT, zero_n)
    except NotPossible as refusal:
        return refusal.finding.facts["reason"]
    return "touched"


@pytest.mark.parametrize(
    ("said", "how"),
    [
        ("no_touch", {"rise_n": 0.0}),  # in the air, or just above the gauge
        ("no_touch", {"rise_n": TOUCH_N - E}),
        ("touched", {"rise_n": TOUCH_N + E}),
        ("touched", {"rise_n": 22.6}),
        ("touched", {"rise_n": LEANING_N - E}),
        ("leaning", {"rise_n": LEANING_N + E}),
        ("leaning", {"rise_n": LEANING_N - 2.0, "sway_n": 3.0}),
        ("touched", {"rise_n": 5.0, "up_n": 12.0, "zero_n": 12.0}),  # cups on the cell
        ("touched", {"rise_n": 5.0, "up_n": LOADED_N - E}),
        ("spring_pressed", {"rise_n": 5.0, "up_n": LOADED_N + E}),
        ("spring_pressed", {"rise_n": 5.0, "zero_n": None}),
        ("not_seen_down", {"rise_n": 5.0, "up_mm": ABOVE_COUNTS * PER_COUNT_MM}),
        ("touched", {"rise_n": 5.0, "up_mm": (ABOVE_COUNTS + 1) * PER_COUNT_MM}),
    ],
)
def test_a_gauge_is_believed_where_a_light_touch_was_seen(said, how):
    assert touched(**how) == said


def lowered(n_per_mm, touch_n, mm_per_s=2.0, bounce_mm=0.0):
    """Come down on something so stiff until it pushes with touch_n, and stand there."""
    depth_mm = touch_n / n_per_mm
    way = [0.0, 5.0 / mm_per_s, 5.0 / mm_per_s + 0.1, 5.0 / mm_per_s + 0.2, 5.0 / mm_per_s + 3.0]
    above = [5.0 - depth_mm, -depth_mm, bounce_mm - depth_mm, -depth_mm, -depth_mm]
    t_s = np.arange(0.0, way[-1], 1 / 90.0)
    above_mm = np.interp(t_s, way, above)
    samples = np.zeros(t_s.size, RAW_DTYPE)
    samples["t_us"] = np.rint(t_s * 1e6)
    samples["travel_counts"] = np.rint(8000 - above_mm / PER_COUNT_MM)
    samples["load_counts"] = np.rint(1000 * n_per_mm * np.maximum(-above_mm, 0.0))
    stood = LastSecond()
    for piece in np.array_split(samples, 30):
        stood.take(piece)
    try:
        point = stood.gauge(30.0, PER_COUNT_MM)
        stood.require_light_touch(point, PER_COUNT_MM, LOAD_FIT, 0.0)
    except NotPossible as refusal:
        return refusal.finding.facts["reason"]
    return "touched"


@pytest.mark.parametrize("touch_n", [1.0, 6.0, 12.0, 40.0])
@pytest.mark.parametrize("n_per_mm", [1500.0, 500.0])  # a press that gives by 0.08 mm under 40 N
@pytest.mark.parametrize("bounce_mm", [0.0, 0.25])
def test_a_gauge_gives_way_by_hardly_anything(n_per_mm, touch_n, bounce_mm):
    assert lowered(n_per_mm, touch_n, bounce_mm=bounce_mm) == "touched"


@pytest.mark.parametrize("touch_n", [9.0, 12.0, 40.0])
@pytest.mark.parametrize("n_per_mm", [3.0, 8.0, 15.0])
def test_a_spring_that_is_lightly_touched_is_no_gauge(n_per_mm, touch_n):
    """Pressed by 0.6 mm at least: less is not told from a gauge."""
    assert lowered(n_per_mm, touch_n) == "spring_pressed"


def test_the_guide_of_the_command_line_judges_the_same_touch():
    for rise_n, kind in ((0.0, "no_touch"), (22.6, None), (LEANING_N + E, "leaning")):
        doubt = touch_doubt(0.0, rise_n, 0.0, 30.0)
        assert (None if doubt is None else doubt.kind) == kind


@pytest.fixture
def desk(make_book):
    book = make_book(RIG, device_id=RIG.device_id, boot_id=OTHER_BOOT)
    with open_book(book) as db:
        yield Desk(db)


def on_gauge(length_mm):
    whole = bench_samples([Rest(1.0), GaugeBlock(length_mm, 6.0), Rest(1.0)])
    return whole[: round(4.5 * RIG.rate_hz)]


def set_datum(desk, height_mm):
    desk.recorder.execute(Command(Action.DATUM, height_mm=height_mm))


def test_set_on_a_gauge_heights_are_known_again_and_strokes_count(desk):
    samples = on_gauge(30.0)
    samples["travel_counts"] -= 1234  # it counts from another zero since it started again
    desk.take(samples)
    assert desk.recorder.datum is not None
    set_datum(desk, 30.0)
    assert desk.recorder.datum is None
    assert desk.kinds(EventKind.TURN)[-1] == "datum_set"
    calibration = current_calibration(desk.db)
    assert calibration.travel.boot_id == HELLO.boot_id
    load_travel = apply(calibration.calibration, RawBlock(samples[-1:], BOOT)).samples
    assert load_travel["height_mm"][0] == pytest.approx(30.0, abs=0.02)


@pytest.mark.parametrize("touch_n", [LOADED_N + 2.0, LEANING_N - 5.0])
def test_while_the_quill_stands_on_the_gauge_the_load_stays_known(desk, touch_n):
    """No sample was missed: the zero of before the datum is that of after it."""
    samples = on_gauge(30.0)
    stands = np.abs(samples["travel_counts"] - samples["travel_counts"][-1]) < 20
    samples["load_counts"][stands] = round(RIG.zero_counts + touch_n * RIG.counts_per_n)
    now, later = np.split(samples, [-40])
    desk.take(now)
    set_datum(desk, 30.0)
    assert desk.recorder.datum is None
    desk.take(later)
    assert desk.recorder.doubt is None
    assert desk.recorder.alarm is None
    assert desk.recorder.newest.load_n == pytest.approx(touch_n, abs=1.0)


def test_refused_while_it_moves_or_presses_and_nothing_is_changed(desk):
    before = current_calibration(desk.db).calibration_id
    set_datum(desk, 30.0)
    assert desk.found(EventKind.REFUSED)[-1].facts["reason"] == "no_reading"
    pressed = bench_samples([Rest(2.0), PressSpring(SPRINGS[0], 26.0)])
    desk.take(pressed[: int(np.argmax(pressed["travel_counts"]))])
    set_datum(desk, 30.0)
    kind, facts = asdict(desk.found(EventKind.REFUSED)[-1]).values()
    assert kind == "spring_pressed" or facts["reason"] == "loaded"
    assert current_calibration(desk.db).calibration_id == before
    assert desk.recorder.datum is not None
