"""Draw the rigs' wiring from connections.csv: one SVG for each drawing.

    pip install schemdraw
    python hardware/wiring/draw.py            # writes the drawings beside this file
    python hardware/wiring/draw.py FOLDER     # or into another folder

The table has the connections; LAYOUT only has the positions on the page. Each wire is a
straight line at its own height, so a board shows 5V and GND as often as they are used.
"""

import csv
import sys
from pathlib import Path

import schemdraw
from schemdraw import elements as elm

HERE = Path(__file__).parent
WIRE_COLOUR = {"5V": "#c00000", "3V3": "#c06000", "GND": "#202020"}
SIGNAL_COLOUR = "#0050a0"
# 2.2 kohm over 3.3 kohm brings 5 V down to 5 V * 3.3 / (2.2 + 3.3) = 3.0 V.
UPPER, LOWER = "2.2 kΩ", "3.3 kΩ"
BASE, COLLECTOR = "10 kΩ", "10 kΩ"  # of the transistors that lift a caliper's 1.5 V to 5 V
PITCH = {"": 1.0, "divider": 3.4, "transistor": 5.4}  # height of a wire's lane on the page
LANE_TOP = {"": 0.5, "divider": 0.6, "transistor": 2.9}  # the wire's place below its lane's top
BOX_WIDTH, LINK, GAP = 5.2, 4.2, 1.6

# For each drawing: the columns from left to right, each a list of parts from the top.
LAYOUT = {
    "usb": [
        ["load cell"],
        ["HX711 board"],
        ["Uno or Nano"],
        ["linear scale", "accept button", "redo button"],
    ],
    "pi": [["load cell"], ["HX711 board"], ["Raspberry Pi"], ["linear scale"]],
    "caliper": [["Uno or Nano"], ["digital caliper"]],
    "potentiometer": [["Uno or Nano"], ["slide potentiometer"]],
}
TITLE = {
    "usb": "USB rig: Uno or Nano (ATmega328P, 5 V), HX711, quadrature scale",
    "pi": "Raspberry Pi rig: HX711 at 3.3 V, 5 V quadrature scale through dividers",
    "caliper": "Second choice for travel: a 24-bit digital caliper",
    "potentiometer": "Cheapest choice for travel: a slide potentiometer",
}
NOTE = {
    "usb": [
        "Every 5V is one and the same wire, every GND too: join them at a terminal strip.",
        "RATE on the HX711 board is linked to VCC there: 80 samples a second.",
        "A button closes its pin to GND; pull-ups and LED (D13) are on the Uno or Nano.",
    ],
    "pi": [
        "GPIO numbers are BCM, the header's pin in brackets. No GPIO may ever see more than 3.3 V:",
        "the HX711 board gets 3V3, never 5V; each line of a 5 V scale goes through its divider.",
        "Every GND is one wire. RATE on the HX711 board is linked to VCC: 80 samples a second.",
    ],
    "caliper": [
        "The caliper keeps its own 1.5 V cell. Any small NPN transistor will do.",
        "The transistors turn both signals upside down: COILBENCH_CALIPER_INVERTED 1.",
    ],
    "potentiometer": [
        "5 to 10 kΩ, linear taper. If travel falls on the way down,",
        "exchange the wires of the two ends.",
    ],
}

Row = dict[str, str]
Point = tuple[float, float]


def connections(drawing: str) -> list[Row]:
    """The rows of the table for one drawing, in the table's order."""
    with (HERE / "connections.csv").open(newline="", encoding="utf-8") as file:
        return [row for row in csv.DictReader(file) if row["drawing"] == drawing]


def columns(drawing: str) -> dict[str, int]:
    """The column of each part."""
    return {part: i for i, parts in enumerate(LAYOUT[drawing]) for part in parts}


def lanes(drawing: str, rows: list[Row]) -> list[tuple[Row, float]]:
    """Each row with the height (negative: below the title) at which its wire runs.

    Wires between the same two columns share a ladder of lanes; a new part starts after a gap.
    """
    column = columns(drawing)
    placed: list[tuple[Row, float]] = []
    ladder: dict[int, tuple[float, str]] = {}
    for row in rows:
        between = min(column[row["from_part"]], column[row["to_part"]])
        y, last = ladder.get(between, (0.0, row["from_part"]))
        if last != row["from_part"]:
            y -= GAP
        placed.append((row, y - LANE_TOP[row["via"]]))
        ladder[between] = (y - PITCH[row["via"]], row["from_part"])
    return placed


def pin_text(row: Row, end: str) -> str:
    """What is written at a wire's end."""
    header = row["header_pin"] if end == "to" else ""
    return f"{row[f'{end}_pin']} ({header})" if header else row[f"{end}_pin"]


