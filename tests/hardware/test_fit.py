"""What must meet, clear or capture: the guide rod, the shield's holes, gauges, masses, drawings."""

import html
import itertools
import math
import re
import subprocess
import sys
from collections import defaultdict
from pathlib import Path

import pytest

from coilbench.analysis.cli.demo import BUILD_FILE
from coilbench.analysis.engine.build_parsing import parse_build
from support.solids import solid, volume_mm3
from support.tools import tool

HARDWARE = Path(__file__).parents[2] / "hardware"
PARTS = HARDWARE / "parts"
sys.path.insert(0, str(PARTS))

import profiles  # noqa: E402
from measures import TABLE_OF_SPRINGS_MM, Measures, of_spring, press_rows, rod_rows  # noqa: E402

README = (HARDWARE.parent / "README.md").read_text(encoding="utf-8")
PAGE = (HARDWARE / "MECHANICS.md").read_text(encoding="utf-8")
M = Measures()
STEEL_KG_PER_MM3 = 7.85e-6
PRESS_PAGES = ("README.md", "PARTS.md")
SHORTEST, LONGEST = TABLE_OF_SPRINGS_MM[0], TABLE_OF_SPRINGS_MM[-1]

Point = tuple[float, float]


def test_measures_are_those_that_openscad_reckons(tmp_path: Path) -> None:
    names = ("rod_length", "pusher_depth", "z_stop", "sheet_h", "post_l", "gauge_step")
    echo = tmp_path / "echo.scad"
    wanted = ", ".join(names)
    echo.write_text(f"include <{PARTS / 'dimensions.scad'}>\necho({wanted});\ncube(1);\n")
    done = subprocess.run(
        [tool("openscad"), "-o", str(tmp_path / "x.stl"), str(echo)],
        capture_output=True,
        text=True,
        check=True,
    )
    said = re.search(r"ECHO: (.*)", done.stderr)
    assert said
    values = [float(v) for v in said.group(1).split(",")]
    assert values == pytest.approx([getattr(M, name) for name in names])


@pytest.mark.parametrize(("free_mm", "least_mm"), TABLE_OF_SPRINGS_MM)
def test_guide_rod_captures_and_never_stands_on_the_roof(free_mm: float, least_mm: float) -> None:
    m = of_spring(free_mm, least_mm)
    # Stacked up from under the screw's head: floor, spring, floor, rattle, washer, nut.
    washer_top = 8 + free_mm + 8 + 0.5 + 1.6
    nut_top = washer_top + 8
    assert m.rod_length >= nut_top + 2 * 1.25  # two threads stand out
    assert m.rod_length - m.rod_thread <= washer_top  # the thread reaches down to the nut
    # Pressed to the least height, the rod's end over the upper cup's back, in the pusher's bore.
    assert m.rod_length - (8 + least_mm + 8) <= m.pusher_depth - 1.5
    assert m.rod_length in {20, 25, 30, 35, 40, 45, 50, 55, 60, 65, 70, 80, 90, 100, 110, 120}


def test_rod_of_a_length_for_all_fails_the_shortest_and_stands_on_the_pusher() -> None:
    short = Measures(
        free_length=SHORTEST[0], least_height=SHORTEST[1], inner_offset=0.0, rod_length=120
    )
    assert short.rod_length - short.rod_thread > 8 + SHORTEST[0] + 8 + 0.5 + 1.6
    shallow = Measures(rod_length=120, pusher_depth=M.pusher_depth)
    assert shallow.rod_length - (16 + M.inner_least) > shallow.pusher_depth


def test_page_shows_the_rods_of_the_table() -> None:
    assert "\n".join(rod_rows()) in PAGE


