"""A picture of each step of the assembly, and of the lever, made from dimensions.scad.

python hardware/parts/steps.py            # into hardware/drawings
python hardware/parts/steps.py FOLDER     # or into another folder

Cut through the middle, seen from the front; what a step adds is orange.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import profiles
from drawing import Page, View
from measures import Measures
from sheet import coils, mm, write_drawings

NEW, OLD, WOOD = "#f0a030", "#d8dde3", "#e9d8b4"
SCALE = 0.52
NAMES_MM = 64.0  # from the middle to the names, beside the plate


class Stack:
    """The rig as far as it is built; each method draws one part in its place."""

    def __init__(self, m: Measures, new: str, height: float) -> None:
        self.m, self._new = m, new.split()
        self.drop = m.free_length - height
        self.page = Page(220, 165)
        self.view = View(self.page, (110, 145), SCALE)

    def fill(self, name: str) -> str:
        """The part's colour: whether this step adds it."""
        return NEW if name in self._new else OLD

    def plate(self) -> None:
        """Base plate."""
        m = self.m
        self.view.box(-m.plate_x / 2, -m.plate_h, m.plate_x, m.plate_h, self.fill("plate"))

    def cell(self) -> None:
        """Load cell in its locator."""
        m = self.m
        self.view.box(-m.cell_d / 2, 0, m.cell_d, m.cell_h, self.fill("cell"))
        self.view.box(
            -m.cell_button_d / 2, m.cell_h, m.cell_button_d, m.cell_button_h, self.fill("cell")
        )
        for s in (-1, 1):
            self.view.box(s * (m.cell_d / 2 + 4) - 3.5, 0, 7, 6, self.fill("cell"))

    def posts(self) -> None:
        """Stop posts."""
        m = self.m
        for s in (-1, 1):
            self.view.box(
                s * m.post_span / 2 - m.post_d / 2,
                -m.plate_h,
                m.post_d,
                m.post_l,
                self.fill("posts"),
            )

    def nuts(self, gap: float = 0.0, *, high: bool = False) -> None:
        """Stop nuts: `gap` below the crosshead as it stands, or low on their posts."""
        m = self.m
        top = (m.z_crosshead - self.drop - gap) if high else 45.0
        for s in (-1, 1):
            for z in (top - 10, top - 20):
                self.view.box(
                    s * m.post_span / 2 - m.stop_nut_d / 2, z, m.stop_nut_d, 10, self.fill("nuts")
                )

    def platen(self) -> None:
        """Platen on the cell."""
        self.view.turned(profiles.platen(self.m), self.m.z_platen, self.fill("platen"))

    def lower(self) -> None:
        """Lower cup."""
        self.view.turned(profiles.cup(self.m, lower=True), self.m.z_lower, self.fill("lower"))

    def upper(self) -> None:
        """Upper cup."""
        z = self.m.z_pusher - self.drop
        self.view.turned(profiles.cup(self.m, lower=False), z, self.fill("upper"), flip=True)

    def spring(self) -> None:
        """Spring between the cups."""
        coils(self.view, self.m, self.m.z_seat, self.m.free_length - self.drop)

    def tube(self) -> None:
        """Gauge tube in place of the spring."""
        tube = profiles.tube(self.m, self.m.free_length - self.drop)
        self.view.turned(tube, self.m.z_seat, self.fill("tube"))

    def rod(self) -> None:
        """Guide rod with its nut."""
        m = self.m
        under = m.z_seat - m.cup_floor
        self.view.box(
            -m.rod_head_d / 2, under - m.rod_head_h, m.rod_head_d, m.rod_head_h, self.fill("rod")
        )
        self.view.box(-m.rod_d / 2, under, m.rod_d, m.rod_length, self.fill("rod"))
        nut = m.z_pusher + m.rod_slack
        self.view.box(-8, nut, 16, m.rod_washer_h, self.fill("rod"))
        self.view.box(-7, nut + m.rod_washer_h, 14, m.rod_nut_h, self.fill("rod"))

    def head(self, lift: float = 0.0) -> None:
        """Pusher, collar, crosshead and the chuck that holds them."""
        m = self.m
        z = m.z_pusher - self.drop + lift
        top = z + m.pusher_depth + m.pusher_roof
        ends = [-m.crosshead_l / 2]  # the crosshead cut through its three holes
        for x, d in (
            (-m.post_span / 2, m.post_hole),
            (0, m.shank_d),
            (m.post_span / 2, m.post_hole),
        ):
            ends += [x - d / 2, x + d / 2]
        ends.append(m.crosshead_l / 2)
        for left, right in zip(ends[::2], ends[1::2], strict=True):
            self.view.box(left, top, right - left, m.bar_h, self.fill("crosshead"))
        self.view.turned(profiles.pusher(m), z, self.fill("pusher"))
        self.view.turned(profiles.collar(m), z - m.collar_over, self.fill("collar"))
        nose = top + m.bar_h
        self.view.outline(
            [
                (-9, nose),
                (9, nose),
                (20, nose + 22),
                (20, nose + 45),
                (-20, nose + 45),
                (-20, nose + 22),
            ],
            self.fill("chuck"),
        )

    def shield(self) -> None:
        """Side sheets of the shield."""
        m = self.m
        for s in (-1, 1):
            x = m.plate_x / 2 if s > 0 else -m.plate_x / 2 - m.sheet_t
            self.view.box(x, -m.plate_h, m.sheet_t, m.sheet_h, self.fill("shield"))
            edge = s * (m.plate_x / 2 + m.sheet_t)
            self.view.box(min(edge, edge + s * 5), -m.plate_h / 2 - 4, 5, 8, self.fill("shield"))

    def table(self) -> None:
        """Press's table, and the clamps that hold the plate."""
        m = self.m
        self.view.box(-m.plate_x / 2 - 25, -m.plate_h - 12, m.plate_x + 50, 12, "#b9c2ca")
        for s in (-1, 1):
            self.view.box(
                s * m.clamp_x - 4, -m.plate_h - 20, 8, m.plate_h + 26, self.fill("clamps")
            )
            self.view.box(s * m.clamp_x - 9, 0, 18, 8, self.fill("clamps"))

    def names(self, *calls: tuple[float, float, str]) -> None:
        """Names: half width and height of the part, then its name, in turns right and left."""
        for i, (x, z, words) in enumerate(calls):
            side = 1 if i % 2 == 0 else -1
            self.view.call((side * x, z), (side * (NAMES_MM - x * SCALE), -3), words)


