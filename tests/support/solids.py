"""Parts compiled by OpenSCAD, and what their facets tell."""

import re
import subprocess
from pathlib import Path

from support.tools import tool

PARTS = Path(__file__).parents[2] / "hardware" / "parts"

FEW_SIDES = "$fn=16"

Triangle = list[tuple[float, float, float]]


def compile_part(part: str, to: Path, *settings: str) -> subprocess.CompletedProcess[str]:
    define = [argument for s in settings for argument in ("-D", s)]
    return subprocess.run(
        [tool("openscad"), "-q", *define, "-o", str(to), str(PARTS / f"{part}.scad")],
        capture_output=True,
        text=True,
        check=False,
    )


def triangles(stl: Path) -> list[Triangle]:
    """The facets of an ASCII STL, which is what OpenSCAD 2021 writes; newer: ask for it."""
    points = [
        (float(x), float(y), float(z))
        for x, y, z in re.findall(r"vertex (\S+) (\S+) (\S+)", stl.read_text(encoding="ascii"))
    ]
    assert points
    assert len(points) % 3 == 0
    return [points[i : i + 3] for i in range(0, len(points), 3)]


def solid(tmp_path: Path, part: str, *settings: str) -> list[Triangle]:
    stl = tmp_path / f"{part}.stl"
    done = compile_part(part, stl, *settings)
    assert done.returncode == 0, done.stderr
    assert "WARNING" not in done.stderr
    return triangles(stl)


def volume_mm3(facets: list[Triangle]) -> float:
    """By the divergence theorem: a sixth of the sum of a . (b x c)."""
    total = 0.0
    for (ax, ay, az), (bx, by, bz), (cx, cy, cz) in facets:
        total += ax * (by * cz - bz * cy) + ay * (bz * cx - bx * cz) + az * (bx * cy - by * cx)
    return total / 6


def size_mm(facets: list[Triangle]) -> list[float]:
    return [
        max(p[i] for f in facets for p in f) - min(p[i] for f in facets for p in f)
        for i in range(3)
    ]
