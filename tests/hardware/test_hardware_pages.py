"""The pages on the rig: figures, faults and lights agree with what they name."""

import math
import re
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
HARDWARE = ROOT / "hardware"
sys.path.insert(0, str(HARDWARE / "parts"))

import strength  # noqa: E402
from measures import Measures  # noqa: E402

MEASURES = Measures()
PAGES = {path.name: path.read_text(encoding="utf-8") for path in sorted(HARDWARE.glob("*.md"))}


def flat(page: str) -> str:
    return re.sub(r"[*\s]+", " ", PAGES[page])


@pytest.mark.parametrize(
    "caution",
    [
        "stores enough energy to blind",
        "Capture the spring at both ends",
        "Bolt the press to its bench",
        "Unplug the press and work the quill by hand",
        "Wear eye protection",
        "Never let go of a loaded lever",
        "Keep fingers out",
        "Stop before coil bind",
        "Never exceed the press's or the load cell's rating",
        "The cam grinder's and the engine maker's data, and a qualified engine machinist, come",
        "not legal for trade",
    ],
)
def test_readme_warns(caution: str) -> None:
    assert caution in flat("README.md")


@pytest.mark.parametrize(
    "page", ["HEAD.md", "SCALE.md", "POWERUP.md", "ASSEMBLY.md", "WEIGHING.md"]
)
def test_page_to_work_by_sends_to_the_cautions_first(page: str) -> None:
    first_paragraph = PAGES[page].split("\n\n")[1]
    assert "(README.md#safety-first)" in first_paragraph


