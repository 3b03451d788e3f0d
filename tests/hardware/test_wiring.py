"""The wiring: one table, and firmware, drawings and pages agree with it."""

import csv
import importlib.util
import re
import subprocess
import sys
import xml.etree.ElementTree as ElementTree
from collections import Counter
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
WIRING = ROOT / "hardware" / "wiring"
CONFIG = (ROOT / "firmware" / "coilbench" / "config.h").read_text(encoding="utf-8")
PAGE = (ROOT / "hardware" / "WIRING.md").read_text(encoding="utf-8")
SVG = "{http://www.w3.org/2000/svg}"
DRAWINGS = ["usb", "pi", "caliper", "potentiometer"]

# ATmega328P on the Uno and Nano: PORTD bit n is Dn, PORTB bit n is D(8 + n)
# (the stock AVR core's variants/standard/pins_arduino.h).
FIRST_PIN_OF_PORT = {"D": 0, "B": 8}

# The 40-pin header: gpiozero 2's table PLUS_J8, read once and copied here.
HEADER = {
    "3V3": {1, 17},
    "5V": {2, 4},
    "GND": {6, 9, 14, 20, 25, 30, 34, 39},
    "GPIO5": {29},
    "GPIO6": {31},
    "GPIO17": {11},
    "GPIO27": {13},
}


def rows(drawing: str) -> list[dict[str, str]]:
    with (WIRING / "connections.csv").open(newline="", encoding="utf-8") as file:
        return [row for row in csv.DictReader(file) if row["drawing"] == drawing]


def pin_of(drawing: str, part: str, pin: str) -> str:
    (row,) = [r for r in rows(drawing) if (r["from_part"], r["from_pin"]) == (part, pin)]
    return row["to_pin"]


def setting(name: str) -> str:
    found = re.search(rf"#define COILBENCH_{name} (\S+)", CONFIG)
    assert found, f"config.h sets no COILBENCH_{name}"
    return found.group(1)


def port_pin(name: str, port: str | None = None) -> str:
    """The board's pin for a bit set in config.h, and the number its comment claims agrees."""
    letter = port or setting(f"{name}_PORT").removeprefix("PORT")
    number = FIRST_PIN_OF_PORT[letter] + int(setting(f"{name}_BIT"))
    claimed = re.search(rf"COILBENCH_{name}_BIT \d+ +// (\d+)", CONFIG)
    assert claimed
    assert int(claimed.group(1)) == number
    return f"D{number}"


def firmware_pins() -> dict[tuple[str, str, str], str]:
    dout = re.search(r"DOUT must stay on (\d+)", CONFIG)
    scale = re.search(r"A and B must stay on (\d+) and (\d+)", CONFIG)
    assert dout
    assert scale
    a, b = (f"D{pin}" for pin in scale.groups())
    return {
        ("usb", "HX711 board", "DOUT"): f"D{dout.group(1)}",
        ("usb", "HX711 board", "SCK"): port_pin("SCK"),
        ("usb", "linear scale", "A"): a,
        ("usb", "linear scale", "B"): b,
        ("usb", "accept button", "1"): port_pin("ACCEPT", "D"),
        ("usb", "redo button", "1"): port_pin("REDO", "D"),
        # board.h takes the caliper's clock on INT0 and its data on PD3.
        ("caliper", "digital caliper", "CLOCK"): a,
        ("caliper", "digital caliper", "DATA"): b,
        ("potentiometer", "slide potentiometer", "wiper"): "A" + setting("POTENTIOMETER_CHANNEL"),
    }


@pytest.mark.parametrize("end", sorted(firmware_pins()))
def test_table_matches_firmware(end: tuple[str, str, str]) -> None:
    assert pin_of(*end) == firmware_pins()[end]


def test_led_pin_matches_firmware() -> None:
    led = port_pin("LED")
    for page in ("WIRING.md", "POWERUP.md"):
        assert f"LED on {led}" in (ROOT / "hardware" / page).read_text(encoding="utf-8")


