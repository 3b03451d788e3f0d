"""The turned parts' sections: half of each, as points (radius, height) in mm from its lower face.

A solid one begins and ends on its axis.
"""

from __future__ import annotations

import math

from measures import Measures

Profile = list[tuple[float, float]]

SPIGOT_CHAMFER_H, SPIGOT_CHAMFER_D = 2.0, 3.0


def cup(m: Measures, *, lower: bool) -> Profile:
    """A cup, open end up; the lower one has the bore for the rod's head."""
    base = m.lower_base if lower else m.cup_floor
    hole, outer = (m.rod_d + m.rod_play) / 2, m.cup_d / 2
    inner, spigot = m.spring_od / 2 + m.clearance, m.spring_id / 2 - m.clearance
    head, top = m.head_bore / 2, base + m.spigot_height
    deep = base - m.cup_floor
    below = [(hole, deep), (head, deep), (head, 0.0)] if lower else [(hole, 0.0)]
    return [
        *below,
        (outer, 0.0),
        (outer, base + m.wall_height),
        (inner, base + m.wall_height),
        (inner, base),
        (spigot, base),
        (spigot, top - SPIGOT_CHAMFER_H),
        (spigot - SPIGOT_CHAMFER_D / 2, top),
        (hole, top),
    ]


def platen(m: Measures) -> Profile:
    """The platen, its rim up."""
    button, outer, inner = (
        m.cell_button_d / 2 + 0.3,
        m.platen_d / 2 + m.platen_rim,
        m.platen_d / 2 + 0.2,
    )
    top = m.platen_h
    return [
        (0.0, m.button_recess),
        (button, m.button_recess),
        (button, 0.0),
        (outer, 0.0),
        (outer, top + m.register_h),
        (inner, top + m.register_h),
        (inner, top),
        (m.pivot_d / 2, top),
        (0.0, top - m.pivot_h),
    ]


def pusher(m: Measures) -> Profile:
    """The pusher, its shank up; without the window."""
    bore, outer, shank = m.pusher_bore / 2, m.pusher_d / 2, m.shank_d / 2
    shoulder = m.pusher_depth + m.pusher_roof
    return [
        (0.0, m.pusher_depth),
        (bore, m.pusher_depth),
        (bore, 0.0),
        (outer, 0.0),
        (outer, shoulder),
        (shank, shoulder),
        (shank, shoulder + m.shank_h),
        (0.0, shoulder + m.shank_h),
    ]


def collar(m: Measures) -> Profile:
    """The printed ring round pusher and upper cup; without its lead-in."""
    inner = m.pusher_d / 2 + 0.3
    return [
        (inner, 0.0),
        (inner + m.collar_wall, 0.0),
        (inner + m.collar_wall, m.collar_h),
        (inner, m.collar_h),
    ]


def tube(m: Measures, length: float) -> Profile:
    """A gauge tube."""
    inner, outer = m.gauge_id / 2, m.gauge_od / 2
    return [(inner, 0.0), (outer, 0.0), (outer, length), (inner, length)]


def volume_mm3(profile: Profile) -> float:
    """Volume of the profile turned round r = 0: 2 pi times its area's first moment (Pappus)."""
    moment = 0.0
    for (r1, z1), (r2, z2) in zip(profile, profile[1:] + profile[:1], strict=True):
        moment += (z2 - z1) * (r1 * r1 + r1 * r2 + r2 * r2) / 6
    return 2 * math.pi * moment