@pytest.mark.parametrize(("free_mm", "least_mm"), TABLE_OF_SPRINGS_MM)
def test_the_press_named_lets_every_cartridge_in_and_the_posts_still_lead(
    free_mm: float, least_mm: float
) -> None:
    m = of_spring(free_mm, least_mm)
    # Stacked up from the plate: cell and button less recess, platen, its rim, lower cup's base.
    seat = 20 + 2 - 1 + 12 + 17.5
    rod_end = seat - 8 + m.rod_length + 2  # lower cup lifted over the rim
    pusher_up = rod_end + 5  # the collar hangs 5 below it
    pusher_down = seat + least_mm + 8
    assert m.quill_travel >= pusher_up - pusher_down
    crosshead_up = pusher_up + m.pusher_depth + 15
    assert m.table_to_jaws >= 15 + crosshead_up + 15
    # By hand: the platen without a recess for the button, the cup's base 18, the pipe 9 longer than
    # the bore, its square 10.
    by_hand_up = crosshead_up + 1 + (18 - 17.5) + (9 + 10 - 15)
    assert m.table_to_jaws + m.by_hand_more >= 15 + by_hand_up + 15
    assert m.post_l >= 15 + by_hand_up + 15  # from under the plate: through the whole bar


def test_pages_name_the_press_that_is_needed() -> None:
    flat = [" ".join((HARDWARE / name).read_text("utf-8").split()) for name in PRESS_PAGES]
    assert "\n".join(press_rows()) in (HARDWARE / "PARTS.md").read_text("utf-8")
    assert f"{M.quill_travel:.0f} mm of quill travel and {M.table_to_jaws:.1f} mm from" in flat[0]
    assert f"{M.free_length:.0f} mm free, pressed to {M.inner_least:.0f} mm" in flat[0]
    assert f"squares) {M.by_hand_more:.1f} mm more" in flat[1]
    assert f"tap M12 another {M.no_tap_more:.0f} mm" in flat[1]
    assert f"chuck that takes {M.shank_d:.0f} mm" in flat[1]
    assert f"two posts of {M.post_l:.0f} mm" in flat[1]
    assert f"two of {M.yoke_drop:.0f} mm" in flat[1]
    assert 2 * M.yoke_drop + 5 <= 1000  # of a metre, a saw cut or two
    assert 2 * M.post_l + 5 <= 1000


def test_stub_of_the_check_stands_free_and_weighs_what_it_says() -> None:
    page = (HARDWARE / "WEIGHING.md").read_text("utf-8")
    wide, high = 100.0, 80.0
    assert f"{wide:.0f} mm across and {high:.0f} long" in " ".join(page.split())
    assert f"--mass {math.pi / 4 * wide**2 * high * STEEL_KG_PER_MM3:.2f}kg" in page
    assert wide + 10 < M.post_span - M.stop_nut_d
    assert M.z_lower + M.register_h + high + 10 < M.z_pusher + M.lift - M.collar_over


def test_stops_are_tried_by_what_is_clear_without_the_upper_cup() -> None:
    """The quill's stop would halt the crosshead a millimetre above the nuts: it is off for it."""
    page = " ".join((HARDWARE / "ASSEMBLY.md").read_text("utf-8").split())
    clear = M.least_height - 1 + M.cup_floor - M.wall_height - M.collar_over
    inner = clear - M.inner_offset
    assert (
        f"collar stays {clear:.0f} mm above the lower cup's rim (inner's cups: {inner:.0f})" in page
    )
    step = page.split("## 8. ")[1].split("## 9. ")[0]
    trial = step.index("crosshead lands on the nuts")
    assert (
        step.index("Back the quill's stop off") < trial < step.index("Set the quill's stop again")
    )
    hangs = M.head_space - M.rod_slack  # the closed cartridge rattles, so the rod hangs lower
    assert f"pressed by {hangs:.1f} mm, then it stands on the platen" in " ".join(PAGE.split())


