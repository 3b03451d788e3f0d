"""Reckon every loaded part from dimensions.scad: load, section, stress, and its limit.

python hardware/parts/strength.py prints the table that MECHANICS.md shows.

Formulas are those of any handbook of strength of materials, recalled from memory: bending M / W of
a rectangle, W = b h^2 / 6; Euler's column; the simply supported circular plate with a load on a
small central circle, 3F / (2 pi t^2) ((1 + nu) ln(a / r) + 1), nu = 0.3. Stress areas of threads
are those of ISO 898-1, pitch and core diameters those of ISO 724, yield limits those of EN 10025-2
and ISO 898-1, all recalled from memory.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from measures import Measures

KGF_N = 9.80665
HAND_N, HANDLE_MM, PINION_MM = 200.0, 250.0, 15.0
LEVER_N = HAND_N * HANDLE_MM / PINION_MM
"""What a hand makes at the end of the press's handle: all in the line of force must bear it."""
HANG_N = 100 * KGF_N  # on the yoke or the lever that calibrate the cell: more than is hung
SPRING_N = 110 * KGF_N  # a strong pair, whole, on the guide rod: if a nut is turned down on it

YIELD = 235.0  # N/mm2, plain structural steel, S235
SCREW_YIELD = 640.0  # property class 8.8
E_STEEL = 210_000.0
SHEAR = 0.58  # of the yield: von Mises
WOOD = 10.0  # N/mm2 in bending: sawn softwood, sound, long loaded; common practice, no source
TIMBER, TIMBER_SPAN = 60.0, 300.0
LEAST_FACTOR = 2.0
UNEVEN = 0.05  # mm, by which two nuts differ that are set with feeler gauges; no source

STRESS_AREA = {8: 36.6, 10: 58.0, 12: 84.3}  # mm2, coarse thread
CORE_D = {12: 9.85}
PITCH_D = {12: 10.86}
PIPE_D, PIPE_WALL = 33.7, 3.2  # the pusher without a lathe: 1 inch pipe
BY_HAND_H = 10.0  # its square plate
DIMPLE = 2.0  # a small hole in a plate pulled both ways doubles the stress beside it


@dataclass(frozen=True)
class Part:
    """One reckoning: loads in N, stresses in N/mm2."""

    name: str
    load_n: float
    section: str
    stress: float
    limit: float = YIELD

    @property
    def factor(self) -> float:
        """How many times the load it would take to reach the limit."""
        return self.limit / self.stress

    def row(self) -> str:
        """A row of the page's table."""
        return (
            f"| {self.name} | {self.load_n:.0f} | {self.section} | {self.stress:.1f} | "
            f"{self.limit:.0f} | {self.factor:.1f} |"
        )


def bending(load_n: float, span_mm: float, width_mm: float, height_mm: float) -> float:
    """Stress in the middle of a bar on two supports; width less the hole in it."""
    return load_n * span_mm / 4 / (width_mm * height_mm**2 / 6)


def plate(load_n: float, edge_r_mm: float, load_r_mm: float, t_mm: float) -> float:
    """Stress in the middle of a simply supported circular plate, loaded on a small circle."""
    return 3 * load_n / (2 * math.pi * t_mm**2) * (1.3 * math.log(edge_r_mm / load_r_mm) + 1)


def ring(outer_mm: float, inner_mm: float) -> float:
    """Area of a ring, mm2."""
    return math.pi / 4 * (outer_mm**2 - inner_mm**2)


def in_line(m: Measures) -> Iterator[Part]:
    """All that the press pushes on through the spring and the cell."""
    wire = (m.spring_od - m.spring_id) / 2
    coil_d = (m.spring_od + m.spring_id) / 2
    tube = ring(m.pusher_d, m.pusher_bore) - 6 * (m.pusher_d - m.pusher_bore) / 2
    thin = m.platen_h - m.button_recess - m.pivot_h
    yield Part("pusher, at its window", LEVER_N, f"{tube:.0f} mm²", LEVER_N / tube)
    pipe = ring(PIPE_D, PIPE_D - 2 * PIPE_WALL) - 6 * PIPE_WALL
    yield Part("pusher made of pipe, at its window", LEVER_N, f"{pipe:.0f} mm²", LEVER_N / pipe)
    square = plate(LEVER_N, PIPE_D / 2 - PIPE_WALL, m.shank_d / 2, BY_HAND_H)
    yield Part("pusher's square plate over that pipe", LEVER_N, f"plate {BY_HAND_H:.0f} mm", square)
    roof = plate(LEVER_N, m.pusher_bore / 2, m.shank_d / 2, m.pusher_roof)
    yield Part(
        "pusher's roof, without the crosshead's help",
        LEVER_N,
        f"plate {m.pusher_roof:.0f} mm",
        roof,
    )
    seat = math.pi * coil_d * wire / 2
    yield Part("cup under half the wire's width", LEVER_N, f"{seat:.0f} mm²", LEVER_N / seat)
    foot = ring(m.cup_d, m.head_bore)
    yield Part("lower cup round the rod's head", LEVER_N, f"{foot:.0f} mm²", LEVER_N / foot)
    yield Part(
        "platen, its dimple counted",
        LEVER_N,
        f"plate {thin:.1f} mm, ring {coil_d:.1f} mm",
        DIMPLE * plate(LEVER_N, coil_d / 2, m.cell_button_d / 2, thin),
    )
    button = math.pi / 4 * m.cell_button_d**2
    yield Part("platen on the cell's button", LEVER_N, f"{button:.0f} mm²", LEVER_N / button)
    tube = ring(m.gauge_od, m.gauge_id)
    yield Part("gauge tube, pressed for the flex", LEVER_N, f"{tube:.0f} mm²", LEVER_N / tube)
    held = bending(LEVER_N, 120, m.plate_y, m.plate_h)
    yield Part(
        "base plate over a gap of 120 mm", LEVER_N, f"{m.plate_y:.0f} x {m.plate_h:.0f} mm", held
    )


