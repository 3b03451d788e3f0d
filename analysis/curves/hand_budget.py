"""What leaves a load read by hand unsure, each source once: scale, tare, lever, quill. Pure.

A load at a height is a sum of readings with weights (repeats averaged, a line between two heights),
so each source's part is the weights' sum times its error where the readings have that error in
common, and the root of the sum of squares where each has its own (JCGM 100:2008, 5.1.2 and 5.2.2).
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterator

from coilbench.analysis.curves.effects import Effect, counts_at, curve_effect, plain, powers
from coilbench.analysis.curves.points import PointReading, Weighted
from coilbench.analysis.curves.uncertainty import SourceKind
from coilbench.capture.calibration.keyed_setup import RESTS_U_N, KeyedSetup
from coilbench.capture.calibration.polynomial import Reals
from coilbench.capture.strokes.sweep import HandReading

DITHER = 0.5  # of a step: readings that scatter by more have rounding errors of their own, nearly
#   independent of the load (B. Widrow's quantizing theorem, recalled from memory)
REPEATABILITY: SourceKind = "scale_repeat"
ASSUMED_SCALE: SourceKind = "scale_assumed"


def point_effects(readings: Weighted, rate_n_per_mm: float) -> Iterator[Effect]:
    """Yield the effects of every reading in a load at a height where the rate is as given."""
    at = tuple((id(one), weight) for weight, one in readings)  # which load, of the same readings
    for weight, one in readings:
        if one.sweep.hand is None:
            yield from _stated(weight, one, rate_n_per_mm, at)
        else:
            yield from _by_hand(weight, one, one.sweep.hand, rate_n_per_mm)


def own_point_u_n(readings: Weighted, rate_n_per_mm: float) -> float:
    """Return the standard uncertainty (k = 1) of a load without what all readings share, N."""
    sums: dict[Hashable, float] = {}
    for one in point_effects(readings, rate_n_per_mm):
        if not one.shared:
            at = one.source, one.key
            sums[at] = sums.get(at, 0.0) + float(one.gradient)
    return math.hypot(*sums.values())


def _part(
    source: SourceKind,
    key: Hashable,
    weight: float,
    u: Reals,
    *,
    mm: float | None = None,
    shared: bool = False,
) -> Effect:
    """One reading's part: a load's, N, or with the rate `mm` a height's, mm."""
    sensitivity, unit = (1.0, "N") if mm is None else (mm, "mm")
    effect = plain(source, key, unit, sensitivity, u, shared=shared)
    return effect._replace(
        sensitivity=weight * effect.sensitivity, gradient=weight * effect.gradient
    )


def _stated(weight: float, one: PointReading, rate: float, at: Hashable) -> Iterator[Effect]:
    """Points of which no more is known than what they came with, or is assumed of a file.

    Of a stated uncertainty it is not known what readings have in common: in one load it counts as
    all, between two loads as nothing, so that a rate is not made too sure.
    """
    sweep = one.sweep
    if one.stated_u_n is None:
        yield _part("load_there", id(one), weight, sweep.load_u_n)
    else:
        yield _part("load_stated", (sweep.sweep_id, at), weight, one.stated_u_n)
    yield _part("height_there", id(one), weight, sweep.height_u_mm, mm=rate)
    yield plain("load_in_proportion", "common", "1", weight * one.load_n, sweep.load_u_relative)
    if sweep.point_repeat is not None:
        yield _repeat("reading_repeat", weight, one, sweep.point_repeat.u_n)


def _repeat(source: SourceKind, weight: float, one: PointReading, u_n: float) -> Effect:
    seen = one.sweep.point_repeat
    effect = _part(source, ("repeat", id(one)), weight, u_n)
    if seen is None:
        return effect
    return effect._replace(kind="A", degrees_of_freedom=seen.degrees_of_freedom)


def repeat_u_n(one: PointReading, hand: HandReading) -> float:
    """Scatter (k = 1) of one reading beyond its steps: as repeats showed it, else as stated, N."""
    seen = one.sweep.point_repeat
    return hand.setup.repeat_u_n if seen is None else seen.u_n


def _by_hand(weight: float, one: PointReading, hand: HandReading, rate: float) -> Iterator[Effect]:
    setup, scatter_n = hand.setup, repeat_u_n(one, hand)
    step_n = setup.step_u_n * math.sqrt(12.0)
    dithered = math.hypot(scatter_n, rate * setup.step_u_mm) >= DITHER * step_n
    # without scatter, readings that show the same are rounded by the same
    own = id(one) if dithered else (one.sweep.label, one.load_n)
    yield _part("scale_steps", own, weight, setup.step_u_n)
    yield _repeat(REPEATABILITY, weight, one, scatter_n)
    if setup.tare_taken:
        tare_u_n = math.hypot(setup.step_u_n, scatter_n)
        key = hand.day, setup.tare_n
        yield _part("tare", key, -weight, tare_u_n, shared=hand.one_tare)
    yield from _of_scale(weight, one, hand)
    if setup.lever_ratio_u > 0.0:
        load_n = weight * one.load_n
        yield plain("lever", setup.lever_ratio, "1", load_n, setup.lever_ratio_u)
    if setup.rests_n > 0.0:
        yield _part("resting_weight", setup.rests_n, weight, RESTS_U_N, shared=True)
    if setup.give_known:
        yield from _of_give(weight, one, setup, rate)
    yield _part("height_each_press", id(one), weight, setup.step_u_mm, mm=rate)
    stop = hand.run, round(one.height_mm, 3)
    yield _part("height_of_stop", stop, weight, setup.step_u_mm, mm=rate, shared=hand.one_run)


def _of_give(weight: float, one: PointReading, setup: KeyedSetup, rate: float) -> Iterator[Effect]:
    """The give of scale and press: what is in proportion to the load is one error of all."""
    measured = setup.give_mm, setup.give_at_n, setup.give_u_mm
    u_mm = setup.give_u_mm * one.load_n / setup.give_at_n
    yield _part("give", measured, weight, u_mm, mm=rate, shared=True)
    there = *measured, round(one.height_mm)
    yield _part("give_bend", there, weight, setup.give_bend_u_mm, mm=rate, shared=True)


def _of_scale(weight: float, one: PointReading, hand: HandReading) -> Iterator[Effect]:
    """The scale's calibration: common to all that was read on it."""
    setup, load_n = hand.setup, weight * one.load_n
    if setup.scale is None:
        yield plain(ASSUMED_SCALE, "scale", "1", load_n, setup.scale_u_relative)
        return
    fit, ratio = setup.scale.fit, setup.lever_ratio
    yield plain("scale_masses", fit, "1", load_n, setup.scale_u_relative)
    shown_n = counts_at(fit, (one.load_n - setup.rests_n) / ratio, setup.tare_n)
    gradient = weight * ratio * powers(shown_n, fit, setup.tare_n)
    yield curve_effect("scale_curve", fit, "N", 1.0, gradient, fit)
    if fit.hidden_bend:
        bend_n = fit.hidden_at(shown_n, setup.tare_n)
        yield _part("scale_bend", fit, weight * ratio, bend_n, shared=True)