def test_stops_let_the_springs_down_to_where_the_demos_answer_stands() -> None:
    """The README's best fit, and the most shims its build file allows, under a press that gives."""
    build = parse_build(BUILD_FILE, "demo.toml")
    (shown,) = set(re.findall(r"Best fit: .*?, ([\d.]+) mm of shims", README))
    most = max(
        [float(shown)]
        + [s.thickness_mm * min(s.count or 9, build.limits.max_shims) for s in build.shims]
    )
    assert M.installed_height == build.head.installed_height_mm
    for least, offset in ((M.least_height, 0.0), (M.inner_least, build.head.inner_offset_mm)):
        wanted = build.head.installed_height_mm - offset - build.cam.valve_lift_mm - most
        tube = least  # its stop is set on a tube as long as that, without load
        assert tube + 0.5 <= wanted, "at 100 kg the press gives up to half a millimetre"
        assert f"{least:.0f} mm" in PAGE
    assert M.inner_least > M.wall_height + M.spigot_height + 2
    assembly = " ".join((HARDWARE / "ASSEMBLY.md").read_text("utf-8").split())
    assert f"{M.least_height:.0f} mm, {M.inner_least:.0f} mm for the inners" in assembly


def test_cups_for_inner_springs_fit_what_the_page_says() -> None:
    inner = Measures(spring_od=24, spring_id=18, cup_d=M.cup_d)
    flat = " ".join(PAGE.split())
    assert f"-D cup_d={inner.cup_d:g}" in flat
    assert f"{inner.gauge_od:g} outside and {inner.gauge_id:g} inside" in flat
    kg = profiles.volume_mm3(profiles.cup(inner, lower=False)) * STEEL_KG_PER_MM3
    assert f"set edit heron --rests {1000 * kg:.0f}g" in flat
    spigot, wall = inner.spring_id - 2 * M.clearance, inner.spring_od + 2 * M.clearance
    assert f"spigot of {spigot:g} and the wall of {wall:g}" in flat
    assert spigot < 22 - 2 * 2  # the tube 22 x 2 that the page names
    assert wall > 22
    least = M.rod_head_d + 2 * M.clearance
    assert f"inside of {least:.1f} mm" in flat
    assert inner.gauge_id < 20 < inner.gauge_od  # it stands under the wire


def test_gauges_reach_the_seats_and_end_inside_the_travel() -> None:
    lengths = [M.gauge_least + i * M.gauge_step for i in range(4)]
    assert M.gauge_id > M.spring_id - 2 * M.clearance  # over the spigot
    assert M.gauge_od < M.spring_od + 2 * M.clearance  # inside the wall
    assert lengths[0] > M.wall_height + M.spigot_height  # the rims never meet on a tube
    assert M.least_height == lengths[0]  # the stop is set on it
    assert lengths[-1] < M.free_length
    assert f"{lengths[0]:.0f} to {lengths[-1]:.0f} mm long" in " ".join(PAGE.split())


def test_upper_cup_weighs_what_the_page_says() -> None:
    kg = profiles.volume_mm3(profiles.cup(M, lower=False)) * STEEL_KG_PER_MM3
    assert f"{kg:.3f} kg in steel" in PAGE
    assert f"--rests {kg:.3f}kg" in PAGE


def test_turned_profile_is_the_solid(tmp_path: Path) -> None:
    cup = solid(tmp_path, "spring_cup", 'kind="upper"', "$fn=64")
    # The solid's four dimples and its flat sides take up to half a per cent.
    wanted = profiles.volume_mm3(profiles.cup(M, lower=False))
    assert volume_mm3(cup) == pytest.approx(wanted, rel=5e-3)


def holes(facets: list[list[tuple[float, float, float]]], axis: int, at: float) -> list[Point]:
    """Centres of the round holes in a face: points of the face that aren't its corners."""
    first, second = (i for i in range(3) if i != axis)
    face = {
        (round(p[first], 3), round(p[second], 3))
        for facet in facets
        for p in facet
        if abs(p[axis] - at) < 1e-3
    }
    low = [min(p[i] for p in face) for i in (0, 1)]
    high = [max(p[i] for p in face) for i in (0, 1)]
    inner = {p for p in face if all(low[i] < p[i] < high[i] for i in (0, 1))}
    groups: dict[int, list[Point]] = defaultdict(list)
    for p in sorted(inner):
        groups[next((k for k, g in groups.items() if math.dist(g[0], p) < 8), len(groups))].append(
            p
        )
    return [
        (
            (min(p[0] for p in g) + max(p[0] for p in g)) / 2,
            (min(p[1] for p in g) + max(p[1] for p in g)) / 2,
        )
        for g in groups.values()
    ]


