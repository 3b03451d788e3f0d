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


def table(page: str, head: str) -> list[list[str]]:
    """Rows of the table whose first line is that, as cells."""
    lines = PAGES[page].split(f"| {head} |")[1].split("\n\n")[0].split("\n")[2:]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines if line]


def named(cell: str) -> list[str]:
    """What a cell names, without links and what stands in brackets."""
    text = re.sub(r"\(.*?\)", "", re.sub(r"\[(.*?)\]\(.*?\)", r"\1", cell))
    return [" ".join(each.split()) for each in re.split(r"[,;]", text) if each.strip()]


# name of a tool: its sizes
TOOLS = {
    name: set(re.findall(r"M?\d+(?:\.\d+)?", sizes))
    for names, sizes, _ in table("PARTS.md", "tool | sizes, mm | for")
    for name in named(names)
}
STEPS = table("ASSEMBLY.md", "step | needs | tools | takes")
PARTS_NAMED = " ".join(
    [
        BILL,
        *(
            " ".join(row).lower()
            for row in table("MECHANICS.md", "part | for the shop | source | picture | make it of")
        ),
    ]
)
# The hexagons of ISO 4762's cap screws and ISO 4032's nuts, mm, recalled from memory.
KEY_OF = {"3": "2.5", "4": "3", "5": "4", "8": "6"}
SPANNER_OF = {"4": "7", "8": "13", "10": "17", "12": "19"}
# A second net for the prose, of words that workshops use; most of it no page asks for.
WORDS = """
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


@pytest.mark.parametrize("step", STEPS, ids=lambda step: step[0])
def test_tools_of_each_step_are_in_the_table_in_that_size(step: list[str]) -> None:
    assert named(step[2])
    for each in named(step[2]):
        tool = re.sub(r" [\d.]+$", "", each)
        assert tool in TOOLS, f"{step[0]}: {tool}"
        wanted = each.removeprefix(tool).strip()
        assert not wanted or wanted in TOOLS[tool], f"{step[0]}: {each}"


@pytest.mark.parametrize("step", STEPS, ids=lambda step: step[0])
def test_what_each_step_needs_is_in_a_list_of_parts(step: list[str]) -> None:
    counts = r"^(two|three|four|six|both|a|the shortest|rig) "
    for each in named(step[1]):
        part = re.sub(counts, "", each.lower())
        if part.startswith(("wired", "powered")):
            continue
        words = part.split(" x ")[0].split()  # M3 x 12 is looked for by another test
        known = all(
            re.search(rf"\b{re.escape(word.removesuffix('s'))}", PARTS_NAMED) for word in words
        )
        assert known, f"{step[0]}: {each}"


def test_every_tool_of_the_table_is_asked_for() -> None:
    """By a step, a page or a drawing: what nobody asks for need not be bought."""
    texts = [*(PAGES[page] for page in (*WORK_BY, "SCALE.md")), *DRAWINGS.values()]
    implied = {
        "hacksaw",
        "hammer",
        "scriber",
        "vice",
        "screwdriver",
        "soldering iron",
    }  # by drilling, wiring
    for tool in TOOLS.keys() - implied:
        assert any(re.search(rf"\b{tool}", text, re.IGNORECASE) for text in texts), tool


def test_every_hole_that_a_drawing_asks_for_has_its_drill_and_none_is_idle() -> None:
    """Turned parts, and circles that no drill makes, left out."""
    turned = ("cup", "platen", "pusher", "gauge_tubes")
    asked: set[str] = set()
    for name, text in DRAWINGS.items():
        if not name.endswith(tuple(f"{each}.svg" for each in turned)):
            text = re.sub(r"(?:three on|washers) ⌀ [\d.]+", "", text)
            asked |= set(re.findall(r"(?:⌀|drill) ([\d.]+\d)", text))
    assert asked == TOOLS["drill"]


def test_every_thread_that_a_drawing_cuts_has_its_tap() -> None:
    drawn = " ".join([DRAWINGS["base_plate.svg"], DRAWINGS["by_hand.svg"]])
    cut = set(re.findall(r"(M\d+) through", drawn)) | set(re.findall(r"(M\d+), \d+ deep", drawn))
    cut |= set(re.findall(r"screws (M\d+) x \d+: .*tapped", drawn))
    assert cut == TOOLS["tap"]


def test_every_screw_and_nut_of_the_list_has_its_key_and_spanner() -> None:
    screws = PAGES["PARTS.md"].split("## Screws and rods")[1].split("## Tools")[0]
    keys = {
        KEY_OF[size]
        for row in screws.split("\n")
        if "cap screw" in row
        for size in re.findall(r"\bM(\d+) x", row)
    }
    nuts = re.findall(r"nuts? M(\d+)|M(\d+) x \d+ with nut", screws)
    spanners = {SPANNER_OF[one or other] for one, other in nuts}
    assert keys == TOOLS["hex key"]
    assert spanners <= TOOLS["spanner"]
    assert TOOLS["spanner"] <= spanners | {"16", "18"}  # newer standards' for M10 and M12


@pytest.mark.parametrize("tool", [each.strip() for each in WORDS.split(";")])
def test_every_tool_that_the_prose_names_is_in_the_list(tool: str) -> None:
    texts = [*(PAGES[page] for page in WORK_BY), *DRAWINGS.values()]
    asked = any(re.search(rf"\b{tool}s?\b", text, re.IGNORECASE) for text in texts)
    assert not asked or re.search(rf"\b{tool}s?\b", BILL), tool


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


MEMORY = re.compile(r"from\s+memory|recalled|common\s+practice|data\s+sheet|check the part")
RATING = re.compile(r"\b(?:marked|rated)\b[^.|]*?\d+ kg\b(?! or more)")


def test_a_rating_or_standard_that_is_named_says_where_it_is_from() -> None:
    """A bought part's figure is sourced, common practice, or recalled from memory; or it is asked
    for ("one marked for 150 kg or more" tells the buyer what to look for)."""
    for name, page in PAGES.items():
        for paragraph in re.split(r"\n\n|\n(?=[|])|\n(?=\d\. |- )", page):
            claims = RATING.search(paragraph) or re.search(r"\b(?:ISO|DIN|EN) \d{3,}", paragraph)
            assert not claims or MEMORY.search(paragraph), (name, paragraph)
    for source in (HARDWARE / "parts").glob("*.scad"):
        head = source.read_text(encoding="utf-8")
        assert not re.search(r"\b(?:ISO|DIN|EN) \d{3,}", head) or MEMORY.search(head), source.name


def test_every_row_of_screws_stands_under_what_says_that_it_is_from_memory() -> None:
    section = PAGES["PARTS.md"].split("## Screws and rods")[1]
    assert MEMORY.search(section.split("| thing |")[0])
