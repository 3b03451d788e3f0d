"""A day at a simulated bench whose truth is known: calibration points and strokes, in counts.

The rig's signals are made eight times finer than the ADC converts and then filtered, so that
the filter's shape and a stroke between two conversions are real. Everything a user states (masses,
gauges) is wrong by an error drawn within what is stated.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from itertools import pairwise
from typing import Literal
from unittest.mock import patch

import msgspec
import numpy as np
import scipy  # loads scipy.signal, which takes long, where it is needed
from msgspec.structs import asdict, replace
from numpy.typing import NDArray

from coilbench.capture.blocks import RAW_DTYPE, RawBlock
from coilbench.capture.calibration.fit import load_part, travel_part
from coilbench.capture.calibration.flex_fit import flex_part
from coilbench.capture.calibration.known_points import FlexPoint, GaugePoint, LoadPoint
from coilbench.capture.calibration.model import Calibration
from coilbench.capture.virtual import bench as virtual_steps
from coilbench.capture.virtual.bench import (
    Bench,
    FacesTogether,
    GaugeBlock,
    PressBlock,
    PressSpring,
    PutMass,
    Rest,
    Step,
    StrokeKind,
)
from coilbench.capture.virtual.instrument import RigModel
from coilbench.capture.virtual.spring import INNER, OUTER, SpringModel, draw_set
from support.virtual_truth import settled

FINE = 8  # signals are made this many times finer than the ADC converts
MASSES_KG = (5.0, 10.0, 20.0, 30.0, 40.0, 50.0)
GAUGES_MM = (10.0, 20.0, 30.0, 40.0, 50.0, 60.0)
MASS_U = 0.001  # stated, expanded, as a fraction
GAUGE_U_MM = 0.02  # stated, expanded
HANDS = (StrokeKind.STEADY, StrokeKind.STEADY, StrokeKind.FAST, StrokeKind.SLOW)


class World(msgspec.Struct, frozen=True):
    """What sort of rigs, springs and hands are drawn.

    Attributes:
        rate_hz: conversions a second; None as RigModel draws it.
        filter_conversions: how long the ADC's filter is; the mean delay is half of it.
        shape: a moving average, a first-order filter, or a mere delay.
        travel_step_counts: 200 counts are a millimetre.
        flex: as RigModel has it, or as the load to the power of 0.8.
        noise, creep, bend, friction: times what is drawn otherwise.
        masses_kg: the masses above nothing, going up.
        masses_err_together: all masses share one relative error, or each has its own.
        tremor: times the simulated hand's shake; 0 is a machine's.
        even_speed: moves begin and end at once, at one speed, as a motor's.
        hands: how strokes are pressed; one is drawn a stroke.
        to_margin_mm: how far above solid the strokes turn.
        strokes: measured strokes of a spring.
    """

    name: str
    rate_hz: float | None = None
    filter_conversions: float = 4.0
    shape: Literal["average", "pole", "delay"] = "average"
    travel_step_counts: int = 2
    flex: Literal["stiffening", "power"] = "stiffening"
    noise: float = 1.0
    creep: float = 1.0
    bend: float = 1.0
    friction: float = 1.0
    masses_kg: tuple[float, ...] = MASSES_KG
    masses_err_together: bool = True
    hands: tuple[StrokeKind, ...] = HANDS
    tremor: float = 1.0
    even_speed: bool = False
    to_margin_mm: float = 1.0
    strokes: int = 3
    springs: int = 1


class Day(msgspec.Struct, frozen=True, dict=True):
    """What a user has after a day, and the true values of the simulation.

    Attributes:
        load_points, gauge_points, flex_points: as read, with what is stated of them.
        strokes: of each spring, in counts.
        springs: the truth.
    """

    rig: RigModel
    load_points: tuple[LoadPoint, ...]
    gauge_points: tuple[GaugePoint, ...]
    flex_points: tuple[FlexPoint, ...]
    strokes: tuple[tuple[RawBlock, ...], ...]
    springs: tuple[SpringModel, ...]

    def calibration(self) -> Calibration:
        """The calibration as the program makes it, made once."""
        return self._calibration

    @cached_property
    def _calibration(self) -> Calibration:
        part = load_part(self.load_points, "bench")
        load, load_u_relative = part.fit, part.reference_u_relative
        travel = travel_part(self.gauge_points, "bench").fit
        flex = flex_part(self.flex_points, load, travel, "bench").fit
        return Calibration(load, travel, flex, load_u_relative)


class _PowerRig(RigModel):
    """A rig whose press gives as the load to the power of 0.8."""

    def flex_mm(self, load_n: NDArray[np.float64] | float) -> NDArray[np.float64]:
        load = np.maximum(np.asarray(load_n, dtype=np.float64), 0.0)
        return self.flex_mm_per_n * 500.0**0.2 * load**0.8


def draw_day(world: World, seed: int) -> Day:
    """Draw a rig, springs, a hand and standards, and live through the day."""
    rng = np.random.default_rng([seed, 0xDA1])
    drawn = RigModel.draw(seed)
    rig = replace(
        drawn,
        rate_hz=drawn.rate_hz if world.rate_hz is None else world.rate_hz * rng.uniform(0.9, 1.1),
        creep_fraction=drawn.creep_fraction * world.creep,
        noise_counts=drawn.noise_counts * world.noise,
        nonlinearity_fraction=drawn.nonlinearity_fraction * world.bend,
        travel_step_counts=world.travel_step_counts,
    )
    if world.flex == "power":
        rig = _PowerRig(**asdict(rig))
    nominal = OUTER if rng.uniform() < 0.5 else INNER
    springs = tuple(
        replace(s, friction_fraction=s.friction_fraction * world.friction)
        for s in draw_set(nominal, world.springs, seed)
    )
    together = MASS_U / 2.0 * rng.normal()

    def true_kg(mass_kg: float) -> float:
        own = together if world.masses_err_together else MASS_U / 2.0 * rng.normal()
        return mass_kg * (1.0 + own)

    true_masses = {mass: true_kg(mass) for mass in (0.0, *world.masses_kg)}
    true_gauges = {g: g + GAUGE_U_MM / 2.0 * rng.normal() for g in GAUGES_MM}
    masses = (0.0, *world.masses_kg, *reversed(world.masses_kg[:-1]), 0.0)
    steps: list[Step] = [Rest(2.0), *(PutMass(true_masses[mass]) for mass in masses), Rest(1.0)]
    steps += [FacesTogether(), *(GaugeBlock(true_gauges[g]) for g in GAUGES_MM), Rest(1.0)]
    steps += [PressBlock(40.0, 900.0), Rest(30.0)]
    for spring in springs:
        for number in range(2 + world.strokes):
            kind = world.hands[rng.integers(len(world.hands))] if number > 1 else StrokeKind.FAST
            steps += [
                PressSpring(spring, spring.solid_height_mm + world.to_margin_mm, kind),
                Rest(0.5),
            ]
        steps.append(Rest(2.0))
    tremor_mm = virtual_steps.TREMOR_MM * world.tremor
    course = _even if world.even_speed else virtual_steps.ease
    with (
        patch.object(virtual_steps, "TREMOR_MM", tremor_mm),
        patch.object(virtual_steps, "ease", course),
    ):
        spans = _live(rig, world, steps, seed)
    holds = [_counts(settled).mean(axis=0) if len(settled) else None for *_, settled in spans]
    load = [
        LoadPoint(
            mass, float(hold[0]), "up" if n <= len(world.masses_kg) else "down", MASS_U * mass
        )
        for n, (mass, hold) in enumerate(zip(masses, holds[1:], strict=False))
    ]
    at = 2 + len(masses)
    gauge = [
        GaugePoint(length, float(hold[1]), GAUGE_U_MM if length else 0.0)
        for length, hold in zip((0.0, *GAUGES_MM), holds[at:], strict=False)
    ]
    flex = next(block for step, block, _ in spans if isinstance(step, PressBlock))
    strokes = tuple(tuple(block for block in _with_rests(spans, spring))[2:] for spring in springs)
    return Day(
        rig,
        tuple(load),
        tuple(gauge),
        tuple(FlexPoint(float(row[0]), float(row[1])) for row in _counts(flex)),
        strokes,
        springs,
    )


def _even(fraction: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.clip(fraction, 0.0, 1.0)


Lived = tuple[Step, RawBlock, RawBlock]


def _counts(block: RawBlock) -> NDArray[np.float64]:
    return np.column_stack([block.samples["load_counts"], block.samples["travel_counts"]]).astype(
        np.float64
    )


def _with_rests(spans: Sequence[Lived], spring: SpringModel) -> list[RawBlock]:
    """A spring's strokes, each with the rest after it."""
    found = []
    for (step, block, _), (_, after, _) in pairwise(spans):
        if isinstance(step, PressSpring) and step.spring is spring:
            found.append(RawBlock(np.concatenate([block.samples, after.samples])))
    return found