def test_shields_holes_meet_the_plates(tmp_path: Path) -> None:
    plate = solid(tmp_path, "base_plate", "$fn=32")
    side = solid(tmp_path, "shield_sheet", 'which="side"')
    front = solid(tmp_path, "shield_sheet", 'which="front"')
    # A sheet stands with its lower edge (its y = 0) at the plate's underside (z = 0): across the
    # plate's end the sheet's x is the plate's y, across its front it is the plate's x.
    in_end = sorted(holes(plate, 0, M.plate_x / 2))
    in_front = sorted(holes(plate, 1, -M.plate_y / 2))
    assert len(in_end) == len(in_front) == 2
    rear = [x for x, _ in sorted(holes(plate, 1, M.plate_y / 2))]
    assert rear == pytest.approx([-M.upright_x, M.upright_x], abs=0.05)
    assert M.upright_x + 5 <= M.upright_w / 2
    assert sorted(holes(side, 2, 0)) == [pytest.approx(hole, abs=0.05) for hole in in_end]
    # A slot open below has its centre in its round end; here its two sides are what is found.
    slots = sorted(holes(front, 2, 0))
    assert [s[0] for s in slots] == pytest.approx([hole[0] for hole in in_front], abs=0.05)


def test_shields_screws_clear_everything() -> None:
    head = M.sheet_head_d / 2
    assert M.plate_h / 2 - head > 0  # above the table
    assert M.plate_h / 2 + head < M.plate_h + 8  # below the clamps' bars
    # The screw's thread in the plate stays out of the plate's own holes.
    taps = [
        ((M.plate_x / 2 - M.sheet_tap_h, M.sheet_side_y), (M.plate_x / 2, M.sheet_side_y)),
        ((M.sheet_front_x, -M.plate_y / 2), (M.sheet_front_x, M.sheet_tap_h - M.plate_y / 2)),
    ]
    bores = [
        ((M.post_span / 2, 0.0), M.post_d / 2),
        ((M.clamp_x, M.clamp_y), M.clamp_hole / 2),
        ((M.clamp_x, -M.clamp_y), M.clamp_hole / 2),
    ]
    for (x1, y1), (x2, y2) in taps:
        for (x, y), r in bores:
            near = min(max(x, x1), x2), min(max(y, y1), y2)
            assert math.dist(near, (x, y)) > r + M.sheet_screw_d / 2 + 1
    # And the front sheet covers the side sheets' edges, but not their screws' heads.
    assert M.sheet_front_x + head < M.plate_x / 2


def test_moving_parts_clear_the_standing_ones() -> None:
    collar = M.pusher_d / 2 + 0.3 + M.collar_wall
    assert collar + 10 < (M.post_span - M.stop_nut_d) / 2
    assert M.post_hole > M.post_d + 1
    assert M.crosshead_l / 2 < M.plate_x / 2  # inside the shield
    assert M.yoke_span / 2 > M.plate_y / 2 + M.yoke_rod_d / 2 + 10  # rods pass the plate
    for free_mm, least_mm in (SHORTEST, LONGEST):
        m = of_spring(free_mm, least_mm)
        assert m.z_stop - 20 > 0  # both nuts above the plate
        assert m.sheet_h - m.plate_h > m.z_pusher  # the shield reaches over the upper cup


@pytest.mark.parametrize("script", ["shop_drawings", "steps"])
def test_drawings_are_those_of_the_measures(script: str, tmp_path: Path) -> None:
    subprocess.run([sys.executable, str(PARTS / f"{script}.py"), str(tmp_path)], check=True)
    made = sorted(tmp_path.glob("*.svg"))
    assert len(made) >= 10
    for drawing in made:
        kept = HARDWARE / "drawings" / drawing.name
        assert kept.read_text(encoding="utf-8") == drawing.read_text(encoding="utf-8"), (
            f"{drawing.name} is stale: run hardware/parts/{script}.py"
        )
        used = [p for p in HARDWARE.glob("*.md") if drawing.name in p.read_text(encoding="utf-8")]
        assert used, f"no page shows {drawing.name}"