KGF = 9.80665  # N, 3rd CGPM 1901
HAND_N = 200 * 250 / 15
FIGURES = {
    ("README.md", "= {:.1f} J"): 30 * 26**2 / 2 / 1000,
    ("README.md", "= {:.1f} m/s"): math.sqrt(2 * 10.1 / 0.080),
    ("PARTS.md", "= {:,.0f} counts"): 2e-3 / (0.5 / 128) * 2**23,
    ("PARTS.md", "{:.3f} g each at 200 kg"): 200e3 / (2e-3 / (0.5 / 128) * 2**23),
    ("PARTS.md", "{:.2f} kg on a 200 kg cell"): 0.0005 * 200,
    ("PARTS.md", "{:.2f} kg on a 500 kg cell"): 0.0005 * 500,
    ("PARTS.md", "at most {:.1f} mV"): 2 * 4.3,
    ("PARTS.md", "{:.0f} µV/kg"): 2e-3 * 4.3 / 200 * 1e6,
    ("PARTS.md", "= {:.1f} g"): 90e-9 / (2e-3 * 4.3 / 200) * 1000,
    ("PARTS.md", "| 0.005 mm | {:.4f} kg |"): 3.5 * 0.005,
    ("PARTS.md", "| 0.01 mm | {:.3f} kg |"): 3.5 * 0.01,
    ("PARTS.md", "averaged | {:.1f} kg |"): 3.5 * 60 / 1023,
    ("HEAD.md", "0.1 mm is {:.2f} kg"): 3.5 * 0.1,
    ("HEAD.md", "takes {:.2f} kg off"): 3.5 * 0.5,
    ("HEAD.md", "= {:.2f} mm proud"): 39.0 - 7.27,
    ("HEAD.md", "/ 2 = {:.3f} mm lower"): (31.73 - 31.5) / 2,
    ("HEAD.md", "/ 2 = {:.3f} mm,"): (33.0 - 31.73) / 2,
    ("HEAD.md", "= {:.2f} mm more lash"): (33.0 - 31.73) / 2 * 1.5,
    ("SCALE.md", "({:.0f} N) at a"): 110 * KGF,
    ("SCALE.md", "= {:,.0f} N·mm"): 1079 * 150 * 300 / 450,
    ("SCALE.md", "= {:.0f} mm³, so"): 40 * 20**2 / 6,
    ("SCALE.md", "so {:.1f} N/mm²"): 107_900 / (40 * 20**2 / 6),
    ("MECHANICS.md", "= {:.0f} N, 340 kg"): HAND_N,
    ("MECHANICS.md", "N, {:.0f} kg. That"): HAND_N / KGF,
    ("MECHANICS.md", "200 kg ({:.0f} N)"): 200 * KGF,
    ("MECHANICS.md", "= {:.0f} N/mm²; a print"): 200 * KGF / (math.pi * 5**2),
    ("MECHANICS.md", "0.2 kg) = {:.1f} m/s"): math.sqrt(2 * 10.1 / 0.2),
    ("MECHANICS.md", "0.857 = {:.0f} N"): 13 * 0.1 * 2000 * 0.857 / 2,
    ("MECHANICS.md", "N, {:.0f} kg (13 mm"): 13 * 0.1 * 2000 * 0.857 / 2 / KGF,
    ("WEIGHING.md", "up to {:.1f} % wrong"): (3 - 2 * math.cos(math.radians(5)) - 1) * 100,
    ("WEIGHING.md", "70 mm is {:.1f} %"): 0.5 / 70 * 100,
    ("WEIGHING.md", "up with {:.0f} kg"): 10 * (420 - 70) / 70,
    ("MECHANICS.md", "cell, {:.1f} times 200 kg"): HAND_N / KGF / 200,
    ("MECHANICS.md", "100 mm, {:.1f} m/s"): math.sqrt(2 * KGF * 0.1),
    ("MECHANICS.md", "m/s, {:.1f} J on the board"): 60 * KGF * 0.1,
    ("MECHANICS.md", "up to 10.1 J, {:.1f} m/s"): math.sqrt(2 * 10.1 / 0.080),
    ("MECHANICS.md", "33 mm = {:.3f} mm across"): 0.05 / 150 * 33,
    ("MECHANICS.md", "44 mm · 0.0006 = {:.2f} mm"): MEASURES.scale_arm * 0.0006,
    ("MECHANICS.md", "mm, {:.1f} kg at 3.5 kg/mm"): MEASURES.scale_arm * 0.0006 * 3.5,
    ("WEIGHING.md", "arm of {:.0f} mm"): MEASURES.scale_arm,
    ("WEIGHING.md", "makes {:.2f} mm"): MEASURES.scale_arm * 0.0006,
    ("MECHANICS.md", "0.45 m = {:.0f} N m"): 200 * 0.45,
    ("MECHANICS.md", "0.17 m = {:.0f} N m"): 30 * KGF * 0.17,
    ("WEIGHING.md", "masses press {:.2f} % less"): (1 - 9.776 / KGF) * 100,
    ("WEIGHING.md", "there, {:.2f} kg at 60 kg"): (1 - 9.776 / KGF) * 60,
    ("WEIGHING.md", "leaves {:.0f} mm"): MEASURES.cell_button_d / 2 - 3,
    ("MECHANICS.md", "bears {:.0f} N alone"): strength.first_nut_n(MEASURES),
    ("WIRING.md", "= {:.2f} V"): 5 * 3.3 / 5.5,
    ("WIRING.md", "and {:.2f} V if"): 5.25 * 3.3 / 5.5,
}


@pytest.mark.parametrize(("page", "form"), sorted(FIGURES))
def test_figure_is_what_its_formula_gives(page: str, form: str) -> None:
    wanted = form.format(FIGURES[page, form])
    text = flat(page)
    assert wanted in text or wanted.replace(",", " ") in text, wanted


def test_a_part_bought_as_a_cups_floor_reaches_under_the_spring() -> None:
    """Set collars by bore and outside, recalled from memory: none passes the rod and reaches."""
    row = next(line for line in PAGES["README.md"].split("\n") if line.startswith("| two cups"))
    for bore, outside in ((10, 20), (15, 25), (25, 40)):
        assert f"bore {bore} goes with {outside}" in flat("README.md")
        reaches = outside >= MEASURES.spring_od and bore <= MEASURES.rod_head_d
        assert not reaches
    assert "collars" not in row.split("|")[4].replace("shaft collars don't do", "")


