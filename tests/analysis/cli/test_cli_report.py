"""`coilbench report` on a book: the page, what isn't known, what is refused, the user's words."""

from __future__ import annotations

import html
import json
import math
import re
from pathlib import Path

import pytest

from coilbench.analysis.cli import run
from support.lake_twin import ALL_ALIKE, SINGLE, build_text, labels_of, register
from support.shared import copied

BUILD, SINGLES = build_text(), build_text(springs=SINGLE)
Capture = pytest.CaptureFixture[str]


@pytest.fixture
def book(twin_folder: Path, tmp_path: Path) -> Path:
    """Six outers and six inners, one of each tired, with a build file beside them."""
    return copied(twin_folder, tmp_path) / "book.db"


def page_of(book: Path, text: str, *options: str, status: int = 0) -> str:
    build, page = book.parent / "build.toml", book.parent / "page.html"
    build.write_text(text, encoding="utf-8")
    report = ["report", str(build), "-o", str(page), "--force", *options]
    assert run(["--book", str(book), *report]) == status
    return page.read_text("utf-8")


def words_of(page: str) -> str:
    """The page as a reader sees it, without drawing and style."""
    bare = re.sub(r"<svg.*?</svg>|<style.*?</style>|<[^>]+>", " ", page, flags=re.DOTALL)
    return " ".join(html.unescape(bare).split())


def test_a_page_to_build_from(book: Path, capsys: Capture) -> None:
    assert run(["--book", str(book), "report", str(book.parent / "twin.toml")]) == 0
    said = capsys.readouterr().out
    assert f"Wrote {book.parent / 'twin.html'}." in said
    words = words_of((book.parent / "twin.html").read_text("utf-8"))
    assert re.search(r"twin\.toml", words)
    assert re.search(r"\b2 of 2 valves", words)
    assert "can blind" in words.split("Valve by valve")[0]
    assert re.search(r"larch-03.*heron-03\.", words)
    assert re.search(r"larch-03 weak : .{,400}28.72 kg at 30.00 mm is 30.0% below the set's", words)
    assert "No rig is calibrated in this book." in words
    assert "retainer to guide unknown" in words
    assert "None" not in words


def test_the_page_says_what_assign_says(book: Path, capsys: Capture) -> None:
    """The same springs, shims and loads as `assign`, in N, and to the display's places in kg."""
    build = str(book.parent / "twin.toml")
    assert run(["--book", str(book), "assign", build, "--json"]) == 0
    assigned = json.loads(capsys.readouterr().out)["valves"]
    assert run(["--book", str(book), "report", build, "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert not (book.parent / "twin.html").exists()
    assert document["per_valve"] is True
    shared = ("valve", "outer", "inner", "shims_mm", "seat_cut_mm", "seat_n", "seat_u_n", "open_n")
    for ours, theirs in zip(document["valves"], assigned, strict=True):
        assert [ours[key] for key in shared] == [theirs[key] for key in shared]
        assert ours["coil_bind_margin_mm"] == pytest.approx(theirs["coil_bind_margin_mm"])
    words = words_of(page_of(book, BUILD))
    for valve in assigned:
        for end in ("seat_n", "open_n"):  # to as many places as its uncertainty leaves
            assert any(f"{valve[end] / 9.80665:.{places}f} ±" in words for places in (1, 2))
    # A straight spring by hand: heron pushes 10 N/mm x (48 - height), larch 20 x (50 - height);
    # the first valve has nothing under it, so the loads are those at 40 and 38 mm.
    first = assigned[0]
    outer, inner = (int(str(first[role])[-2:]) for role in ("outer", "inner"))
    by_hand = 20.0 * (1 + 0.002 * outer) * 10.0 + 10.0 * (1 + 0.002 * inner) * 10.0
    assert first["seat_n"] == pytest.approx(by_hand, abs=0.01)


def test_too_few_springs_show_the_best_pair_and_why(book: Path, capsys: Capture) -> None:
    words = words_of(page_of(book, build_text(ALL_ALIKE.format(12)), status=1))
    assert re.search(r"\b12 valves", words)
    assert re.search("larch.*heron.*shims", words)
    assert "write its label in" in words
    assert re.search("weakest.*strongest", words)
    capsys.readouterr()
    assert run(["--book", str(book), "report", str(book.parent / "build.toml"), "--json"]) == 1
    document = json.loads(capsys.readouterr().out)
    assert [valve["outer"] for valve in document["valves"]] == [None] * 12
    assert {valve["outer_set"] for valve in document["valves"]} == {"larch"}
    assert document["valves"][0]["seat_n"] == pytest.approx(300.0, rel=0.02)


def test_single_springs_of_unknown_solid_height(book: Path) -> None:
    register(book, "birch", "single", labels_of("birch", 4), (50.0, 30.0))
    page = page_of(book, SINGLES)
    words = words_of(page)
    assert "birch-01" in words
    assert "inner" not in words.split("How it was computed")[0].lower()
    assert re.search(r"birch.*\b1\.20.*NOT KNOWN", words)
    assert re.search("measure.*birch", words)
    assert page.count("<svg") == 1


def test_efforts_and_flagged_springs(book: Path) -> None:
    assert "Allowed: no shims." in words_of(page_of(book, BUILD, "--effort", "none"))
    assert "Left out as flagged" not in words_of(page_of(book, BUILD, "--use-flagged"))


def test_no_other_file_is_written_over(book: Path, capsys: Capture) -> None:
    build, page = book.parent / "twin.toml", book.parent / "twin.html"
    page.write_text("mine")
    assert run(["--book", str(book), "report", str(build)]) == 2
    error = capsys.readouterr().err
    assert "exists already" in error
    assert len(error.splitlines()) == 1
    assert page.read_text() == "mine"
    assert run(["--book", str(book), "report", str(build), "--force"]) == 0
    assert "<!doctype html>" in page.read_text("utf-8")
    assert not list(book.parent.glob(".*.part"))


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('"heron"', '"plover"', "plover"),
        ('"300 N"', '"300"', "no unit"),
        ("[limits]", "[wire.oak]", "oak"),
    ],
)
def test_bad_input_is_one_line_and_leaves_no_page(
    book: Path, capsys: Capture, old: str, new: str, said: str
) -> None:
    build, page = book.parent / "bad.toml", book.parent / "bad.html"
    build.write_text(BUILD.replace(old, new))
    assert run(["--book", str(book), "report", str(build)]) == 2
    error = capsys.readouterr().err
    assert said in error
    assert len(error.splitlines()) == 1
    assert not page.exists()


