"""Drawings of the parts of bar, plate and sheet: crosshead, yoke, base plate, shield."""

from __future__ import annotations

from collections.abc import Sequence

from drawing import Page, View
from measures import Measures
from sheet import mm, sheet


def crosshead(m: Measures) -> Page:
    """Crosshead."""
    page = sheet(
        "Crosshead, 1 off",
        f"Steel flat bar {mm(m.crosshead_w)} x {mm(m.bar_h)}",
        [
            "Holes in the middle of the width. Those for the posts have 1.5 of play.",
            (
                "Upper face: the chuck's nose stands on it. Lower face: flat, on the "
                "pusher's shoulder."
            ),
        ],
    )
    _bar(
        View(page, (148, 95), 1.1),
        m.crosshead_l,
        (m.crosshead_w, m.bar_h),
        [(-m.post_span / 2, m.post_hole), (0, m.shank_d + 0.3), (m.post_span / 2, m.post_hole)],
        0.2,
    )
    return page


def yoke_bars(m: Measures) -> Page:
    """Bars of the yoke."""
    page = sheet(
        "Yoke bar, 2 off",
        f"Steel flat bar {mm(m.bar_w)} x {mm(m.bar_h)}",
        [
            "Sawn and drilled, holes in the middle of the width.",
            "How the yoke goes together: step_3.svg.",
        ],
    )
    span = m.yoke_span / 2
    _bar(
        View(page, (148, 95), 1.0),
        m.yoke_l,
        (m.bar_w, m.bar_h),
        [(-span, m.yoke_hole), (0, m.yoke_hole), (span, m.yoke_hole)],
        0.5,
    )
    return page


def _bar(
    view: View,
    length: float,
    section: tuple[float, float],
    holes: Sequence[tuple[float, float]],
    within: float,
) -> None:
    wide, high = section
    half, w = length / 2, wide / 2
    view.box(-half, -w, length, wide)
    view.page.line(view.at(-half - 4, 0), view.at(half + 4, 0), "c")
    for x, d in holes:
        view.circle((x, 0), d, "#fff")
        view.axis(x, -w - 4, w + 4)
        view.call((x + d / 2 * 0.7, -d / 2 * 0.7), (8, 26), f"⌀ {mm(d)}")
    view.across(holes[0][0], holes[2][0], w, 16, f"{mm(holes[2][0] - holes[0][0])} ±{within}")
    half_way = f"{mm(holes[1][0] - holes[0][0])} ±{within}"
    view.across(holes[0][0], holes[1][0], w, 8, half_way)
    view.across(-half, half, w, 24, mm(length))
    view.upright(-w, w, half, 12, mm(wide))
    edge = View(view.page, (view.origin[0], view.origin[1] + 62), view.scale)
    edge.box(-half, 0, length, high)
    edge.upright(0, high, half, 12, mm(high))