def base(m: Measures) -> Page:
    """Base plate and cell."""
    s = Stack(m, "cell", m.free_length)
    s.plate()
    s.cell()
    s.names((m.cell_d / 2, 12, "cell, in its locator"), (m.plate_x / 2 - 30, -8, "base plate"))
    return s.page


def posts(m: Measures) -> Page:
    """Posts, stop nuts, platen."""
    s = Stack(m, "posts nuts platen", m.free_length)
    for draw in (s.plate, s.cell, s.posts, s.nuts, s.platen):
        draw()
    s.names(
        (m.post_span / 2 + 6, 150, "post M12"),
        (m.post_span / 2 + 10, 36, "two nuts"),
        (26, 30, "platen"),
    )
    return s.page


def in_the_press(m: Measures) -> Page:
    """Pusher and crosshead in the chuck, the plate clamped to the table."""
    s = Stack(m, "pusher collar crosshead chuck clamps", m.free_length)
    s.table()
    for draw in (s.plate, s.cell, s.posts, s.nuts, s.platen):
        draw()
    s.head(10)
    nose = m.z_crosshead + m.bar_h + 10
    s.names(
        (9, nose, "jaws on the crosshead"),
        (m.pusher_d / 2, m.z_pusher + 45, "pusher"),
        (24, m.z_pusher + 14, "collar, glued"),
    )
    s.names((m.clamp_x + 9, 5, "clamp"))
    return s.page