def test_a_folder_that_is_not_there(book: Path, capsys: Capture) -> None:
    page = book.parent / "nowhere" / "page.html"
    report = ["report", str(book.parent / "twin.toml"), "-o", str(page)]
    assert run(["--book", str(book), *report]) == 2
    assert "cannot be written" in capsys.readouterr().err


NASTY = [
    "<script>alert(1)</script>",
    "=cmd|' /C calc'!A0",
    '"quoted" & $\\frac{1}{2}$',
    "пружина-ÅßÇ-バネ-弹簧",
    "w" * 60,
]


def test_the_users_words_stay_words(book: Path) -> None:
    name = "<img src=x onerror=alert(2)>"
    register(book, name, "single", NASTY, (50.0, 30.0), ("--solid-height", "20mm"))
    toml_name = json.dumps(name)
    text = SINGLES.replace('"birch"', toml_name).replace('"Lake twin"', json.dumps(" ".join(NASTY)))
    text = text.replace('"1 in"', '"</td><b>1 in"') + "# <script>alert(3)</script>\n"
    page = page_of(book, text, "--use-flagged")
    assert "<script" not in page
    assert "<img" not in page
    assert "<b>1" not in page
    for label in NASTY[3:]:
        assert label in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page
    assert "&lt;img src=x onerror=alert(2)&gt;" in page
    assert "&lt;script&gt;alert(3)&lt;/script&gt;" in page


def test_a_keyed_book_names_its_scale(tmp_path: Path, capsys: Capture) -> None:
    """Read with a bathroom scale alone: no rig, no curve beyond the two heights."""
    book, marks = tmp_path / "keyed.db", tmp_path / "marks.csv"
    marks.write_text("mass_kg,shown_kg\n" + "".join(f"{m},{m + 0.1}\n" for m in range(0, 81, 10)))
    weigh = ["rig", "weigh", "--scale", "hall", "--from", str(marks)]
    assert run(["--book", str(book), *weigh]) == 0
    labels = labels_of("birch", 3)
    assert run(["--book", str(book), "set", "new", "birch", "--role", "single",
                "--labels", ",".join(labels)]) == 0  # fmt: skip
    keyed = [f"{label} {mm}mm {kg}kg" for label in labels for mm, kg in ((40, 30.6), (30, 61.3))]
    assert run(["--book", str(book), "note", "--set", "birch", "--scale", "hall", *keyed]) == 0
    words = words_of(page_of(book, build_text(ALL_ALIKE.format(2), springs=SINGLE)))
    assert "Scale hall: calibrated" in words
    assert re.search("calibrated.*hall", words)
    assert "No rig is calibrated in this book." in words