def base_plate(m: Measures) -> Page:
    """Base plate."""
    page = sheet(
        "Base plate, 1 off",
        (
            f"Steel plate {mm(m.plate_x)} x {mm(m.plate_y)} x {mm(m.plate_h)}, sawn to "
            "size by the merchant"
        ),
        [
            (
                f"Posts: M{mm(m.post_d)} through, square to the plate (drill {mm(m.post_tap)}). "
                f"Clamps: ⌀ {mm(m.clamp_hole)}; shift them to your table's slots."
            ),
            (
                f"Edges: M{mm(m.sheet_screw_d)}, {mm(m.sheet_tap_h)} deep (drill "
                f"{mm(m.sheet_tap)}), middle of the thickness; rear ones, for the scale's "
                f"upright, {mm(2 * m.upright_x)} apart."
            ),
            (
                f"Locator: M3 through (drill {mm(m.locator_tap)}), three on "
                f"⌀ {mm(2 * m.locator_r)}. Where the cell stands: flat to 0.03, burrs off."
            ),
            (
                f"No tap M12? Posts through ⌀ {mm(m.shank_d + 0.3)}, a nut above and below, the "
                f"plate on two bars 30 x {mm(m.no_tap_more)}, clamp holes through them."
            ),
        ],
    )
    view = View(page, (118, 98), 0.85)
    x, y = m.plate_x / 2, m.plate_y / 2
    view.box(-x, -y, m.plate_x, m.plate_y)
    for s in (-1, 1):
        view.circle((s * m.post_span / 2, 0), m.post_d, "#fff")
        for t in (-1, 1):
            view.circle((s * m.clamp_x, t * m.clamp_y), m.clamp_hole, "#fff")
        for t in (-1, 1):  # tapped into the edges: hidden
            _hidden(view, s * x, t * m.sheet_side_y, -s * m.sheet_tap_h, 0, m.sheet_tap)
        _hidden(view, s * m.sheet_front_x, -y, 0, m.sheet_tap_h, m.sheet_tap)
        _hidden(view, s * m.upright_x, y, 0, -m.sheet_tap_h, m.sheet_tap)
    for dx, dy in ((0, 1), (-1, 0), (0, -1)):
        view.circle((dx * m.locator_r, dy * m.locator_r), 3, "#fff")
    view.circle((0, 0), m.cell_d, kind="h")
    view.axis(0, -y - 4, y + 4)
    page.line(view.at(-x - 4, 0), view.at(x + 4, 0), "c")
    view.across(-m.post_span / 2, m.post_span / 2, y, 7, f"{mm(m.post_span)} ±0.2")
    view.across(-m.clamp_x, m.clamp_x, y, 14, mm(2 * m.clamp_x))
    view.across(-x, x, y, 21, mm(m.plate_x))
    view.across(-m.sheet_front_x, m.sheet_front_x, -y, -9, f"{mm(2 * m.sheet_front_x)} ±0.2")
    view.upright(-m.sheet_side_y, m.sheet_side_y, x, 8, f"{mm(2 * m.sheet_side_y)} ±0.2")
    view.upright(-m.clamp_y, m.clamp_y, x, 26, mm(2 * m.clamp_y))
    view.upright(-y, y, x, 38, mm(m.plate_y))
    view.call((0, -m.cell_d / 2), (14, 14), "cell stands here")
    view.call((-m.post_span / 2 + 4, -4), (6, 22), f"M{mm(m.post_d)}")
    page.text((118, 172), "front: the edge with two holes, towards you", anchor="middle")
    edge = View(page, (272, 150), 0.85)
    edge.box(-m.plate_h, 0, m.plate_h, m.plate_y)
    edge.across(-m.plate_h, 0, m.plate_y, 6, mm(m.plate_h))
    return page


def _hidden(view: View, x: float, y: float, dx: float, dy: float, d: float) -> None:
    for side in (-d / 2, d / 2):
        ox, oy = (0.0, side) if dx else (side, 0.0)
        view.page.line(view.at(x + ox, y + oy), view.at(x + dx + ox, y + dy + oy), "h")


def shield(m: Measures) -> Page:
    """Sheets of the shield."""
    page = sheet(
        "Shield: 2 side sheets, 1 front sheet",
        f"Polycarbonate {mm(m.sheet_t)} mm; never acrylic",
        [
            (
                f"Holes and slots ⌀ {mm(m.sheet_hole)} for M{mm(m.sheet_screw_d)} x 16 "
                f"with washers ⌀ {mm(m.sheet_head_d)} into the plate's edges."
            ),
            (
                "Front: slots open below; loosen two thumb screws and lift it off. It "
                "overlaps the side sheets."
            ),
            "A strap with a buckle round all three, two thirds up, holds the corners together.",
        ],
    )
    for origin, width, at, slot in (
        ((62, 165), m.plate_y, m.sheet_side_y, False),
        ((200, 165), m.plate_x + 2 * m.sheet_t, m.sheet_front_x, True),
    ):
        view = View(page, origin, 0.62)
        view.box(-width / 2, 0, width, m.sheet_h, "#e6f2f8")
        for s in (-1, 1):
            if slot:
                view.box(s * at - m.sheet_hole / 2, 0, m.sheet_hole, m.plate_h / 2, "#fff")
            view.circle((s * at, m.plate_h / 2), m.sheet_hole, "#fff")
        view.axis(0, -2, m.sheet_h + 4)
        view.across(-at, at, m.plate_h / 2, 14, f"{mm(2 * at)} ±0.2")
        view.across(-width / 2, width / 2, m.sheet_h, 8, mm(width))
        view.upright(0, m.sheet_h, width / 2, 7, mm(m.sheet_h))
        view.upright(0, m.plate_h / 2, -width / 2, -6, mm(m.plate_h / 2))
        page.text((origin[0], 175.5), "front, 1 off" if slot else "side, 2 off", anchor="middle")
    return page
