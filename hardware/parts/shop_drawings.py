"""Dimensioned drawings of the parts for a machine shop, made from dimensions.scad.

python hardware/parts/shop_drawings.py            # into hardware/drawings
python hardware/parts/shop_drawings.py FOLDER     # or into another folder
"""

from __future__ import annotations

from collections.abc import Callable

import profiles
from drawing import Page, View
from flat_drawings import base_plate, crosshead, shield, yoke_bars
from hand_drawings import by_hand
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
