"""The printable and turned parts: all there, closed solids, and as large as they say."""

import math
import re
import sys
from collections import Counter
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "hardware" / "parts"))

from measures import Measures

from support.solids import FEW_SIDES, PARTS, compile_part, size_mm, solid, volume_mm3

HARDWARE = Path(__file__).parents[2] / "hardware"
PAGE = (HARDWARE / "MECHANICS.md").read_text(encoding="utf-8")
SOLIDS = sorted(p.stem for p in PARTS.glob("*.scad") if p.stem not in ("dimensions", "assembly"))


def test_page_lists_every_part_and_only_parts_that_exist() -> None:
    assert set(re.findall(r"parts/(\w+)\.scad\)", PAGE)) == {*SOLIDS, "dimensions"}


@pytest.mark.parametrize("picture", [*SOLIDS, "assembly", "section"])
def test_picture_is_there_and_small(picture: str) -> None:
    image = (PARTS / f"{picture}.png").read_bytes()
    assert image.startswith(b"\x89PNG\r\n\x1a\n")
    assert len(image) < 100_000
    assert f"parts/{picture}.png" in PAGE


@pytest.mark.parametrize("part", SOLIDS)
def test_part_is_a_closed_solid(part: str, tmp_path: Path) -> None:
    facets = solid(tmp_path, part, FEW_SIDES)
    edges = Counter(edge for f in facets for edge in ((f[0], f[1]), (f[1], f[2]), (f[2], f[0])))
    assert all(edges[b, a] == n for (a, b), n in edges.items())
    assert volume_mm3(facets) > 0


def test_sizes_follow_geometry(tmp_path: Path) -> None:
    # Circles are drawn with 64 or 96 sides: up to 0.2 % less area than the circle.
    crosshead = solid(tmp_path, "crosshead")
    holes = math.pi / 4 * (12.3**2 + 2 * 13.5**2)
    assert volume_mm3(crosshead) == pytest.approx((180 * 60 - holes) * 15, rel=2e-3)
    assert size_mm(crosshead) == pytest.approx([180, 60, 15])

    # Lengths and widths don't change with the number of sides; these are quicker.
    pusher = solid(tmp_path, "pusher", "pusher_depth=50", "pusher_roof=15", FEW_SIDES)
    assert size_mm(pusher)[2] == pytest.approx(50 + 15 + 40)

    upper = solid(tmp_path, "spring_cup", 'kind="upper"', FEW_SIDES)
    assert size_mm(upper)[2] == pytest.approx(8 + 9)


def test_parts_follow_the_spring(tmp_path: Path) -> None:
    cup = solid(tmp_path, "spring_cup", "spring_od=26", "spring_id=18", FEW_SIDES)
    # Outside: the spring, 0.4 mm play and a 4 mm wall all round.
    assert size_mm(cup)[0] == pytest.approx(26 + 2 * 0.4 + 2 * 4, abs=0.1)
    for part in ("spring_cup", "gauge_tube", "platen", "pusher"):  # a pair for inner springs
        inner = "spring_od=24", "spring_id=18", f"cup_d={Measures().cup_d}"
        facets = solid(tmp_path, part, *inner, FEW_SIDES)
        wanted = {"gauge_tube": 24 - 1.0, "platen": 41.8 + 6}.get(part, 41.8)
        assert size_mm(facets)[0] == pytest.approx(wanted, abs=0.1)
    ring = solid(tmp_path, "spring_cup", 'make="ring"', FEW_SIDES)
    assert size_mm(ring)[0] == pytest.approx(33 + 0.8 - 0.3, abs=0.1)


@pytest.mark.parametrize(
    ("setting", "words"),
    [
        ("least_height=15", "the cups would meet before the stop"),
        ("spring_id=12", "too narrow for this guide rod"),
        ("cup_d=37", "too narrow for this spring"),
        ("spring_id=28", "walls are too thin"),
    ],
)
def test_impossible_measures_are_refused(setting: str, words: str, tmp_path: Path) -> None:
    name, _, mm = setting.partition("=")
    with pytest.raises(ValueError, match=words):
        Measures(**{name: float(mm)})
    done = compile_part("spring_cup", tmp_path / "cup.stl", setting)
    assert done.returncode != 0
    assert words in done.stderr
