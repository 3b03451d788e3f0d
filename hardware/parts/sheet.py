"""What the drawings share: the page with its title block, round views, a spring; writing them."""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from drawing import Page, View
from measures import Measures

FOLDER = Path(__file__).parents[1] / "drawings"

GENERAL = (
    "Without a tolerance: ISO 2768-m. Edges broken 0.3. All measures in mm; from dimensions.scad."
)


def sheet(title: str, material: str, remarks: Sequence[str]) -> Page:
    """An A4 page with its title block."""
    page = Page(297, 210)
    page.add(
        '<rect x="6" y="6" width="285" height="198" fill="none" '
        'stroke="#1b2733" stroke-width=".5"/>'
    )
    page.line((6, 178), (291, 178), "o")
    page.text((10, 185), title, size=5)
    page.text((10, 191), material, size=3.4)
    page.text((10, 202), GENERAL, size=2.6)
    for i, line in enumerate(remarks):
        page.text((122, 183 + 4.3 * i), line, size=2.7)
    return page


def mm(value: float) -> str:
    """A length as a drawing writes it."""
    return f"{value:.2f}".rstrip("0").rstrip(".")


def round_view(view: View, diameters: Sequence[float]) -> None:
    """A turned part from its end: its circles, and crossed centre lines."""
    reach = max(diameters) / 2 + 4
    for i, d in enumerate(sorted(diameters, reverse=True)):
        view.circle((0, 0), d, fill="#d8dde3" if i == 0 else "none")
    view.axis(0, -reach, reach)
    view.page.line(view.at(-reach, 0), view.at(reach, 0), "c")


def diameters(view: View, rows: Sequence[tuple[float, float, str]], *, above: bool) -> None:
    """Diameters (d, height of its edge, remark) one over the other, smallest first."""
    edge = (max if above else min)(z for _, z, _ in rows)
    for i, (d, z, remark) in enumerate(rows):
        away = (edge - z) * view.scale + (8 + 7 * i) * (1 if above else -1)
        view.across(-d / 2, d / 2, z, away, f"⌀ {mm(d)}{remark}")


def coils(view: View, m: Measures, z: float, height: float) -> None:
    """A spring cut through its axis."""
    wire, n = (m.spring_od - m.spring_id) / 2, 6
    for i in range(n + 1):
        for side, late in ((-1, 0.0), (1, 0.5)):
            if i + late <= n:
                at = z + wire / 2 + (height - wire) * (i + late) / n
                view.circle((side * (m.spring_od - wire) / 2, at), wire, "#e0b040")


def write_drawings(drawings: Mapping[str, Callable[[Measures], Page]]) -> None:
    """Write drawings, by name, into the folder named on the command line, else into FOLDER."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER
    folder.mkdir(exist_ok=True)
    for name, draw in drawings.items():
        draw(Measures()).save(folder / f"{name}.svg")