def words_of(drawing: Path) -> list[tuple[float, float, float, float, str]]:
    """Each text's box: left, top, right, bottom, by a sans-serif's 0.5 of its size a letter."""
    boxes = []
    for x, y, size, anchor, words in re.findall(
        r'<text[^>]*? x="([-\d.]+)" y="([-\d.]+)" font-size="([\d.]+)" text-anchor="(\w+)">'
        r"([^<]*)<",
        drawing.read_text(encoding="utf-8"),
    ):
        long, tall = 0.5 * float(size) * len(html.unescape(words)), 0.8 * float(size)
        left = float(x) - {"start": 0, "middle": long / 2, "end": long}[anchor]
        boxes.append((left, float(y) - tall, left + long, float(y), words))
    return boxes


DRAWINGS = sorted((HARDWARE / "drawings").glob("*.svg"))


@pytest.mark.parametrize("drawing", DRAWINGS, ids=lambda path: path.stem)
def test_texts_of_a_drawing_stay_on_its_page_and_off_each_other(drawing: Path) -> None:
    text = drawing.read_text(encoding="utf-8")
    wide, high = map(float, re.findall(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', text)[0])
    edge = 7.0 if f'width="{wide - 12:g}" height="{high - 12:g}"' in text else 0.0  # its frame
    boxes = words_of(drawing)
    for left, top, right, bottom, words in boxes:
        assert edge <= left < right <= wide - edge, words
        assert edge <= top < bottom <= high - edge, words
    for one, other in itertools.combinations(boxes, 2):
        beside = one[2] <= other[0] or other[2] <= one[0]
        assert beside or one[3] <= other[1] or other[3] <= one[1], (one[4], other[4])


@pytest.mark.parametrize("drawing", DRAWINGS, ids=lambda path: path.stem)
def test_nothing_drawn_leaves_its_page(drawing: Path) -> None:
    text = drawing.read_text(encoding="utf-8")
    wide, high = map(float, re.findall(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', text)[0])
    body = text.split("</defs>")[1]
    points = [p for each in re.findall(r'points="([^"]+)"', body) for p in each.split()]
    points += [p.replace(" ", ",") for p in re.findall(r"[ML]([-\d.]+ [-\d.]+)", body)]
    for point in points:
        x, y = map(float, point.split(","))
        assert 0 <= x <= wide, point
        assert 0 <= y <= high, point


def test_no_line_is_drawn_over_a_text() -> None:
    """Texts come last, on a white edge: a line that passes behind them leaves them readable."""
    for drawing in DRAWINGS:
        text = drawing.read_text(encoding="utf-8")
        assert "paint-order:stroke;stroke:#fff" in text
        assert "<" not in text[text.rindex("</text>") + 7 :].replace("</svg>", ""), drawing.name
        first = text.index("<text")
        assert not re.search(r"<(?:path|polygon|circle|rect)", text[first:]), drawing.name


def test_yokes_bolts_reach_through_bar_and_nut_and_fill_what_they_carry() -> None:
    """M10: a diameter of thread or more, common practice; cap nut 13, eye nut 10 deep."""
    page = " ".join((HARDWARE / "WEIGHING.md").read_text("utf-8").split())
    left = M.yoke_bolt - M.bar_h - M.nut10_h
    assert 10 <= left <= M.cap_nut_thread
    assert left - 10 < 25 / 4  # of the eye's 25 (DIN 582, a dealer's table)
    assert (
        M.yoke_bolt - 26 <= M.bar_h
    )  # even a part-threaded one (26, from memory) can be tightened
    assert f"M10 x {M.yoke_bolt:.0f}" in page
    assert f"{M.bar_h + M.nut10_h:.1f} mm of the bolt, so {left:.1f} mm are" in page
    assert f"Rods of {M.yoke_drop:.0f} mm" in page


def test_the_yoke_hangs_free_below_its_point() -> None:
    assert M.z_yoke_bar > M.z_lower + M.register_h + 10  # its upper bar over the platen's rim
    lower_top = M.z_yoke_low + M.bar_h + M.nut10_h
    assert lower_top < -M.plate_h - 60 - 100  # a hand's room below the timbers
    # Two like bars: their common centre of mass lies below the point, so it cannot topple.
    assert (M.z_yoke_bar + M.z_yoke_low + M.bar_h) / 2 < M.z_yoke_point - 50
    # From the top of its upper nuts to the end of the lower ones, 5 over at either end.
    top, bottom = M.z_yoke_bar + M.bar_h + M.nut10_h, M.z_yoke_low - M.nut10_h
    assert top - bottom + 10 == pytest.approx(M.yoke_drop)


def test_the_yoke_weighs_what_the_page_says() -> None:
    """Bars, rods (0.48 kg/m, from memory), ten nuts, bolts, cap and eye nut (0.25 kg in all)."""
    page = (HARDWARE / "WEIGHING.md").read_text("utf-8")
    bars = 2 * M.yoke_l * M.bar_w * M.bar_h * STEEL_KG_PER_MM3
    kg = bars + 2 * M.yoke_drop * 0.48e-3 + 0.25
    said = float(re.findall(r"weighs about ([\d.]+) kg", " ".join(page.split()))[0])
    assert said == pytest.approx(kg, abs=0.1)


def test_squares_screws_clear_the_guides_and_hold() -> None:
    """M4 x 16, heads 7 across: outside the wall, inside the square, a diameter of thread."""
    at = M.square_screw * math.sqrt(2)
    assert at - 3.5 > M.cup_d / 2
    assert at - 3.5 > M.pipe_d / 2 + 0.2
    assert M.square_screw + 4 < M.square_w / 2
    assert 16 - 8 >= 4  # lower cup: through its floor of 8; pusher: through the flange of 8
    assert 16 - 8 < 10  # and neither comes out of the plate of 10
    assert M.cup_d < M.square_w


def test_bought_lengths_are_enough_for_what_is_cut_from_them() -> None:
    """With 3 mm a saw cut; the three rings of round bar from 50 mm, pipe and tube likewise."""
    page = (HARDWARE / "PARTS.md").read_text("utf-8")
    bar = [M.yoke_l, M.yoke_l, M.lever_long + 60]
    cups = [m_h + M.wall_height for m_h in (M.lower_base, M.cup_floor)]
    turned = [*cups, M.platen_h + M.register_h, M.pusher_depth + M.pusher_roof + M.shank_h]
    tubes = [M.gauge_least + i * M.gauge_step for i in range(4)]
    needs = {
        "flat bar 40 x 15": (bar, 1300),
        "60 x 15": ([M.crosshead_l], 200),
        "30 x 8": ([M.upright_l], 500),
        "round bar 50 mm": (turned, 300),
        "steel pipe 33.7": ([M.pusher_depth + 9], 300),
        "tube 32 x 3": (tubes, 200),
        "50 x 8": ([M.square_w] * 3, 300),
    }
    for words, (lengths, bought) in needs.items():
        assert words in page
        assert sum(lengths) + 3 * len(lengths) <= bought, words
    assert M.platen_d + 2 * M.platen_rim <= 50
    assert f"two {M.plate_y:.0f} x {M.sheet_h:.0f}" in page
    assert f"one {M.plate_x + 2 * M.sheet_t:.0f} x {M.sheet_h:.0f}" in page


def test_the_dimple_is_what_a_drill_leaves_and_the_cap_nut_stands_on_its_edge() -> None:
    """A twist drill's point is 118 degrees, a cap nut's dome 16 across, both from memory."""
    cone = math.radians(118 / 2)
    assert M.pivot_h == pytest.approx(M.pivot_d / 2 / math.tan(cone), abs=0.05)
    dome = 16 / 2
    assert dome * math.cos(cone) > M.pivot_d / 2  # too blunt to touch the cone: it centres itself
    sinks = dome - math.sqrt(dome**2 - (M.pivot_d / 2) ** 2)
    assert M.pivot_sink == pytest.approx(sinks, abs=0.05)
    assert sinks < M.pivot_h  # its tip stays free