def first_nut_n(m: Measures) -> float:
    """What the nut that is met first bears alone, N, until the bar's end has bent to the other.

    A bar of its full width, held in the middle, F L^3 / (3 E I): as if shank and quill didn't tilt.
    """
    inertia = m.crosshead_w * m.bar_h**3 / 12
    return UNEVEN * 3 * E_STEEL * inertia / (m.post_span / 2) ** 3


def on_one_nut(m: Measures) -> Part:
    """The crosshead where the other nut is never met; in no table, since nothing is set so."""
    width = m.crosshead_w - m.shank_d - 0.3
    stress = LEVER_N * m.post_span / 2 / (width * m.bar_h**2 / 6)
    return Part("crosshead on one nut alone", LEVER_N, f"{width:.1f} mm", stress)


def at_the_stop(m: Measures) -> Iterator[Part]:
    """What carries the press's force past the cell when the crosshead has landed."""
    half, d = LEVER_N / 2, round(m.post_d)
    width = m.crosshead_w - m.shank_d - 0.3
    section = f"{width:.1f} x {m.bar_h:.0f} mm, span {m.post_span:.0f}"
    bar = bending(LEVER_N, m.post_span, width, m.bar_h)
    yield Part("crosshead, less its hole", LEVER_N, section, bar)
    first_n = (LEVER_N + first_nut_n(m)) / 2
    first = first_n * m.post_span / 2 / (width * m.bar_h**2 / 6)
    yield Part(f"the same, nuts {UNEVEN} mm uneven", LEVER_N, section, first)
    yield Part(f"stop posts M{d}, two", LEVER_N, f"2 · {STRESS_AREA[d]} mm²", half / STRESS_AREA[d])
    slender = 2 * m.z_stop / (CORE_D[d] / 4)
    core = math.pi / 4 * CORE_D[d] ** 2
    yield Part(
        "stop posts, buckling, free above",
        LEVER_N,
        f"slenderness {slender:.0f}",
        half / core,
        math.pi**2 * E_STEEL / slender**2,
    )
    thread = math.pi * PITCH_D[d] * m.plate_h / 2
    yield Part(
        "posts' thread in the plate, shear",
        LEVER_N,
        f"2 · {thread:.0f} mm²",
        half / thread,
        SHEAR * YIELD,
    )
    width = m.plate_y - m.post_d
    ends = half * m.post_span / 2 / (width * m.plate_h**2 / 6)
    yield Part(
        "base plate, held in its middle only", LEVER_N, f"{width:.0f} x {m.plate_h:.0f} mm", ends
    )


def beside(m: Measures) -> Iterator[Part]:
    """What calibrates the cell, and the guide rod."""
    width = m.bar_w - m.yoke_hole
    bar = bending(HANG_N, m.yoke_span, width, m.bar_h)
    yield Part(
        "yoke's bars", HANG_N, f"{width:.1f} x {m.bar_h:.0f} mm, span {m.yoke_span:.0f}", bar
    )
    timber = bending(HANG_N / 2, TIMBER_SPAN, TIMBER, TIMBER)
    section = f"2 · {TIMBER:.0f} x {TIMBER:.0f} mm, span {TIMBER_SPAN:.0f}"
    yield Part("timbers under the plate, wood", HANG_N, section, timber, WOOD)
    area = STRESS_AREA[round(m.yoke_rod_d)]
    yield Part("yoke's rods M10, two", HANG_N, f"2 · {area} mm²", HANG_N / 2 / area)
    yield Part("yoke's eye bolt M10", HANG_N, f"{area} mm²", HANG_N / area)
    far = m.lever_long - m.lever_short
    lever = HANG_N * m.lever_short / m.lever_long * far / (width * m.bar_h**2 / 6)
    yield Part("lever over the cell", HANG_N, f"{width:.1f} x {m.bar_h:.0f} mm", lever)
    area = STRESS_AREA[round(m.rod_d)]
    yield Part(
        "guide rod M8, nut turned down on the spring",
        SPRING_N,
        f"{area} mm²",
        SPRING_N / area,
        SCREW_YIELD,
    )


def parts(m: Measures) -> list[Part]:
    """Every loaded part."""
    return [*in_line(m), *at_the_stop(m), *beside(m)]


HEAD = (
    "| part | load N | section | stress N/mm² | limit N/mm² | factor |\n|---|---|---|---|---|---|"
)

if __name__ == "__main__":
    print("\n".join([HEAD, *(part.row() for part in parts(Measures()))]))  # noqa: T201