def gauging(m: Measures) -> Page:
    """A gauge tube on the seats."""
    s = Stack(m, "lower tube upper", m.gauge_least + 2 * m.gauge_step)
    s.table()
    for draw in (s.plate, s.cell, s.posts, s.nuts, s.platen, s.lower, s.tube, s.upper, s.head):
        draw()
    s.names(
        (m.gauge_od / 2, m.z_seat + 18, "gauge tube, on the seats"),
        (m.cup_d / 2, m.z_seat + 5, "lower cup"),
    )
    s.names((m.cup_d / 2, m.z_seat + 46, "upper cup"))
    return s.page


def flexing(m: Measures) -> Page:
    """Stop nuts while a tube is pressed for the flex."""
    s = Stack(m, "nuts", m.gauge_least + 2 * m.gauge_step)
    s.table()
    for draw in (s.plate, s.cell, s.posts, s.platen, s.lower, s.tube, s.upper, s.head):
        draw()
    s.nuts(2.0, high=True)
    top = m.z_crosshead - s.drop
    s.names(
        (m.post_span / 2 + 8, top - 1, "feeler gauge: 0.05 mm"),
        (m.post_span / 2 + 10, top - 14, "locked nuts"),
    )
    return s.page


def cartridge(m: Measures) -> Page:
    """The captive spring, closed."""
    s = Stack(m, "rod lower upper", m.free_length)
    for draw in (s.lower, s.spring, s.upper, s.rod):
        draw()
    s.names(
        (7, m.z_pusher + 5, f"locknut, {mm(m.rod_slack)} loose"),
        (m.cup_d / 2, m.z_lower + 8, "rod's head inside"),
    )
    s.names((m.spring_od / 2, m.z_seat + 26, "spring"), (m.cup_d / 2, m.z_pusher - 4, "upper cup"))
    return s.page


def stops(m: Measures) -> Page:
    """Stop nuts set on the shortest tube."""
    s = Stack(m, "nuts tube", m.gauge_least)
    s.table()
    for draw in (s.plate, s.cell, s.posts, s.platen, s.lower, s.tube, s.upper, s.head):
        draw()
    s.nuts(1.0, high=True)
    top = m.z_crosshead - s.drop
    s.names(
        (m.post_span / 2 + 10, top - 3, "nuts, locked: 1 mm below"),
        (m.gauge_od / 2, m.z_seat + 14, f"shortest tube, {mm(m.gauge_least)}"),
    )
    return s.page


