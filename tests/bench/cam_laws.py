"""Standard cam laws with exact accelerations, and valves on them whose limiting speed is known.

Rise 0 to 1 over u from 0 to 1, textbook forms (Norton, Cam Design and Manufacturing Handbook;
from memory): each returns lift and second derivative by u.
"""

from __future__ import annotations

import math

import numpy as np

from coilbench.analysis.limits.valve_motion import (
    LiftTable,
    MovedMass,
    _limiting_speed,
    _SpringForce,
    _valve_motion,
)

MASS_G = 120.0


def harmonic(u):
    return (1 - np.cos(np.pi * u)) / 2, np.pi**2 / 2 * np.cos(np.pi * u)


def cycloidal(u):
    return u - np.sin(2 * np.pi * u) / (2 * np.pi), 2 * np.pi * np.sin(2 * np.pi * u)


def polynomial_345(u):
    return 10 * u**3 - 15 * u**4 + 6 * u**5, 60 * u - 180 * u**2 + 120 * u**3


def polynomial_4567(u):
    lift = 35 * u**4 - 84 * u**5 + 70 * u**6 - 20 * u**7
    return lift, 420 * u**2 - 1680 * u**3 + 2100 * u**4 - 840 * u**5


def modified_sine(u):
    k = np.pi / (4 + np.pi)
    ends = u - np.sin(4 * np.pi * u) / (4 * np.pi)
    middle = 2 / np.pi + u - 9 / (4 * np.pi) * np.sin(np.pi / 3 + 4 * np.pi * u / 3)
    lift = k * np.where(u < 1 / 8, ends, np.where(u < 7 / 8, middle, 4 / np.pi + ends))
    mid = (u >= 1 / 8) & (u < 7 / 8)
    angle = np.where(mid, np.pi / 3 + 4 * np.pi * u / 3, 4 * np.pi * u)
    return lift, 4 * np.pi * k * np.sin(angle)


def constant_acceleration(u):
    """A step from speeding up to slowing, half way."""
    lift = np.where(u < 0.5, 2 * u**2, 1 - 2 * (1 - u) ** 2)
    return lift, np.where(u < 0.5, 4.0, -4.0)


def steep_opening(u):
    """A step from speeding up to slowing a third as hard, a quarter of the way up."""
    opening = u < 0.25
    lift = np.where(opening, 4 * u**2, 1 - 4 / 3 * (1 - u) ** 2)
    return lift, np.where(opening, 8.0, -8 / 3)


class Case:
    """A valve on a law, rise and fall, with springs of F0 + k lift; drawn from a seed."""

    def __init__(self, law, seed):
        rng = np.random.default_rng(seed)
        self.law = law
        self.rise, self.lift = rng.uniform(50, 75), rng.uniform(8, 13)
        dwells = abs(law(np.array([1.0]))[1][0]) < 1e-9
        self.fall = self.rise * (rng.uniform(0.95, 1.15) if dwells else 1.0)
        self.f0, self.k = rng.uniform(200, 400), rng.uniform(15, 40)
        self.start = rng.uniform(0, 1)

    def table(self, step_deg, written_mm):
        deg = np.arange(self.start * step_deg, self.rise + self.fall, step_deg)
        u = np.where(deg <= self.rise, deg / self.rise, (self.rise + self.fall - deg) / self.fall)
        lift = np.round(self.lift * self.law(np.clip(u, 0, 1))[0] / written_mm) * written_mm
        opened = lift > 0
        return LiftTable("t", "valve", deg[opened], lift[opened], written_mm)

    @property
    def crank_rpm(self):
        """The closed form: least sqrt(F/(m |a|)) over a fine grid of the exact law."""
        u = np.linspace(0, 1, 20001)
        lift, accel = self.law(u)
        slowing = -accel * self.lift / math.radians(min(self.rise, self.fall)) ** 2
        slowed = slowing > 1e-9
        force = self.f0 + self.k * self.lift * lift[slowed]
        w = np.sqrt(force / (MASS_G * 1e-6 * slowing[slowed])).min()
        return w / (2 * np.pi) * 120

    def found(self, step_deg, written_mm):
        motion = _valve_motion(self.table(step_deg, written_mm), 1.0, 0.0)
        load = self.f0 + self.k * motion.lift_mm
        return _limiting_speed(motion, _SpringForce(load, 0 * load), MovedMass(MASS_G, 0))


DWELLS = [cycloidal, modified_sine, polynomial_345, polynomial_4567]
STEPS = [constant_acceleration, steep_opening]
