"""Dimensioned drawings of the parts for a machine shop, made from dimensions.scad.

python hardware/parts/shop_drawings.py            # into hardware/drawings
python hardware/parts/shop_drawings.py FOLDER     # or into another folder
"""

from __future__ import annotations

from collections.abc import Callable

import profiles
from drawing import Page, View
from flat_drawings import base_plate, crosshead, shield, yoke_bars
from measures import Measures
from sheet import coils, mm, sheet, write_drawings
from turned_drawings import cup, gauge_tubes, platen, pusher


def guide_rod(m: Measures) -> Page:
    """The closed cartridge, and how long its screw is."""
    page = sheet(
        "Guide rod and closed cartridge",
        f"Cap screw M8 x {mm(m.rod_length)} (ISO 4762), self-locking nut, washer: bought",
        [
            (
                f"Length >= 2 cup floors + free length + {mm(m.rod_slack)} + washer + nut "
                f"+ 2 threads = {mm(m.rod_need)}; next length sold."
            ),
            (
                f"Shank <= what lies between head and nut: thread {mm(m.rod_thread)}, so "
                f"springs from {mm(m.rod_shortest_spring)} free;"
            ),
            "shorter ones: spacer washers under the nut, or the next shorter screw.",
            (
                f"Pusher's bore >= length - 2 floors - least height + {mm(m.rod_room)} = "
                f"{mm(m.pusher_depth)}."
            ),
        ],
    )
    view = View(page, (130, 158), 1.3)
    top = m.lower_base + m.free_length + m.cup_floor
    view.turned(profiles.cup(m, lower=True))
    view.turned(profiles.cup(m, lower=False), top, flip=True)
    coils(view, m, m.lower_base, m.free_length)
    under = m.lower_base - m.cup_floor
    view.box(-m.rod_head_d / 2, under - m.rod_head_h, m.rod_head_d, m.rod_head_h, "#e7a27a")
    view.box(-m.rod_d / 2, under, m.rod_d, m.rod_length, "#e7a27a")
    for z in range(int(m.rod_thread / m.rod_pitch)):  # the thread
        at = under + m.rod_length - z * m.rod_pitch
        page.line(view.at(-m.rod_d / 2, at), view.at(m.rod_d / 2, at - m.rod_pitch / 2), "t")
    nut = top + m.rod_slack
    view.box(-8, nut, 16, m.rod_washer_h, "#f0c0a0")
    view.box(-6.5, nut + m.rod_washer_h, 13, m.rod_nut_h, "#e7a27a")
    r = m.cup_d / 2
    view.upright(under, under + m.rod_length, r, 42, f"{mm(m.rod_length)}, under the head")
    view.upright(
        under + m.rod_length - m.rod_thread,
        under + m.rod_length,
        r,
        12,
        f"thread {mm(m.rod_thread)}",
    )
    view.upright(
        m.lower_base, m.lower_base + m.free_length, -r, -10, f"free length {mm(m.free_length)}"
    )
    view.upright(under, m.lower_base, -r, -10, mm(m.cup_floor))
    view.upright(top - m.cup_floor, top, -r, -10, mm(m.cup_floor))
    view.call((-8, nut - 0.2), (-40, -10), f"rattles by {mm(m.rod_slack)}")
    return page