def draw_box(picture: schemdraw.Drawing, name: str, left: float, heights: list[float]) -> None:
    """One part: a box round all its pins, its name above."""
    top, bottom = max(heights) + 0.6, min(heights) - 0.6
    picture += elm.Rect(corner1=(left, bottom), corner2=(left + BOX_WIDTH, top)).fill("#f4f4f0")
    write(picture, name, (left + BOX_WIDTH / 2, top + 0.35), "center", 13)


def write(picture: schemdraw.Drawing, text: str, point: Point, align: str, size: int) -> None:
    """Text at a point; the angle is set since the page otherwise keeps the last wire's."""
    label = elm.Label().at(point).theta(0)
    picture += label.label(text, "center", (0, -0.12), align, "center", fontsize=size)


def draw_divider(picture: schemdraw.Drawing, start: Point, end: Point, colour: str) -> None:
    """From a 5 V output at start down to 3 V at end."""
    middle = (end[0] + (start[0] - end[0]) * 0.3, end[1])
    foot = (middle[0], middle[1] - 1.9)
    picture += elm.Resistor().at(start).to(middle).label(UPPER, fontsize=11).color(colour)
    picture += elm.Line().at(middle).to(end).color(colour)
    picture += elm.Dot().at(middle).color(colour)
    picture += elm.Resistor().at(middle).to(foot).label(LOWER, loc="bottom", fontsize=11)
    picture += elm.Ground().at(foot)


def draw_transistor(picture: schemdraw.Drawing, start: Point, end: Point, colour: str) -> None:
    """From a 1.5 V output at start, on the right, to an inverted 5 V signal at end."""
    node = (end[0] + 1.0, end[1])
    top = (node[0], node[1] + 1.8)
    picture += elm.Line().at(end).to(node).color(colour)
    picture += elm.Dot().at(node).color(colour)
    picture += elm.Resistor().at(node).to(top).label(COLLECTOR, loc="bottom", fontsize=11)
    picture += elm.Vdd().at(top).theta(0).label("5V", fontsize=11)
    npn = elm.BjtNpn(circle=True).theta(0).reverse().anchor("collector").at(node)
    picture += npn
    picture += elm.Ground().at(npn.emitter).theta(0)
    knee = (start[0] - 0.4, npn.base[1])
    picture += elm.Resistor().at(npn.base).to(knee).label(BASE, fontsize=11)
    picture += elm.Line().at(knee).to((knee[0], start[1])).color(colour)
    picture += elm.Line().at((knee[0], start[1])).to(start).color(colour)


def draw_wire(picture: schemdraw.Drawing, row: Row, start: Point, end: Point) -> None:
    """One wire between two boxes, straight or through what the table puts in its way."""
    colour = WIRE_COLOUR.get(row["to_pin"], SIGNAL_COLOUR)
    if row["via"] == "divider":
        draw_divider(picture, start, end, colour)
    elif row["via"] == "transistor":
        draw_transistor(picture, start, end, colour)
    else:
        picture += elm.Line().at(start).to(end).color(colour)


def draw(drawing: str) -> schemdraw.Drawing:
    """One whole drawing."""
    rows = lanes(drawing, connections(drawing))
    column = columns(drawing)
    left = {part: i * (BOX_WIDTH + LINK) for part, i in column.items()}
    heights: dict[str, list[float]] = {part: [] for part in column}
    picture = schemdraw.Drawing(show=False)
    picture.config(bgcolor="white")
    for row, y in rows:
        heights[row["from_part"]].append(y)
        heights[row["to_part"]].append(y)
    for part, ys in heights.items():
        draw_box(picture, part, left[part], ys)
    for row, y in rows:
        ends = {}
        for end, other in (("from", "to"), ("to", "from")):
            part, opposite = row[f"{end}_part"], row[f"{other}_part"]
            faces_right = column[opposite] > column[part]
            x = left[part] + (BOX_WIDTH if faces_right else 0.0)
            ends[end] = (x, y)
            inward = -0.2 if faces_right else 0.2
            align = "right" if faces_right else "left"
            write(picture, pin_text(row, end), (x + inward, y), align, 12)
        draw_wire(picture, row, ends["from"], ends["to"])
    write(picture, TITLE[drawing], (0, 1.6), "left", 15)
    lowest = min(y for _, y in rows) - 1.6
    for i, line in enumerate(NOTE[drawing]):
        write(picture, line, (0, lowest - 0.6 * i), "left", 12)
    return picture


def main() -> None:
    """Write every drawing into the folder named on the command line."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else HERE
    schemdraw.use("svg")
    for drawing in LAYOUT:
        (folder / f"{drawing}.svg").write_bytes(draw(drawing).get_imagedata("svg") + b"\n")


if __name__ == "__main__":
    main()