def test_the_sheet_as_csv(book: Path, capsys: Capture) -> None:
    folder, build = book.parent / "csv", str(book.parent / "twin.toml")
    export = ["export", "--sheet", build, "--out", str(folder)]
    assert run(["--book", str(book), "report", build, "--json"]) == 0
    valves = json.loads(capsys.readouterr().out)["valves"]
    assert run(["--book", str(book), *export]) == 0
    rows = (folder / "valves.csv").read_text("utf-8").splitlines()
    assert rows[0].startswith("# ")
    header, *lines = [row.split(",") for row in rows[1:]]
    for line, valve in zip(lines, valves, strict=True):
        cells = dict(zip(header, line, strict=True))
        assert cells["outer"] == valve["outer"]
        known_n = 0.05 * valve["seat_u_n"]  # rounded to the second digit of the uncertainty
        assert float(cells["seat_kg"]) * 9.80665 == pytest.approx(valve["seat_n"], abs=known_n)
    assert run(["--book", str(book), *export]) == 2
    assert run(["--book", str(book), *export, "--force"]) == 0
    assert run(["--book", str(book), *export, "--set", "larch"]) == 2


def test_limits_of_a_wire_stand_beside_the_margins(book: Path) -> None:
    """Stress by hand at 600 N: 8FD/(pi d^3) (4C + 2)/(4C - 3), C = 30/4.2, is 740 MPa.

    Bergsträsser's factor and the formula as in Shigley's chapter on helical springs.
    """
    sizes = ("--wire", "4.2mm", "--coil-diameter", "30mm", "--active-coils", "4.5")
    register(book, "birch", "single", labels_of("birch", 4), (50.0, 29.85), sizes)
    wire = '[wire.birch]\nmaterial = "chrome-silicon"\n'
    page = words_of(page_of(book, SINGLES + wire))
    assert "birch, no shims :" in page or re.search(r"birch.*\b0\.40 mm", page)
    found = re.search(r"birch: shear stress at full lift up to (\d+) MPa", page)
    assert found is not None
    index = 30.0 / 4.2
    factor = (4.0 * index + 2.0) / (4.0 * index - 3.0)
    by_hand = factor * 8.0 * 600.0 * 30.0 / (math.pi * 4.2**3)
    assert float(found[1]) == pytest.approx(by_hand, rel=0.03)
    assert re.search(r"birch, coil bind \S+ \S+ \S+ \S+ computed 1.20", page)


def test_a_stroke_left_out_by_the_user_is_named(book: Path) -> None:
    again = book.parent / "again.csv"
    again.write_text("label,height_mm,load_n\nlarch-01,46,81\nlarch-01,26,482\n")
    assert run(["--book", str(book), "import", str(again), "--set", "larch"]) == 0
    leave = ["set", "strokes", "larch", "--leave", "larch-01:2"]
    assert run(["--book", str(book), *leave]) == 0
    assert re.search(r"larch-01.*stroke.*\b2\b", words_of(page_of(book, BUILD)))


@pytest.mark.parametrize("name", ["book.db", "twin.toml", "."])
def test_nothing_takes_the_place_of_book_or_build_file(
    book: Path, capsys: Capture, name: str
) -> None:
    before = {path: path.read_bytes() for path in book.parent.iterdir() if path.suffix == ".toml"}
    page = str(book.parent / name)
    report = ["report", str(book.parent / "twin.toml"), "--force", "-o", page]
    assert run(["--book", str(book), *report]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 1
    assert {path: path.read_bytes() for path in before} == before
    assert book.read_bytes().startswith(b"SQLite format 3")
    assert run(["--book", str(book), "report", page if name == "." else name, "--force"]) == 2


def test_springs_never_read_at_full_lift(book: Path, capsys: Capture) -> None:
    register(book, "birch", "single", labels_of("birch", 4), (50.0, 30.0), (), (46.0, 40.0, 33.0))
    words = words_of(page_of(book, SINGLES, status=1))
    assert re.search(r"birch.*not read at 30\.\d0 mm.*birch-01.*birch-02", words)
    assert re.search("birch.*can't be judged", words)
    assert re.search("Unknown.*nothing", words)
    assert words.count("unknown unknown unknown") >= 2  # two valves: full lift, margin, verdict