def _live(rig: RigModel, world: World, steps: Sequence[Step], seed: int) -> list[Lived]:
    """Let the bench go at a finer rate, filter, and convert."""
    rng = np.random.default_rng([seed, 0xADC])
    fine = replace(
        rig, rate_hz=FINE * rig.rate_hz, filter_conversions=0, noise_counts=0.0, jitter_us=0.0
    )
    bench = Bench(fine, steps, seed)
    whole = np.concatenate([block.samples for block in bench.blocks()])
    length = max(round(FINE * world.filter_conversions), 1)
    signal = whole["load_counts"].astype(np.float64)
    if world.shape == "delay":
        signal = np.concatenate([np.full(length // 2, signal[0]), signal])[: signal.size]
    elif world.shape == "pole":
        decay = np.exp(-2.0 / length)
        start = [signal[0] * decay]
        signal = scipy.signal.lfilter([1.0 - decay], [1.0, -decay], signal, zi=start)[0]
    else:
        padded = np.concatenate([np.full(length, signal[0]), signal])
        total = np.cumsum(padded)
        signal = (total[length:] - total[:-length]) / length
    shown = np.zeros(len(whole[::FINE]), RAW_DTYPE)
    shown[:] = whole[::FINE]
    noise = rig.noise_counts * rng.standard_normal(len(shown))
    shown["load_counts"] = np.rint(signal[::FINE] + noise)
    shown["seq"] = np.arange(len(shown))

    def part(first: int, end: int) -> RawBlock:
        return RawBlock(shown[-(-first // FINE) : -(-end // FINE)])

    return [
        (
            span.step,
            part(span.first_seq, span.end_seq),
            part(alone.start, alone.stop),
        )
        for span in bench.spans
        for alone in [settled(span, fine)]
    ]
