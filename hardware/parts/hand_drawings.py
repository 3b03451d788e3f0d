"""Drawing of cups, platen and pusher that are sawn and filed, without a lathe."""

from __future__ import annotations

from drawing import Page, View
from measures import Measures
from sheet import mm, sheet

STEEL, PRINTED = "url(#hatch)", "#f0a030"
SCALE = 1.1
FLOOR, UNDER = 8, 10  # of the lower cup's two plates; the pusher's square is as thick as the latter
PIPE_WALL = 3.2
FLANGE_H, PIPE_RING_H = 8, 4


def by_hand(m: Measures) -> Page:
    """Cups, platen and pusher without a lathe."""
    page = sheet(
        "Cups, platen, pusher without a lathe",
        f"Flat bar {mm(m.square_w)} x {FLOOR}, {UNDER}, {mm(m.platen_h)}; orange: printed",
        [
            (
                "Squares sawn from bar, lapped (grinding paper on plate glass), parallel to 0.03 "
                "(vernier, corners); drilled on the press."
            ),
            (
                f"Holes: ⌀ {mm(m.rod_d + m.rod_play)} for the rod, ⌀ {mm(m.head_bore)} for its "
                f"head, ⌀ {mm(m.shank_d + 0.3)} for the bolt M12. Lower cup: two plates."
            ),
            (
                "Orange: by_hand.scad; it guides, it carries nothing. Glue it with epoxy to bare, "
                "roughened steel."
            ),
            "Pusher: pipe filed square; flange and four screws M4 x 16 hold it under its square.",
        ],
    )
    _cups(page, m)
    _plan(page, m)
    _platen(page, m)
    _pusher(page, m)
    return page


def _square(view: View, m: Measures, z: float, h: float, r: float) -> None:
    side = m.square_w / 2
    for s in (-1, 1):
        view.outline([(s * r, z), (s * side, z), (s * side, z + h), (s * r, z + h)], STEEL)


def _ring(view: View, low: float, high: float, z: float, h: float) -> None:
    for s in (-1, 1):
        view.outline([(s * low, z), (s * high, z), (s * high, z + h), (s * low, z + h)], PRINTED)


def _guides(view: View, m: Measures, z: float) -> None:
    """Spigot and wall on a floor."""
    hole = (m.rod_d + m.rod_play) / 2
    _ring(view, hole, m.spring_id / 2 - m.clearance, z, m.wall_height)
    _ring(view, m.spring_od / 2 + m.clearance, m.cup_d / 2, z, m.wall_height)


def _cups(page: Page, m: Measures) -> None:
    side, hole = m.square_w / 2, (m.rod_d + m.rod_play) / 2
    square = f"{mm(m.square_w)} x {mm(m.square_w)}"
    lower = View(page, (60, 70), SCALE)
    _square(lower, m, 0, UNDER, m.head_bore / 2)
    _square(lower, m, UNDER, FLOOR, hole)
    _guides(lower, m, UNDER + FLOOR)
    lower.upright(0, UNDER, side, 6, mm(UNDER))
    lower.upright(UNDER, UNDER + FLOOR, side, 6, mm(FLOOR))
    lower.across(-side, side, 0, -8, square)
    page.text((60, 26), "lower cup", anchor="middle")
    upper = View(page, (60, 145), SCALE)
    _square(upper, m, 0, FLOOR, hole)
    _guides(upper, m, FLOOR)
    _ring(upper, m.pipe_d / 2 + 0.2, 23, -PIPE_RING_H, PIPE_RING_H)
    upper.across(-side, side, 0, -12, square)
    upper.upright(0, FLOOR, side, 6, mm(FLOOR))
    page.text((60, 108), "upper cup", anchor="middle")
    page.text((60, 174), "upside down: the ring below takes the pusher's pipe", anchor="middle")


def _plan(page: Page, m: Measures) -> None:
    """The squares from above, with the places of their screws."""
    side, at = m.square_w / 2, m.square_screw
    plan = View(page, (150, 62), SCALE)
    plan.box(-side, -side, m.square_w, m.square_w)
    plan.axis(0, -side - 4, side + 4)
    page.line(plan.at(-side - 4, 0), plan.at(side + 4, 0), "c")
    plan.circle((0, 0), m.rod_d + m.rod_play, "#fff")
    for x, z in ((-at, -at), (-at, at), (at, -at), (at, at)):
        plan.circle((x, z), 4, "#fff")
    plan.across(-at, at, side, 6, mm(2 * at))
    plan.upright(-at, at, side, 6, mm(2 * at))
    for z, words in (
        (98, "screws M4 x 16: lower cup, two opposite corners, ⌀ 4.5 above,"),
        (102.5, "tapped (drill 3.3) below; pusher's square, all four, tapped"),
    ):
        page.text((150, z), words, size=2.9, anchor="middle")


def _platen(page: Page, m: Measures) -> None:
    side = m.square_w / 2
    plate = View(page, (150, 145), SCALE)
    plate.box(-side, 0, m.square_w, m.platen_h, STEEL)
    point = m.platen_h - m.pivot_h
    plate.outline([(-m.pivot_d / 2, m.platen_h), (0, point), (m.pivot_d / 2, m.platen_h)], "#fff")
    _ring(plate, m.cell_button_d / 2 + 0.3, 15, -1, 1)
    _ring(plate, side, side + 3, m.platen_h - 4, 4 + m.register_h)
    plate.across(-side, side, m.platen_h, 10, f"{mm(m.square_w)} x {mm(m.square_w)}")
    plate.upright(0, m.platen_h, side + 3, 6, mm(m.platen_h))
    page.text((150, 157), "platen: frame, button's ring;", size=2.9, anchor="middle")
    page.text((150, 161.5), "dimple as in the turned one", size=2.9, anchor="middle")


def _pusher(page: Page, m: Measures) -> None:
    side, outer, low = m.square_w / 2, m.pipe_d / 2, m.pusher_depth - 22
    push = View(page, (240, 160), 1.0)
    depth = m.pusher_depth + 9  # the screw's head hangs into the pipe
    for s in (-1, 1):
        pipe = [(s * (outer - PIPE_WALL), 0), (s * outer, 0)]
        push.outline([*pipe, *((x, depth) for x, _ in reversed(pipe))], STEEL)
    _ring(push, outer, side, depth - FLANGE_H, FLANGE_H)
    push.box(outer - PIPE_WALL, low, PIPE_WALL, 18, "#fff")
    push.upright(low, low + 18, -outer, -6, "18")
    push.upright(0, low, -outer, -6, mm(low))
    _square(push, m, depth, UNDER, m.shank_d / 2 + 0.15)
    push.box(-9.5, depth - 7.5, 19, 7.5)
    push.box(-6, depth, 12, 50)
    push.upright(0, depth, outer, 10, mm(depth))
    push.upright(depth, depth + UNDER, side, 6, mm(UNDER))
    push.upright(depth, depth + 50, -side, -6, "50 plain")
    words = (
        f"pusher: pipe {mm(m.pipe_d)} x {PIPE_WALL}, window 6 x 18 filed; M12 x 80, thread sawn off"
    )
    page.text((236, 168), words, size=2.9, anchor="middle")