def by_hand(m: Measures) -> Page:
    """Cups, platen and pusher without a lathe."""
    page = sheet(
        "Cups, platen, pusher without a lathe",
        "Flat bar 50 x 8, 10, 12; orange: printed, carries nothing",
        [
            (
                "Squares sawn from bar, lapped on plate glass, parallel to 0.03 (vernier, "
                "four corners). Drill them on the press itself."
            ),
            (
                f"Holes: ⌀ {mm(m.rod_d + m.rod_play)} for the rod, ⌀ {mm(m.head_bore)} for "
                "its head. Lower cup: two plates, joined by two screws M4."
            ),
            (
                "Wall, spigot, pipe's ring: spring_cup.scad, make = wall, spigot, "
                "pipe_ring; glued, the wall with three M3 as well."
            ),
            (
                "Pusher: pipe filed square; a printed flange and four M4 hold it under "
                "its square. Platen: a printed frame finds the cup."
            ),
        ],
    )
    steel, printed = "url(#hatch)", "#f0a030"
    hole, side = (m.rod_d + m.rod_play) / 2, 25.0

    def square(view: View, z: float, h: float, r: float) -> None:
        for s in (-1, 1):
            view.outline([(s * r, z), (s * side, z), (s * side, z + h), (s * r, z + h)], steel)

    def rings(view: View, z: float) -> None:
        spigot, inner = m.spring_id / 2 - m.clearance, m.spring_od / 2 + m.clearance
        for s in (-1, 1):
            for low, high in ((hole, spigot), (inner, m.cup_d / 2)):
                view.outline(
                    [
                        (s * low, z),
                        (s * high, z),
                        (s * high, z + m.wall_height),
                        (s * low, z + m.wall_height),
                    ],
                    printed,
                )

    deep = m.rod_head_h + 2
    lower = View(page, (60, 70), 1.1)
    square(lower, 0, deep, m.head_bore / 2)
    square(lower, deep, 8, hole)
    rings(lower, deep + 8)
    lower.upright(0, deep, side, 6, mm(deep))
    lower.upright(deep, deep + 8, side, 6, "8")
    lower.across(-side, side, 0, -8, "50 x 50")
    page.text((60, 26), "lower cup", anchor="middle")
    upper = View(page, (60, 145), 1.1)
    square(upper, 0, 8, hole)
    rings(upper, 8)
    upper.across(-side, side, 0, -12, "50 x 50")
    upper.upright(0, 8, side, 6, "8")
    for s in (-1, 1):
        upper.outline([(s * 17.05, 0), (s * 23, 0), (s * 23, -4), (s * 17.05, -4)], printed)
    page.text((60, 172), "upside down: the ring below takes the pusher's pipe", anchor="middle")
    page.text((60, 108), "upper cup", anchor="middle")
    plate = View(page, (150, 145), 1.1)
    plate.box(-side, 0, 2 * side, m.platen_h, steel)
    for s in (-1, 1):
        plate.outline([(s * 5.3, -2), (s * 15, -2), (s * 15, 0), (s * 5.3, 0)], printed)
        plate.outline(
            [(s * side, 8), (s * (side + 3), 8), (s * (side + 3), 15), (s * side, 15)], printed
        )
    plate.across(-side, side, m.platen_h, 10, "50 x 50")
    plate.upright(0, m.platen_h, side + 3, 6, mm(m.platen_h))
    page.text((150, 160), "platen: dimple drilled, button's ring glued below", anchor="middle")
    push = View(page, (240, 160), 1.0)
    depth = m.pusher_depth + 9  # the screw's head hangs into the pipe
    for s in (-1, 1):
        push.outline(
            [(s * 13.65, 0), (s * 16.85, 0), (s * 16.85, depth), (s * 13.65, depth)], steel
        )
        push.outline(
            [(s * 16.85, depth - 12), (s * 24, depth - 5), (s * 24, depth), (s * 16.85, depth)],
            printed,
        )
    push.box(13.65, m.pusher_depth - 22, 3.2, 18, "#fff")
    push.upright(m.pusher_depth - 22, m.pusher_depth - 4, -16.85, -6, "18")
    square(push, depth, 10, 6.15)
    push.box(-9.5, depth - 7.5, 19, 7.5)
    push.box(-6, depth, 12, 50)
    push.upright(0, depth, 16.85, 10, mm(depth))
    push.upright(depth, depth + 10, side, 6, "10")
    push.upright(depth, depth + 50, -side, -6, "50 plain")
    pipe = "pusher: pipe 33.7 x 3.2, window 6 x 18 filed; M12 x 80, thread sawn off"
    page.text((236, 168), pipe, size=2.9, anchor="middle")
    return page


DRAWINGS: dict[str, Callable[[Measures], Page]] = {
    "lower_cup": lambda m: cup(m, lower=True),
    "upper_cup": lambda m: cup(m, lower=False),
    "platen": platen,
    "pusher": pusher,
    "gauge_tubes": gauge_tubes,
    "guide_rod": guide_rod,
    "crosshead": crosshead,
    "base_plate": base_plate,
    "yoke_bar": yoke_bars,
    "shield": shield,
    "by_hand": by_hand,
}


if __name__ == "__main__":
    write_drawings(DRAWINGS)
