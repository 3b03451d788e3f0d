"""What the pages to work by ask for is in the list of what to buy; what they tell comes first."""

import re
from pathlib import Path

import pytest

HARDWARE = Path(__file__).parents[2] / "hardware"
PAGES = {path.name: path.read_text(encoding="utf-8") for path in sorted(HARDWARE.glob("*.md"))}
BILL = " ".join(PAGES["PARTS.md"].split("## The list")[1].lower().split())
WORK_BY = ("ASSEMBLY.md", "WEIGHING.md", "MECHANICS.md", "POWERUP.md", "WIRING.md")
DRAWINGS = {
    path.name: " ".join(re.findall(r"<text[^>]*>([^<]*)<", path.read_text(encoding="utf-8")))
    for path in sorted((HARDWARE / "drawings").glob("*.svg"))
}
THREADS = (3, 4, 5, 8, 10, 12)
# Everything that a workshop has words for; most of it no page asks for, and then it is not needed.
TOOLS = """
anvil; board; bolt; buckle; caliper; clamp bolt; dial gauge; drill; eye nut; feeler gauge; file;
glasses; glue; hacksaw; hex key; hook-up wire; kitchen scale; lathe chuck; micrometer; nut;
ohmmeter; oscilloscope; pin punch; plate glass; reamer; ring spanner; screwdriver; self-locking nut;
soldering iron; spanner; spirit level; strap; tap; terminal strip; thumb screw; timbers;
torque wrench; trestle; vernier; vice; voltmeter; washer; cap nut; threaded rod; round bar; tube
"""


@pytest.mark.parametrize("page", [*WORK_BY, *DRAWINGS])
def test_every_screw_that_is_named_is_in_the_list(page: str) -> None:
    """With its length where it has one."""
    text = PAGES.get(page) or DRAWINGS[page]
    named = re.findall(r"\bM(\d+)(?: x (\d+))?\b", text)
    missing = [
        f"M{size} x {length}" if length else f"M{size}"
        for size, length in named
        if int(size) in THREADS and f"m{size}{length and f' x {length}'}" not in BILL
    ]
    assert missing == []


@pytest.mark.parametrize("tool", [each.strip() for each in TOOLS.split(";")])
def test_every_tool_that_is_named_is_in_the_list(tool: str) -> None:
    texts = [*(PAGES[page] for page in WORK_BY), *DRAWINGS.values()]
    asked = any(re.search(rf"\b{tool}s?\b", text, re.IGNORECASE) for text in texts)
    assert not asked or re.search(rf"\b{tool}s?\b", BILL), tool


def test_spanners_and_keys_are_of_the_sizes_that_are_asked_for() -> None:
    asked = {n for page in WORK_BY for n in re.findall(r"(?:spanners?|key) (\d+) mm", PAGES[page])}
    assert {"13", "19", "6"} <= asked
    tools = BILL.split("tools: taps")[1].split("glue.")[0]
    have = set(re.findall(r"\b\d+\b", tools.split("spanners")[1]))
    assert asked <= have


def test_screws_in_the_locator_hold_with_their_diameter_or_more() -> None:
    """Through 6 mm of locator; a thread as long as the screw is thick, common practice."""
    locator = (HARDWARE / "parts" / "cell_locator.scad").read_text(encoding="utf-8")
    through = float(re.findall(r"locator_h = (\d+)", locator)[0])
    (length,) = {int(n) for n in re.findall(r"\| 1 base .*?M3 x (\d+)", PAGES["ASSEMBLY.md"])}
    assert length - through >= 3


@pytest.mark.parametrize("page", ["ASSEMBLY.md", "POWERUP.md"])
def test_ratings_are_told_before_anything_loads_the_cell(page: str) -> None:
    """WEIGHING.md is a step of these."""
    text = PAGES[page].split("## 1. Base")[-1]
    loading = [text.find(each) for each in ("rig weigh", "rig gauge", "rig flex", "(WEIGHING.md)")]
    assert 0 <= text.find("rig ratings --cell") < min(at for at in loading if at >= 0)


def test_other_cups_are_never_named_without_the_datum() -> None:
    for page in ("ASSEMBLY.md", "MECHANICS.md"):
        for paragraph in PAGES[page].split("\n\n"):
            if re.search(r"other\s+cups", paragraph):
                assert "datum" in paragraph or "#other-cups" in paragraph, paragraph


def test_a_strap_goes_through_an_eye() -> None:
    step = next(p for p in PAGES["WEIGHING.md"].split("\n") if p.startswith("3. "))
    assert "eye nut" in " ".join([step, *PAGES["WEIGHING.md"].split("3. ")[1].split("4. ")[:1]])
    assert "eye nut m10" in BILL