def test_no_signal_pin_is_used_twice() -> None:
    for drawing in DRAWINGS:
        used = Counter((r["to_part"], r["to_pin"]) for r in rows(drawing))
        shared = {pin for (_, pin), n in used.items() if n > 1}
        assert shared <= {"5V", "3V3", "GND"}


def test_header_pins_are_those_of_the_gpio() -> None:
    numbers = [int(r["header_pin"]) for r in rows("pi") if r["header_pin"]]
    assert len(set(numbers)) == len(numbers)
    wired = [row for row in rows("pi") if row["to_part"] == "Raspberry Pi"]
    assert len(wired) == len(numbers) == 8
    for row in wired:
        assert int(row["header_pin"]) in HEADER[row["to_pin"]], row


def test_no_5_volt_output_reaches_a_gpio_undivided() -> None:
    scale = {r["from_pin"]: r["via"] for r in rows("pi") if r["from_part"] == "linear scale"}
    assert scale["A"] == scale["B"] == "divider"
    assert pin_of("pi", "HX711 board", "VCC") == "3V3"
    drawn = (WIRING / "draw.py").read_text(encoding="utf-8")
    upper, lower = map(float, re.findall(r'"([\d.]+) kΩ"', drawn)[:2])
    assert f"{upper} kΩ over {lower} kΩ" in PAGE
    # 5.25 V: USB's upper limit. 2.0 V: the highest input threshold the page names.
    assert 5.25 * lower / (upper + lower) < 3.3
    assert 4.75 * lower / (upper + lower) > 2.0


def page_tables() -> dict[str, list[tuple[str, str, str, str]]]:
    """Per drawing the rows (part, pin, board pin, header pin) of the page's tables."""
    tables: dict[str, list[tuple[str, str, str, str]]] = {}
    drawing = ""
    for line in PAGE.splitlines():
        if found := re.search(r"wiring/(\w+)\.svg", line):
            drawing = found.group(1)
        elif found := re.match(r"\| (.+) \|$", line):
            cells = [cell.strip() for cell in found.group(1).split("|")]
            if (
                drawing
                and len(cells) >= 3
                and cells[0] not in ("part", "---", "means", "HX711 board E")
            ):
                pin = re.split(r" \(|, through", cells[1])[0]
                header = cells[3] if len(cells) == 4 else ""
                tables.setdefault(drawing, []).append((cells[0], pin, cells[2], header))
        elif line.startswith("## The load cell"):
            break
    return tables


def test_page_tables_equal_the_connections() -> None:
    tables = page_tables()
    assert sorted(tables) == sorted(DRAWINGS)
    for drawing, told in tables.items():
        wired = [
            (r["from_part"], r["from_pin"], r["to_pin"], r["header_pin"])
            for r in rows(drawing)
            if r["from_part"] != "load cell"
        ]
        assert told == wired


def test_every_pi_address_in_the_pages_matches_the_table() -> None:
    address = "pi:dout={},sck={},a={},b={}".format(
        *(
            pin_of("pi", part, pin).removeprefix("GPIO")
            for part, pin in [
                ("HX711 board", "DOUT"),
                ("HX711 board", "SCK"),
                ("linear scale", "A"),
                ("linear scale", "B"),
            ]
        )
    )
    found = 0
    for path in (ROOT / "hardware").rglob("*"):
        if path.suffix in (".md", ".env"):
            for told in re.findall(r"pi:dout[\w=,]+", path.read_text(encoding="utf-8")):
                assert told == address, path
                found += 1
    assert found >= 3


def texts(svg: Path) -> Counter[str]:
    root = ElementTree.parse(svg).getroot()
    assert root.tag == f"{SVG}svg"
    return Counter("".join(e.itertext()).strip() for e in root.iter(f"{SVG}text"))


@pytest.mark.parametrize("drawing", DRAWINGS)
def test_drawing_shows_every_pin_of_the_table(drawing: str) -> None:
    expected: Counter[str] = Counter()
    for row in rows(drawing):
        header = f" ({row['header_pin']})" if row["header_pin"] else ""
        expected[row["from_pin"]] += 1
        expected[row["to_pin"] + header] += 1
    shown = texts(WIRING / f"{drawing}.svg")
    if drawing == "caliper":  # the two pull-ups' supply
        expected["5V"] += 2
    pins = Counter({text: n for text, n in shown.items() if text in expected})
    assert pins == expected