def scale(m: Measures) -> Page:
    """The linear scale, seen from the side: front on the left, the column on the right."""
    page = Page(220, 200)
    view = View(page, (80, 178), 0.44)
    back, face = m.plate_y / 2, m.scale_arm
    view.box(-back, -m.plate_h, m.plate_y, m.plate_h)
    view.box(-m.cell_d / 2, 0, m.cell_d, m.cell_h)
    view.turned(profiles.platen(m), m.z_platen, OLD)
    view.box(-m.cup_d / 2, m.z_lower, m.cup_d, m.z_pusher - m.z_lower)
    view.box(-m.pusher_d / 2, m.z_pusher, m.pusher_d, m.pusher_depth + m.pusher_roof)
    view.box(-m.crosshead_w / 2, m.z_crosshead, m.crosshead_w, m.bar_h)
    chuck = m.z_crosshead + m.bar_h
    view.box(-20, chuck, 40, 60)
    grip = m.quill_collar_d / 2 + m.bracket_grip
    view.box(-m.quill_collar_d / 2, chuck + 60, m.quill_collar_d, 70)
    arm = chuck + 70
    view.box(-grip, arm, grip + face, 16, NEW)
    view.box(back, -m.plate_h, m.upright_t, m.upright_l, NEW)
    view.box(face + m.scale_room / 2, arm - 100, m.scale_room / 2, 150, NEW)
    view.box(face, arm - 14, m.scale_room / 2, 44, OLD)
    view.across(0, face, arm + 60, 20, mm(face))
    view.axis(0, -m.plate_h - 4, chuck + 145)
    view.call((-grip, arm + 8), (-8, 6), "bracket, on the quill's collar")
    view.call((face + 5, arm + 26), (34, -14), "reading head, on the bracket's face")
    view.call((back - 4, arm - 60), (30, 0), "scale's body, on the upright")
    view.call((back + m.upright_t, 120), (24, 0), f"flat bar {mm(m.upright_w)} x {mm(m.upright_t)}")
    view.call((back + m.upright_t, -8), (24, 0), "two M5 x 16 into the rear edge")
    view.call((-m.crosshead_w / 2, m.z_crosshead + 6), (-10, 4), "crosshead")
    view.call((-20, chuck + 30), (-14, 0), "chuck")
    view.call((-m.quill_collar_d / 2, chuck + 115), (-12, 0), "quill")
    page.text((6, 194), "From the side; front on the left. Posts, table and shield left out.")
    return page


def ready(m: Measures) -> Page:
    """Shield up, captive spring in."""
    s = Stack(m, "shield", m.free_length)
    s.table()
    s.shield()
    for draw in (s.plate, s.cell, s.posts, s.platen, s.lower, s.spring, s.upper, s.head, s.rod):
        draw()
    s.nuts(m.free_length - m.least_height, high=True)
    s.names((m.plate_x / 2, 70, "shield"), (m.spring_od / 2, m.z_seat + 26, "captive spring"))
    return s.page


def weighing(m: Measures) -> Page:
    """The yoke, seen from the side: the plate on two timbers, masses below."""
    page = Page(220, 256)
    view = View(page, (110, 62), 0.38)
    half, y = m.yoke_span / 2, m.plate_y / 2
    cap, bar, low = m.z_yoke_point, m.z_yoke_bar, m.z_yoke_low
    view.box(-y - 60, -m.plate_h - 60, 2 * y + 120, 60, WOOD)
    view.box(-y, -m.plate_h, 2 * y, m.plate_h)
    view.box(-m.cell_d / 2, 0, m.cell_d, m.cell_h)
    view.turned(profiles.platen(m), m.z_platen, OLD)
    _cap_bolt(view, m, 0, cap)
    view.box(-m.yoke_l / 2, bar, m.yoke_l, m.bar_h, NEW)
    view.box(-m.yoke_l / 2, low, m.yoke_l, m.bar_h, NEW)
    for side in (-1, 1):
        view.box(side * half - 5, low - m.nut10_h - 5, 10, m.yoke_drop, NEW)
        for z in (bar - m.nut10_h, bar + m.bar_h, low - m.nut10_h, low + m.bar_h):
            view.box(side * half - 9, z, 18, m.nut10_h, NEW)
    view.box(-8, low + m.bar_h, 16, 6.4, NEW)  # the bolt's head
    view.box(-9, low - m.nut10_h, 18, m.nut10_h, NEW)
    eye = low - m.nut10_h - 22
    view.box(-8, eye + 10, 16, 12, NEW)
    view.circle((0, eye), 42, NEW)
    view.circle((0, eye), 24, "#fff")
    view.box(-2, eye - 64, 4, 54, OLD)
    view.box(-70, eye - 104, 140, 40, "#b9c2ca")
    view.box(-160, eye - 212, 320, 8, WOOD)
    view.call((5, cap + 3), (58, -26), "cap nut M10 in the dimple")
    view.call((-half - 5, -100), (-20, -6), f"two rods M10, {mm(m.yoke_drop)}")
    view.call((y + 50, -50), (16, 4), "two timbers 60 x 60")
    view.call((21, eye), (36, 0), "eye nut M10 on the bolt, locked by a nut")
    view.call((70, eye - 84), (16, 0), "masses, on a strap")
    view.call((120, eye - 206), (10, -6), "board, 100 mm below")
    page.text(
        (6, 252),
        "Timbers bridge two tables or trestles, the rods hang between. Stop posts left out.",
    )
    return page


