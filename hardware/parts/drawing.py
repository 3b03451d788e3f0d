"""SVG pages to draw on in a part's own millimetres: outlines, hatched sections, dimensions."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from pathlib import Path

Point = tuple[float, float]
STEEL, LINE, DIM = "#d8dde3", "#1b2733", "#0050a0"
TEXT_MM = 3.2
LETTER = 0.55  # a letter's width of its height, in a sans-serif
NARROW_MM = 7.0  # between two points with less than this the arrows stand outside
STYLE = (
    "text{font-family:sans-serif;fill:#1b2733;"
    "paint-order:stroke;stroke:#fff;stroke-width:.9;stroke-linejoin:round}"
    ".d{fill:#0050a0}.o{stroke:#1b2733;stroke-width:.45}"
    ".t{stroke:#0050a0;stroke-width:.2;fill:none}"
    ".c{stroke:#8a2020;stroke-width:.2;stroke-dasharray:5 1.2 1 1.2}"
    ".h{stroke:#1b2733;stroke-width:.25;stroke-dasharray:1.6 1}"
)
HATCH = (
    '<pattern id="hatch" width="2.2" height="2.2" patternUnits="userSpaceOnUse" '
    'patternTransform="rotate(45)"><rect width="2.2" height="2.2" fill="#eef1f4"/>'
    '<path d="M0 0V2.2" stroke="#5a6b7a" stroke-width=".3"/></pattern>'
)


class Page:
    """One drawing; x to the right and y down in mm of paper."""

    def __init__(self, width: float, height: float) -> None:
        self.width, self.height = width, height
        self._body: list[str] = []
        self._words: list[str] = []  # last, over every line

    def add(self, element: str) -> None:
        """Put a finished SVG element on the page."""
        self._body.append(element)

    def text(
        self,
        at: Point,
        words: str,
        *,
        size: float = TEXT_MM,
        anchor: str = "start",
        dim: bool = False,
    ) -> None:
        """Write one line of text, over whatever lines there are."""
        kind = ' class="d"' if dim else ""
        self._words.append(
            f'<text{kind} x="{at[0]:.2f}" y="{at[1]:.2f}" font-size="{size}" '
            f'text-anchor="{anchor}">{escape(words)}</text>'
        )

    def line(self, a: Point, b: Point, kind: str) -> None:
        """A straight line of a kind: o outline, t thin, c centre line, h hidden."""
        self.add(f'<path class="{kind}" d="M{a[0]:.2f} {a[1]:.2f}L{b[0]:.2f} {b[1]:.2f}"/>')

    def arrow(self, tip: Point, tail: Point) -> None:
        """A filled arrow head at the tip of a line along x or y."""
        dx, dy = tip[0] - tail[0], tip[1] - tail[1]
        length = max(abs(dx), abs(dy)) or 1.0
        ux, uy = 2.2 * dx / length, 2.2 * dy / length
        points = (
            tip,
            (tip[0] - ux - uy / 5, tip[1] - uy + ux / 5),
            (tip[0] - ux + uy / 5, tip[1] - uy - ux / 5),
        )
        self.add(f'<polygon fill="{DIM}" points="{_points(points)}"/>')

    def save(self, path: Path) -> None:
        """Write the page."""
        head = (
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{self.width:g}mm" '
            f'height="{self.height:g}mm" '
            f'viewBox="0 0 {self.width:g} {self.height:g}">'
            f"<style>{STYLE}</style><defs>{HATCH}</defs>"
            f'<rect width="{self.width:g}" height="{self.height:g}" fill="#fff"/>'
        )
        path.write_text("\n".join([head, *self._body, *self._words, "</svg>\n"]), encoding="utf-8")


class View:
    """A part on a page: x to the right and z up in mm of the part."""

    def __init__(self, page: Page, origin: Point, scale: float = 1.0) -> None:
        self.page, self.origin, self.scale = page, origin, scale

    def at(self, x: float, z: float) -> Point:
        """Where a point of the part lies on the page."""
        return self.origin[0] + x * self.scale, self.origin[1] - z * self.scale

    def outline(self, points: Sequence[Point], fill: str = STEEL) -> None:
        """A closed outline."""
        placed = [self.at(*point) for point in points]
        self.page.add(f'<polygon class="o" fill="{fill}" points="{_points(placed)}"/>')

    def box(self, x: float, z: float, width: float, height: float, fill: str = STEEL) -> None:
        """A rectangle from its lower left corner."""
        self.outline([(x, z), (x + width, z), (x + width, z + height), (x, z + height)], fill)

    def turned(
        self,
        profile: Sequence[Point],
        z: float = 0.0,
        fill: str = "url(#hatch)",
        *,
        flip: bool = False,
    ) -> None:
        """A turned part cut through its axis, its lower face at z (its upper one, if flipped)."""
        right = [(r, z + (-h if flip else h)) for r, h in profile]
        left = [(-r, h) for r, h in reversed(right)]
        for r, h in right:  # edges seen beyond the cut; the cut itself covers the rest
            self.page.line(self.at(-r, h), self.at(r, h), "o")
        for closed in [right + left] if right[0][0] == 0 else [right, left]:
            self.outline(closed, fill)

    def circle(self, at: Point, d: float, fill: str = "none", kind: str = "o") -> None:
        """A circle."""
        x, y = self.at(*at)
        self.page.add(
            f'<circle class="{kind}" fill="{fill}" cx="{x:.2f}" cy="{y:.2f}" '
            f'r="{d / 2 * self.scale:.2f}"/>'
        )

    def axis(self, x: float, low: float, high: float) -> None:
        """A vertical centre line."""
        self.page.line(self.at(x, low), self.at(x, high), "c")

    def across(self, x1: float, x2: float, z: float, away: float, words: str) -> None:
        """Dimension along x of two points at height z, its line `away` mm above (+) or below."""
        (ax, ay), (bx, _) = self.at(x1, z), self.at(x2, z)
        y = ay - away
        beyond = y - 1.5 if away > 0 else y + 1.5
        for x in (ax, bx):
            self.page.line((x, ay), (x, beyond), "t")
        self._between((ax, y), (bx, y))
        if LETTER * TEXT_MM * len(words) < bx - ax:
            self.page.text(((ax + bx) / 2, y - 0.9), words, anchor="middle", dim=True)
        else:  # beside it, where no line runs
            self.page.text((bx + (7.0 if bx - ax < NARROW_MM else 2.0), y + 1.1), words, dim=True)

    def upright(self, z1: float, z2: float, x: float, away: float, words: str) -> None:
        """Dimension along z of two points at x, its line `away` mm right (+) or left."""
        (px, ay), (_, by) = self.at(x, z1), self.at(x, z2)
        line_x = px + away
        beyond = line_x + (1.5 if away > 0 else -1.5)
        for y in (ay, by):
            self.page.line((px, y), (beyond, y), "t")
        self._between((line_x, ay), (line_x, by))
        anchor = "start" if away > 0 else "end"
        beside = 1.0 if ay - by >= NARROW_MM else 2.2
        self.page.text(
            (line_x + (beside if away > 0 else -beside), (ay + by) / 2 + 1.1),
            words,
            anchor=anchor,
            dim=True,
        )

    def call(self, at: Point, to: Point, words: str) -> None:
        """A name or remark at `to` (mm of paper from the point), with a line to the point."""
        x, y = self.at(*at)
        end = x + to[0], y + to[1]
        self.page.line((x, y), end, "t")
        anchor = "start" if to[0] >= 0 else "end"
        self.page.text(
            (end[0] + (0.8 if to[0] >= 0 else -0.8), end[1] + 1.1), words, anchor=anchor, dim=True
        )

    def _between(self, a: Point, b: Point) -> None:
        far = max(abs(b[0] - a[0]), abs(b[1] - a[1])) >= NARROW_MM
        self.page.line(a, b, "t")
        if far:
            self.page.arrow(a, b)
            self.page.arrow(b, a)
        else:  # arrows from outside
            ux = 5.0 if a[1] == b[1] else 0.0
            uy = 0.0 if ux else 5.0
            low, high = min(a, b), max(a, b)
            for tip, sign in ((low, -1), (high, 1)):
                tail = (tip[0] + sign * ux, tip[1] + sign * uy)
                self.page.line(tip, tail, "t")
                self.page.arrow(tip, tail)


def _points(points: Sequence[Point]) -> str:
    return " ".join(f"{x:.2f},{y:.2f}" for x, y in points)