def shapes(svg: Path) -> list[tuple[str, str, list[float]]]:
    """What is drawn, element by element, numbers to a tenth of a point."""
    drawn = []
    for element in ElementTree.parse(svg).getroot().iter():
        place = " ".join(
            value
            for key, value in sorted(element.attrib.items())
            if key in ("d", "x", "y", "points")
        )
        numbers = [round(float(n), 1) + 0.0 for n in re.findall(r"-?\d+\.?\d*(?:e-?\d+)?", place)]
        drawn.append((element.tag, (element.text or "").strip(), numbers))
    return drawn


def test_drawings_are_made_from_the_table(tmp_path: Path) -> None:
    if importlib.util.find_spec("schemdraw") is None:
        pytest.skip("schemdraw is not installed: pip install schemdraw")
    subprocess.run([sys.executable, str(WIRING / "draw.py"), str(tmp_path)], check=True)
    for drawing in DRAWINGS:
        fresh, kept = (shapes(folder / f"{drawing}.svg") for folder in (tmp_path, WIRING))
        assert fresh == kept, f"{drawing}.svg is stale: python hardware/wiring/draw.py"


def bill() -> list[dict[str, str]]:
    """The list of parts in PARTS.md, a row each."""
    page = (ROOT / "hardware" / "PARTS.md").read_text(encoding="utf-8")
    table = page.split("## The list")[1].split("\n\n")[2]
    lines = [[cell.strip() for cell in line.strip("|").split("|")] for line in table.splitlines()]
    return [dict(zip(lines[0], line, strict=True)) for line in lines[2:]]


@pytest.mark.parametrize("drawing", DRAWINGS)
def test_list_of_parts_has_everything_that_is_wired(drawing: str) -> None:
    listed = {
        name
        for row in bill()
        if drawing in row["rig"].split(", ")
        for name in row["part"].split(", ")
    }
    wired = {row[end] for row in rows(drawing) for end in ("from_part", "to_part")}
    wired |= {row["via"] for row in rows(drawing)} - {""}
    assert wired <= listed


def test_list_of_parts_has_the_drawn_resistors() -> None:
    drawn = (WIRING / "draw.py").read_text(encoding="utf-8")
    values = set(re.findall(r"\d+(?:\.\d+)? kΩ", drawn.split("PITCH")[0]))
    assert len(values) >= 3
    text = " ".join(row["search for"] for row in bill())
    assert not {value for value in values if value not in text}
    # A base and a collector resistor for each of the two signals.
    lifted = [row for row in rows("caliper") if row["via"] == "transistor"]
    number = {row["part"]: row["number"] for row in bill()}
    assert int(number["transistor"]) == len(lifted)
    assert int(number["transistor's resistors"]) == 2 * len(lifted)


def test_boards_named_are_those_of_the_firmware() -> None:
    page = (ROOT / "hardware" / "PARTS.md").read_text(encoding="utf-8")
    firmware = (ROOT / "firmware" / "README.md").read_text(encoding="utf-8")
    named = set(re.findall(r"arduino:avr:[\w:=]+", page))
    assert len(named) == 2
    assert named <= set(re.findall(r"arduino:avr:[\w:=]+", firmware))
    refused = re.search(r"\| (Uno R4.*?) boards \| ", firmware)
    assert refused
    for board in re.findall(r"Uno R4|Nano Every|Nano 33|Leonardo|Mega", refused.group(1)):
        assert board in page


def test_pi_rig_has_buttons_or_the_pages_say_none() -> None:
    wired = {row["from_part"] for row in rows("pi")}
    assert not any("button" in part for part in wired)
    for name in ("PARTS.md", "WIRING.md"):
        text = (ROOT / "hardware" / name).read_text(encoding="utf-8")
        assert re.search(r"no\s+buttons", text.replace("*", ""))