def _cap_bolt(view: View, m: Measures, x: float, point: float) -> None:
    """Bolt, its head on the bar it goes through, with nut and cap nut, its point at a height."""
    bar = point + m.cap_nut_h + m.nut10_h
    view.box(x - 5, bar + m.bar_h - m.yoke_bolt, 10, m.yoke_bolt, NEW)
    view.box(x - 8, bar + m.bar_h, 16, 6.4, NEW)
    view.box(x - 9, point + m.cap_nut_h, 18, m.nut10_h, NEW)
    wide, round_h = 8.5, m.cap_nut_h - 8
    cap = [(x - wide, point + round_h), (x - wide, point + m.cap_nut_h)]
    cap += [(x + wide, point + m.cap_nut_h), (x + wide, point + round_h)]
    arc = [k * math.pi / 8 for k in range(9)]
    cap += [(x + 8 * math.cos(a), point + round_h * (1 - math.sin(a))) for a in arc]
    view.outline(cap, NEW)


def lever(m: Measures) -> Page:
    """The lever: a small mass far out makes a large load on the cell."""
    page = Page(240, 114)
    view = View(page, (92, 80), 0.3)
    a, far = m.lever_short, m.lever_long
    top = m.z_yoke_bar
    view.box(-m.plate_x / 2 - 20, -m.plate_h - 20, m.plate_x + 40, 20, "#b9c2ca")
    view.box(-m.plate_x / 2, -m.plate_h, m.plate_x, m.plate_h)
    for x in (-m.clamp_x, m.clamp_x):
        view.box(x - 10, 0, 20, 10, NEW)
    view.box(-m.cell_d / 2, 0, m.cell_d, m.cell_h)
    view.turned(profiles.platen(m), m.z_platen, OLD)
    view.box(-a - 6, -m.plate_h, 12, m.post_l)
    view.box(-a - 30, top, far + 60, m.bar_h, NEW)
    _cap_bolt(view, m, 0, m.z_yoke_point)
    view.circle((-a, top + m.bar_h + 4), 8, NEW)
    view.box(-a - 12, top + m.bar_h + 8, 24, 12, NEW)
    view.box(far - a - 2, top - 60, 4, 60, OLD)
    view.box(far - a - 35, top - 120, 70, 60, "#b9c2ca")
    view.across(-a, 0, top + 70, 4, mm(a))
    view.across(-a, far - a, top + 70, 14, f"{mm(far)}: six times as much")
    view.call((-a, top + m.bar_h + 4), (-14, -14), "8 mm rod under washer and nut")
    view.call((-m.clamp_x - 10, 5), (-12, -3), "clamps")
    view.call((far - a + 35, top - 90), (6, 0), "mass")
    holes = f"30 (⌀ {mm(m.post_hole)}), {mm(30 + a)} and {mm(30 + far)} (⌀ {mm(m.yoke_hole)})"
    page.text(
        (6, 110),
        f"Flat bar {mm(m.bar_w)} x {mm(m.bar_h)} x {mm(far + 60)}; holes from the left: {holes}",
    )
    return page


PICTURES: dict[str, Callable[[Measures], Page]] = {
    "step_1": base,
    "step_2": posts,
    "step_3": weighing,
    "step_4": in_the_press,
    "step_5": gauging,
    "scale": scale,
    "step_6": flexing,
    "step_7": cartridge,
    "step_8": stops,
    "step_9": ready,
    "lever": lever,
}


if __name__ == "__main__":
    write_drawings(PICTURES)
