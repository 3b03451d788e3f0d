"""Drawings of the turned parts: cups, platen, pusher, gauge tubes."""

from __future__ import annotations

import profiles
from drawing import Page, View
from measures import Measures
from sheet import diameters, mm, round_view, sheet


def cup(m: Measures, *, lower: bool) -> Page:
    """Lower or upper cup."""
    name = "Lower cup" if lower else "Upper cup"
    page = sheet(
        f"{name}, 1 off",
        "Mild steel, turned",
        [
            (
                "Seat (under the spring) and lower face: flat, parallel to 0.02, Ra 1.6. "
                "Spigot, wall and bore in one setting: coaxial 0.05."
            ),
            (
                f"The spigot is the spring's inside less {mm(2 * m.clearance)}, the wall "
                "its outside plus as much:"
            ),
            (
                "the spring drops in and turns freely. Four punch marks round the wall, a "
                "quarter apart."
            ),
        ]
        + (
            []
            if lower
            else ["Weigh it when it is done: it rests on the spring unseen by the cell."]
        ),
    )
    base = m.lower_base if lower else m.cup_floor
    top = base + m.wall_height
    view = View(page, (95, 128), 2.0)
    view.turned(profiles.cup(m, lower=lower))
    view.axis(0, -4, top + 4)
    spigot, inner = m.spring_id - 2 * m.clearance, m.spring_od + 2 * m.clearance
    diameters(view, [(spigot, base + 7, " 0/-0.1"), (inner, top, " +0.1/0")], above=True)
    hole = m.rod_d + m.rod_play
    low = (
        [(m.head_bore, 0.0, ""), (m.cup_d, 0.0, " 0/-0.2")]
        if lower
        else [(hole, 0.0, " +0.1/0"), (m.cup_d, 0.0, " 0/-0.2")]
    )
    diameters(view, low, above=False)
    r = m.cup_d / 2
    view.upright(0, base, r, 9, f"{mm(base)} ±0.05")
    view.upright(base, top, r, 30, mm(m.wall_height))
    view.upright(0, top, r, 46, mm(top))
    if lower:
        view.upright(base - m.cup_floor, base, -r, -10, mm(m.cup_floor))
        view.call((-hole / 2, base + 4), (-38, -26), f"⌀ {mm(hole)} +0.1/0, through")
    view.call((spigot / 2 - 0.7, top - 1), (44, -22), "lead-in 2 x 37°")
    round_view(
        View(page, (232, 92), 1.5),
        [m.cup_d, inner, spigot, spigot - profiles.SPIGOT_CHAMFER_D, hole],
    )
    return page


def platen(m: Measures) -> Page:
    """Platen."""
    page = sheet(
        "Platen, 1 off",
        "Mild steel, turned; better hardened (button)",
        [
            "Upper face and bottom of the recess: flat, parallel to 0.02, Ra 1.6.",
            (
                "The recess finds the cell's button: measure the button first. Rim and recess "
                "coaxial 0.1."
            ),
            (
                f"Dimple: a drill's point, ⌀ {mm(m.pivot_d)} at the face, central to 0.1 "
                "(the yoke's cap nut stands in it)."
            ),
        ],
    )
    view = View(page, (95, 120), 2.0)
    view.turned(profiles.platen(m))
    top = m.platen_h
    view.axis(0, -4, top + 6)
    outer = m.platen_d + 2 * m.platen_rim
    diameters(
        view,
        [(m.pivot_d, top, " dimple"), (m.platen_d + 0.4, top + m.register_h, " +0.2/0")],
        above=True,
    )
    diameters(view, [(m.cell_button_d + 0.6, 0.0, " +0.2/0"), (outer, 0.0, "")], above=False)
    view.upright(0, top, outer / 2, 9, f"{mm(top)} ±0.05")
    view.upright(0, top + m.register_h, outer / 2, 30, mm(top + m.register_h))
    view.upright(0, m.button_recess, -outer / 2, -10, mm(m.button_recess))
    view.call((1, top - m.pivot_h + 0.7), (-68, -30), f"{mm(m.pivot_h)} deep")
    round_view(View(page, (232, 92), 1.6), [outer, m.platen_d + 0.4, m.pivot_d])
    return page


def pusher(m: Measures) -> Page:
    """Pusher."""
    shoulder = m.pusher_depth + m.pusher_roof
    page = sheet(
        "Pusher, 1 off",
        "Mild steel, turned in one piece",
        [
            "Lower face and shoulder: parallel to 0.02, square to the shank to 0.02, Ra 1.6.",
            "Window: 6 wide, 18 high, from one side into the bore, to see the rod's end by.",
            (
                "The shank only centres; the load goes over the shoulder: no fillet there, "
                "undercut 0.5 x 0.5."
            ),
            (
                "Depth of the bore = rod - 2 cup floors - least height + "
                f"{mm(m.rod_room)}: see the guide rod."
            ),
        ],
    )
    view = View(page, (85, 158), 1.15)
    view.turned(profiles.pusher(m))
    view.axis(0, -4, shoulder + m.shank_h + 4)
    diameters(view, [(m.shank_d, shoulder + m.shank_h, " 0/-0.05")], above=True)
    diameters(view, [(m.pusher_bore, 0.0, ""), (m.pusher_d, 0.0, "")], above=False)
    r = m.pusher_d / 2
    view.upright(0, m.pusher_depth, r, 9, f"{mm(m.pusher_depth)} +0.5/0")
    view.upright(0, shoulder, r, 32, mm(shoulder))
    view.upright(shoulder, shoulder + m.shank_h, r, 32, mm(m.shank_h))
    end = shoulder + m.shank_h
    page.line(view.at(m.shank_d / 2, end), view.at(r, end), "t")
    view.box(m.pusher_bore / 2, m.pusher_depth - 22, r - m.pusher_bore / 2, 18, "#fff")
    view.upright(m.pusher_depth - 22, m.pusher_depth - 4, -r, -8, "18")
    view.upright(0, m.pusher_depth - 22, -r, -8, mm(m.pusher_depth - 22))
    round_view(View(page, (225, 92), 1.6), [m.pusher_d, m.pusher_bore])
    page.text((225, 138), "from below", anchor="middle")
    return page


def gauge_tubes(m: Measures) -> Page:
    """Gauge tubes."""
    lengths = [m.gauge_least + i * m.gauge_step for i in range(4)]
    page = sheet(
        "Gauge tubes, 4 off",
        "Steel tube; faced, or sawn, filed and lapped on glass",
        [
            (
                "Ends flat, and parallel to 0.02: measure at four places. The length need "
                "not be round, only known."
            ),
            (
                "Engrave each with its measured length. ± (k = 2): micrometer 0.01, "
                "vernier 0.03, and half the"
            ),
            "largest difference of the four places beside it, root of the squares.",
            (
                "They stand on the spring's own seats: inside more than "
                f"{mm(m.spring_id)}, outside less than {mm(m.spring_od)}."
            ),
        ],
    )
    x = 45.0
    for i, length in enumerate(lengths):
        view = View(page, (x, 150), 1.25)
        view.turned(profiles.tube(m, length))
        view.axis(0, -4, length + 4)
        view.upright(0, length, m.gauge_od / 2, 6, f"{mm(length)} ±0.5")
        if i == 0:
            diameters(
                view, [(m.gauge_id, length, " ±0.3"), (m.gauge_od, length, " ±0.3")], above=True
            )
        x += 68
    return page