def test_the_scale_finds_its_place_and_clears_what_moves() -> None:
    """From the quill to the rear: the bracket's face, scale with its head, upright, column."""
    back = MEASURES.plate_y / 2
    assert MEASURES.scale_arm + MEASURES.scale_room == back
    crosshead = MEASURES.crosshead_w / 2
    assert crosshead + 5 < MEASURES.scale_arm
    # An M4's head, 4 high, 14 from the middle, has room between the clamp and the face's plate.
    clamp = MEASURES.quill_collar_d / 2 + MEASURES.bracket_grip
    assert MEASURES.scale_arm - MEASURES.bracket_plate - math.sqrt(clamp**2 - 14**2) > 4
    assert MEASURES.scale_room >= 15
    assert f"{MEASURES.scale_room:.0f} mm are left for the scale" in flat("MECHANICS.md")
    assert f"at least {back + MEASURES.upright_t + 7:.0f} mm behind the quill's middle" in flat(
        "PARTS.md"
    )
    top = MEASURES.upright_l - MEASURES.plate_h
    assert top > MEASURES.z_raised + MEASURES.bar_h + 60 + 16  # a chuck of 60, the bracket
    assert "drawings/scale.svg" in PAGES["ASSEMBLY.md"]
    assert "upright" in PAGES["ASSEMBLY.md"].split("## 5. ")[1].split("## 6. ")[0]


def test_faults_are_those_of_the_protocol() -> None:
    row = re.compile(r"^\| (0\d) \| ([^|]+?) (?:\(.*?\) )?\|", re.MULTILINE)
    protocol = (ROOT / "firmware" / "PROTOCOL.md").read_text(encoding="utf-8")
    table = protocol.split("| code | fault |")[1].split("\n\n")[0]
    promised = dict(row.findall(table))
    assert len(promised) >= 4
    assert dict(row.findall(PAGES["POWERUP.md"])) == promised


def test_light_is_that_of_the_firmware() -> None:
    core = (ROOT / "firmware" / "coilbench" / "coilbench_core.h").read_text(encoding="utf-8")
    body = core.split("bool led_on(uint32_t now_us) const {")[1].split("\n  }\n")[0]
    fault, streaming, stopped, flash = (int(n, 16) for n in re.findall(r"0x([0-9A-F]+)u", body))
    page = PAGES["POWERUP.md"]
    # A bit of the microsecond clock is on for half of twice its weight.
    assert round(1e6 / (2 * fault)) == 4
    assert "fast, about four times a second | a fault" in page
    assert round(1e6 / (2 * streaming)) == 1
    assert "evenly, about once a second | alive, sending" in page
    assert round((stopped + 1) / 1e6) == 2
    assert flash < (stopped + 1) / 10
    assert "a short flash every two seconds | alive, stopped" in page


def test_baud_rate_is_the_firmwares() -> None:
    config = (ROOT / "firmware" / "coilbench" / "config.h").read_text(encoding="utf-8")
    found = re.search(r"#define COILBENCH_BAUD (\d+)", config)
    assert found
    for page in ("POWERUP.md", "SERVICE.md"):
        rates = re.findall(r"(?:baud=|at )(\d{5,6})\b", PAGES[page])
        assert rates
        assert set(rates) == {found.group(1)}


def test_settings_named_exist_in_the_firmware() -> None:
    config = (ROOT / "firmware" / "coilbench" / "config.h").read_text(encoding="utf-8")
    named = {s for text in PAGES.values() for s in re.findall(r"COILBENCH_[A-Z_]+[A-Z]", text)}
    assert {s for s in named if f"#define {s}" not in config} <= {
        "COILBENCH_PORT",
        "COILBENCH_BOOK",
    }
    assert len(named) >= 4


def test_mistakes_are_told_with_the_strength_that_is_reckoned() -> None:
    """The factors of the table of mistakes are those of the table of stresses."""
    stresses, mistakes = PAGES["MECHANICS.md"].split("## The worst that a mistake does")
    for part, words in (("crosshead, less", "crosshead, factor"), ("guide rod M8", "rod, factor")):
        row = next(line for line in stresses.split("\n") if line.startswith(f"| {part}"))
        factor = row.strip("| ").split("|")[-1].strip()
        assert f"{words} {factor}" in mistakes.split("## Shield")[0]
