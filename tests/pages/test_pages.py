"""The pages are true: lengths, links, folders, the build file's example."""

from __future__ import annotations

import re
import tomllib

import pytest

from coilbench.analysis.engine.build_parsing import parse_build

MOST_WORDS = {"README.md": 1500, "DEVELOPERS.md": 1800}
LINK = re.compile(r"\]\(([^)\s]+)\)")
PATH = re.compile(r"`((?:capture|analysis|tests|firmware|hardware)/[\w./-]*)`")
PROGRAM = re.compile(r"python (tests/[\w/]+\.py)")


EVERY_KEY = """
[cam]
name = "every key"
valve_lift = "10.9 mm"
seat_load = "36 kg"
seat_tolerance = "2 kg"
open_load = "64 kg"
open_tolerance = "3 kg"
max_rpm = 6200
core_diameter = "31.5 mm"
base_circle = "32.0 mm"
old_base_circle = "33.0 mm"
[cam.intake]
max_rpm = 6000
[cam.exhaust]
open_tolerance = "5%"
[head]
installed_height = "38.5 mm"
height_u = "0.1 mm"
inner_offset = "3.0 mm"
max_seat_cut = "0.6 mm"
seat_cut_step = "0.2 mm"
retainer_clearance = "13 mm"
[head.valves]
"1 in" = {height = "38.4 mm", cam = "intake"}
"1 ex" = {cam = "exhaust"}
[head.retainer_clearances]
"1 in" = "12.5 mm"
[[shims]]
thickness = "0.5 mm"
count = 24
under = "inner"
thickness_u = "0.02 mm"
[limits]
coil_bind_margin = "1.2 mm"
max_shims = 2
min_clearance = "1.3 mm"
loss_allowance = "3%"
[springs]
outer = "*"
inner = ["heron"]
where = {mark = "red", read_down_to = "26 mm", read_up_to = "39 mm"}
[wire.larch]
material = "music"
tensile_strength = "1900 MPa"
shot_peened = true
shear_modulus = "79300 MPa"
spring_mass = "80 g"
[scale]
name = "bathroom"
step = "0.1 kg"
tare = "3.2 kg"
give = "1.1 mm"
give_at = "50 kg"
[valve_train]
lift_table = "lift.csv"
weighing_u = "0.5 g"
rocker_ratio = 1.5
lash = "0.2 mm"
[valve_train.masses]
valve = "60 g"
[valve_train.cam_side_masses]
tappet = "50 g"
"""
BY_LOBE = """
[cam]
lobe_lift = "7.27 mm"
rocker_ratio = 1.5
lash = 0
lobe_height = "39.0 mm"
seat_load = "36 kg"
open_load = "64 kg"
[head]
installed_height = "38.5 mm"
valves = 12
[springs]
outer = ["larch"]
"""


def anchors(text: str) -> set[str]:
    """The anchors a Markdown page offers: each heading in small letters, dashed."""
    headings = re.findall(r"^#+ (.+)$", text, re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", h.lower()).replace(" ", "-") for h in headings}


@pytest.mark.parametrize("page", MOST_WORDS)
def test_page_is_no_longer_than_it_may_be(pages, page):
    assert len(pages[page].split()) <= MOST_WORDS[page]


def test_links_resolve(pages, root):
    broken = []
    for page, text in pages.items():
        for link in LINK.findall(text):
            name, _, anchor = link.partition("#")
            target = (root / page).parent / name if name else root / page
            target = target / "README.md" if target.is_dir() and anchor else target
            if not target.exists() or (anchor and anchor not in anchors(target.read_text("utf-8"))):
                broken.append((page, link))
    assert broken == []
    assert sum(len(LINK.findall(text)) for text in pages.values()) > 50


def test_first_page_leads_to_every_folder_with_a_page(pages):
    """Each README is linked from README.md, each other page of a folder from that folder's."""
    first = LINK.findall(pages["README.md"])
    assert [page for page in pages if page.endswith("/README.md") and page not in first] == []
    for page in pages:
        folder, _, name = page.rpartition("/")
        if folder and name != "README.md":
            from_folder = LINK.findall(pages.get(f"{folder}/README.md", ""))
            assert page in first or name in {link.partition("#")[0] for link in from_folder}, page


def test_files_and_folders_named_are_there(pages, root):
    named = {(page, path) for page, text in pages.items() for path in PATH.findall(text)}
    named |= {(page, path) for page, text in pages.items() for path in PROGRAM.findall(text)}
    assert len(named) > 50
    assert [each for each in sorted(named) if not (root / each[1]).exists()] == []


@pytest.mark.parametrize("room", ["capture", "analysis"])
def test_every_package_has_a_row_in_its_rooms_table(pages, root, room):
    packages = {
        f"{path.parent.relative_to(root).as_posix()}/"
        for path in root.glob(f"{room}/*/__init__.py")
    }
    rows = set(re.findall(rf"^\| `({room}/\w+/)` \|", pages[f"{room}/README.md"], re.MULTILINE))
    assert rows == packages


def test_extras_named_can_be_installed(pages, root):
    project = tomllib.loads((root / "pyproject.toml").read_text("utf-8"))["project"]
    named = {extra for text in pages.values() for extra in re.findall(r"'\.\[(\w+)\]'", text)}
    assert named == set(project["optional-dependencies"])
    assert [page for page, text in pages.items() if "coilbench[" in text] == []


def test_the_example_of_a_build_file_is_taken(pages):
    build = parse_build(example(pages), "engine.toml")
    assert build.springs.outer == ("larch", "rowan")


def test_the_optional_keys_of_a_build_file_are_those_of_the_table(pages):
    taken = set()
    for text in (EVERY_KEY, BY_LOBE):
        parse_build(text, "engine.toml")
        taken |= keys(tomllib.loads(text))
    named = [
        key
        for row in re.findall(
            r"^\| (`[^|]+`) \| ", pages["analysis/README.md"].partition("\n## Pairing")[0], re.M
        )
        for key in re.findall(r"`([a-z_.]+(?:SET\.[a-z_]+)?)`", row)
    ]
    assert set(named) - taken == set()
    assert taken - set(named) - keys(tomllib.loads(example(pages))) == set()


def example(pages: dict[str, str]) -> str:
    (found,) = re.findall(r"^```toml\n(.*?)^```$", pages["analysis/README.md"], re.M | re.S)
    return found


def keys(table: dict, path: str = "") -> set[str]:
    """Keys by their dotted path, a set's name written SET, the user's own names left out."""
    found = set()
    for key, value in table.items():
        own = f"{path}{'SET' if path == 'wire.' else key}"
        inner = value[0] if isinstance(value, list) and isinstance(value[0], dict) else value
        whole = not isinstance(inner, dict) or own.endswith(
            ("masses", "valves", "intake", "exhaust", "clearances")
        )
        found |= {own} if whole else keys(inner, f"{own}.")
    return found
