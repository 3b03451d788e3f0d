"""`coilbench set …`: one spring's rulings, nominals, the same springs again, the curves drawn."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from coilbench.analysis.cli import run

KG = 9.80665
AT = ("--at", "38.5mm", "--at", "27.6mm")
FINE = ("--resolution", "0.01kg", "--repeatability", "0.02kg", "--quill", "0.01mm")


class Said(NamedTuple):
    status: int
    out: str
    err: str


Call = Callable[..., Said]


@pytest.fixture(scope="module")
def books(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The books that several tests begin with, each made once."""
    folder = tmp_path_factory.mktemp("books")
    made = {"larch": _make_larch, "elm": _make_elm}
    for name, make in made.items():
        make(folder, str(folder / f"{name}.db"))
    return {name: folder / f"{name}.db" for name in made}


@pytest.fixture
def call(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Call:
    """Run the program on a book of its own."""

    def run_it(*arguments: str, units: tuple[str, ...] = ()) -> Said:
        status = run(["--book", str(tmp_path / "b.db"), *units, *arguments])
        told = capsys.readouterr()
        return Said(status, told.out, told.err)

    return run_it


@pytest.fixture
def larch(call: Call, tmp_path: Path, books: dict[str, Path]) -> Call:
    """Eight springs keyed at two heights: 23 and 41 kg but for larch-08, a tenth lower."""
    shutil.copy(books["larch"], tmp_path / "b.db")
    return call


def _make_larch(folder: Path, book: str) -> None:
    assert run(["--book", book, "set", "new", "larch", "--role", "outer", "--count", "8"]) == 0
    readings = []
    for number in range(1, 9):
        share = 0.9 if number == 8 else 1.0 + 0.002 * (-1) ** number
        for height, kg in (("38.5mm", 23.0), ("27.6mm", 41.0)):
            readings.append(f"larch-{number:02d} {height} {kg * share:.3f}kg")
    assert run(["--book", book, "note", "--set", "larch", *FINE, *readings]) == 0


def content(folder: Path) -> str:
    """What the book holds, as one number: a refusal must leave it alone."""
    return hashlib.sha256((folder / "b.db").read_bytes()).hexdigest()


def refused(said: Said, words: str) -> None:
    assert said.status == 2
    assert said.out == ""
    assert len(said.err.splitlines()) == 1
    assert words in said.err


def document(said: Said) -> dict[str, Any]:
    return json.loads(said.out)  # type: ignore[no-any-return]


# ------------------------------------------------------------------------- why


def test_why_tells_every_rule_about_one_spring(larch: Call) -> None:
    said = larch("set", "check", "larch", *AT, "--why", "larch-08")
    assert said.status == 1
    assert said.out.startswith("larch-08: weak\n")
    told = " ".join(said.out.split())
    assert "WEAK set tolerance: 20.70 kg at 38.50 mm is 9.8% below the set's middle" in told
    assert "set outlier" in told
    assert "at most 5.0% of sound sets raise a false alarm" in told
    sound = larch("set", "check", "larch", *AT, "--why", "larch-01")
    assert sound.status == 0  # the exit status is that spring's alone
    assert sound.out.startswith("larch-01: no flag\n")
    assert "passes" in sound.out


def test_why_as_json_has_the_rulings_of_that_spring(larch: Call) -> None:
    told = document(larch("set", "check", "larch", *AT, "--why", "larch-08", "--json"))
    assert told["label"] == "larch-08"
    weak = [one for one in told["rulings"] if one["outcome"] == "weak"]
    assert {one["height_mm"] for one in weak if one["rule"] == "set tolerance"} >= {38.5, 27.6}


def test_why_of_a_spring_that_is_not_there_or_not_measured(larch: Call, tmp_path: Path) -> None:
    before = content(tmp_path)
    refused(larch("set", "check", "larch", *AT, "--why", "larch-99"), "no spring 'larch-99'")
    assert content(tmp_path) == before
    assert larch("set", "new", "elm", "--role", "inner", "--labels", "a,b").status == 0
    assert larch("note", "--set", "elm", "a 38.5mm 10kg").status == 0
    refused(larch("set", "check", "elm", *AT[:2], "--why", "b"), "no spring 'b' was checked")


def test_a_flag_tells_its_two_strongest_reasons_and_where_the_others_are(larch: Call) -> None:
    said = larch("set", "check", "larch", *AT)
    (line,) = [line for line in said.out.splitlines() if line.startswith("larch-08 weak")]
    assert line.count("below the set's middle") == 2
    assert line.endswith("; 1 reason more: --why larch-08.")
    (flag,) = document(larch("set", "check", "larch", *AT, "--json"))["springs"][7]["flags"]
    assert flag["reason"].count("below the set's middle") == 3


# ------------------------------------------------------------------------- nominals


def weak_ones(said: Said) -> list[str]:
    return [
        spring["label"]
        for spring in document(said)["springs"]
        if "weak" in [flag["kind"] for flag in spring["flags"]]
    ]


EVERY = [f"larch-{number:02d}" for number in range(1, 9)]


def test_a_wholly_tired_set_shows_against_a_nominal(larch: Call) -> None:
    assert weak_ones(larch("set", "check", "larch", *AT, "--json")) == ["larch-08"]
    typed = ("--nominal", "26kg", "--nominal", "42kg")
    assert weak_ones(larch("set", "check", "larch", *AT, *typed, "--json")) == EVERY
    placed = larch("set", "check", "larch", "--nominal", "26kg@38.5mm", "--json")
    assert weak_ones(placed) == EVERY
    assert [row["height_mm"] for row in document(placed)["summary"]] == [38.5]
    assert document(placed)["summary"][0]["nominal_n"] == pytest.approx(26.0 * KG)


def test_a_nominal_is_kept_and_shows_without_retyping(larch: Call) -> None:
    said = larch("set", "nominal", "larch", "26kg@38.5mm", "42kg@27.6mm")
    assert said.out == (
        "Set larch: nominal 26.00 kg at 38.50 mm\nSet larch: nominal 42.00 kg at 27.60 mm\n"
    )
    # alone, its heights are where the set is judged
    told = larch("set", "check", "larch", "--json")
    assert [row["height_mm"] for row in document(told)["summary"]] == [38.5, 27.6]
    assert weak_ones(told) == EVERY
    # beside a height asked for it comes after, and still tells
    told = larch("set", "check", "larch", "--at", "27.6mm", "--json")
    assert [row["height_mm"] for row in document(told)["summary"]] == [27.6, 38.5]
    assert document(told)["summary"][0]["nominal_n"] == pytest.approx(42.0 * KG)
    assert weak_ones(told) == EVERY
    # what is typed comes before what is kept
    told = larch("set", "check", "larch", "--nominal", "23kg@38.5mm", "--json")
    assert document(told)["summary"][0]["nominal_n"] == pytest.approx(23.0 * KG)
    # the table shows it, and so does set show
    shown = larch("set", "check", "larch").out
    assert "nominal" in shown.splitlines()[0]
    assert "below the nominal 26.00 kg" in shown
    assert "nominal 26.00 kg at 38.50 mm" in larch("set", "show", "larch").out


def test_a_nominal_where_nothing_was_measured_is_said_and_bars_nothing(larch: Call) -> None:
    assert larch("set", "nominal", "larch", "10kg@45mm", "42kg@27.6mm").status == 0
    said = larch("set", "check", "larch", "--at", "38.5mm")
    assert said.status == 1
    words = "no spring was measured at 45.00 mm: the nominal there is not held against"
    assert f"Note: {words}." in said.out
    told = document(larch("set", "check", "larch", "--at", "38.5mm", "--json"))
    assert [row["height_mm"] for row in told["summary"]] == [38.5, 27.6]
    assert words in told["notes"]
    drawn = larch("set", "show", "larch", "--curves")
    assert drawn.out.startswith("Set larch, judged at 27.60 mm\n")


def test_a_nominal_with_a_tolerance_of_its_own_and_a_rate(larch: Call) -> None:
    """23 kg against 25 kg is 8 % low, 18 kg over 10.9 mm against 1.8 kg/mm is 8.3 % low."""
    arguments = ("set", "nominal", "larch", "25kg@38.5mm", "--rate", "1.8kg/mm")
    assert larch(*arguments, "--tolerance", "10%").status == 0
    assert weak_ones(larch("set", "check", "larch", *AT, "--json")) == ["larch-08"]
    assert larch(*arguments).status == 0
    told = larch("set", "check", "larch", *AT, "--why", "larch-01")
    assert "below the nominal 25.00 kg" in " ".join(told.out.split())
    assert "below the nominal 1.800 kg/mm" in " ".join(told.out.split())
    kept = document(larch("set", "nominal", "larch", "--json"))["nominal"]
    assert kept["rate_n_per_mm"] == pytest.approx(1.8 * KG)
    assert kept["tolerance"] is None
    assert larch("set", "nominal", "larch", "--clear").status == 0
    assert document(larch("set", "show", "larch", "--json"))["set"]["nominal"] is None


def test_a_nominal_is_given_with_the_new_set_in_any_unit(call: Call) -> None:
    arguments = ("set", "new", "elm", "--role", "single", "--count", "2")
    assert call(*arguments, "--nominal", "75lbf@1.5in", "--nominal-rate", "90lbf/in").status == 0
    kept = document(call("set", "show", "elm", "--json"))["set"]["nominal"]
    # pound-force and inch: international pound and yard agreement, 1959
    assert kept["loads"][0]["load_n"] == pytest.approx(75 * 4.4482216152605)
    assert kept["loads"][0]["height_mm"] == pytest.approx(38.1)
    assert kept["rate_n_per_mm"] == pytest.approx(90 * 4.4482216152605 / 25.4)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("set", "nominal", "larch", "24kg"), "names no height"),
        (("set", "nominal", "larch", "24@38.5mm"), "has no unit"),
        (("set", "nominal", "larch", "-4kg@38.5mm"), "No such option"),
        (("set", "nominal", "larch", "0kg@38.5mm"), "not above 0"),
        (("set", "nominal", "larch", "24kg@0mm"), "not above 0"),
        (("set", "nominal", "larch", "24kg@38.5mm", "24kg@27.6mm"), "pushes no less"),
        (("set", "nominal", "larch", "24kg@38.5mm", "25kg@38.5mm"), "two loads at 38.5 mm"),
        (("set", "nominal", "larch", "--tolerance", "8%"), "needs a load or a rate"),
        (("set", "nominal", "larch", "24kg@38mm", "--tolerance", "0%"), "not between 0 and 1"),
        (("set", "nominal", "larch", "--rate", "1.6kg"), "is not a rate"),
        (("set", "nominal", "larch", "24kg@38.5mm", "--clear"), "--clear"),
        (("set", "nominal", "oak", "24kg@38.5mm"), "there is no set 'oak'"),
        (("set", "check", "larch", *AT, "--nominal", "24kg"), "1 load for 2 heights"),
        (("set", "check", "larch", "--nominal", "9kg", "--nominal", "9kg@30mm"), "some loads name"),
        (("set", "check", "larch"), "no height to check at"),
        (("set", "new", "oak", "--role", "outer", "--count", "2", "--free-length", "50mm",
          "--nominal", "20kg@55mm"), "not below the free length"),
    ],
)  # fmt: skip
def test_a_bad_nominal_is_one_line_and_changes_nothing(
    larch: Call, tmp_path: Path, arguments: tuple[str, ...], words: str
) -> None:
    before = content(tmp_path)
    refused(larch(*arguments), words)
    assert content(tmp_path) == before


# ------------------------------------------------------------------------- the same springs again


def again(larch: Call, name: str = "after") -> Said:
    return larch("set", "new", name, "--again", "larch")


def test_again_takes_labels_dimensions_and_nominal(call: Call) -> None:
    first = ("set", "new", "elm", "--role", "inner", "--labels", "a,b", "--free-length", "45mm")
    assert call(*first, "--wire", "3mm", "--nominal", "10kg@35mm").status == 0
    said = call("set", "new", "elm-2", "--again", "elm", "--free-length", "44.5mm")
    assert said.status == 0
    assert "Set elm-2 (inner): 2 springs, a to b." in said.out
    old, new = (document(call("set", "show", n, "--json")) for n in ("elm", "elm-2"))
    assert [row["label"] for row in new["springs"]] == ["a", "b"]
    assert new["set"] == old["set"] | {"name": "elm-2", "free_length_mm": 44.5}


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("after", "--again", "oak"), "there is no set 'oak'"),
        (("after", "--again", "larch", "--count", "8"), "--again takes role and labels"),
        (("after", "--again", "larch", "--role", "outer"), "--again takes role and labels"),
        (("after", "--again", "larch", "--labels", "a"), "--again takes role and labels"),
        (("larch", "--again", "larch"), "there is a set 'larch' already"),
        (("after",), "--role is missing"),
        (("after", "--role", "outer"), "give either --count or --labels"),
    ],
)
def test_again_refuses_in_one_line(
    larch: Call, tmp_path: Path, arguments: tuple[str, ...], words: str
) -> None:
    before = content(tmp_path)
    refused(larch("set", "new", *arguments), words)
    assert content(tmp_path) == before


def test_compare_tells_what_changed(larch: Call) -> None:
    assert again(larch).status == 0
    readings = [
        f"larch-{number:02d} {height} {kg * (0.9 if number == 8 else 1.0):.3f}kg"
        for number in range(1, 9)
        for height, kg in (("38.5mm", 22.4 if number < 8 else 23.0), ("27.6mm", 41.0))
    ]
    said = larch("note", "--set", "after", *FINE, *readings)
    assert said.status == 0
    told = document(larch("set", "compare", "larch", "after", *AT, "--json"))
    first, last = told["springs"][0], told["springs"][-1]
    # larch-01 showed 23 kg less 0.2 %, then 22.4 kg
    seat = first["readings"][0]
    assert seat["change_n"] == pytest.approx((22.4 - 23.0 * 0.998) * KG, abs=0.01)
    assert first["changed"] == (abs(seat["change_n"]) > seat["change_u_n"])
    assert last["readings"][0]["change_n"] == pytest.approx(0.0, abs=0.01)
    assert last["readings"][0]["verdict"] == "can't tell"
    shown = larch("set", "compare", "larch", "after", *AT)
    assert shown.status == 0
    assert shown.out.startswith("after less larch:")
    assert "8 springs" in shown.out
    assert "Not all were read with one calibration" in shown.out


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("larch", "oak", *AT), "there is no set 'oak'"),
        (("larch", "elm"), "no height to compare at"),
        (("larch", "after", *AT), "no spring of set 'after' is measured yet"),
        (("larch", "larch", *AT), "with itself"),
        (("larch", "elm", *AT), "no measured spring of the same label"),
        (("larch", "after", "--at", "38.5"), "has no unit"),
        (("larch", "after", "--build", "no.toml"), "no.toml"),
    ],
)
def test_compare_refuses_in_one_line(
    larch: Call, tmp_path: Path, arguments: tuple[str, ...], words: str
) -> None:
    assert again(larch).status == 0
    assert larch("set", "new", "elm", "--role", "inner", "--labels", "a").status == 0
    assert larch("note", "--set", "elm", "a 38.5mm 10kg").status == 0
    before = content(tmp_path)
    refused(larch("set", "compare", *arguments), words)
    assert content(tmp_path) == before


# ------------------------------------------------------------------------- curves


def test_curves_are_drawn_with_the_flagged_one_as_a_letter(larch: Call) -> None:
    said = larch("set", "show", "larch", "--curves", *AT)
    assert said.status == 0
    lines = said.out.splitlines()
    assert lines[0] == "Set larch, judged at 38.50 mm and 27.60 mm"
    assert lines[-1] == "A larch-08 weak   dots: the other 7"
    assert sum(line.count("A") for line in lines[1:-2]) > 5
    assert len(lines) <= 24
    assert max(map(len, lines)) <= 80
    assert "\x1b" not in said.out


def test_curves_say_what_is_not_measured(larch: Call) -> None:
    assert larch("set", "new", "elm", "--role", "inner", "--labels", "a,b").status == 0
    assert larch("note", "--set", "elm", "a 38.5mm 10kg", "a 27mm 20kg").status == 0
    assert larch("set", "show", "elm", "--curves").out.endswith("Not measured yet: 1 spring.\n")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("larch", "--at", "38.5mm"), "--at goes with --curves"),
        (("larch", "--curves", "--json"), "--curves draws"),
        (("larch", "--curves", "--at", "12mm"), "not at 12.00 mm"),
        (("oak", "--curves"), "there is no set 'oak'"),
        (("new", "--curves"), "no spring of set 'new' is measured yet"),
    ],
)
def test_curves_refuse_in_one_line(
    larch: Call, tmp_path: Path, arguments: tuple[str, ...], words: str
) -> None:
    assert larch("set", "new", "new", "--role", "outer", "--count", "2").status == 0
    before = content(tmp_path)
    refused(larch("set", "show", *arguments), words)
    assert content(tmp_path) == before


# ------------------------------------------------------------------------- strokes


def sweep_file(folder: Path, name: str, slip_mm: float = 0.0) -> str:
    """A stroke of a spring of 16 N/mm and 53 mm, as a converted file; a slip at 40 mm."""
    rows, slipped = [], False
    for step in range(401):
        height = 54.0 - 0.135 * (200 - abs(step - 200))
        slipped = slipped or height < 40.0
        load_n = max(0.0, 16.0 * (53.0 - height - (slip_mm if slipped else 0.0)))
        rows.append(f"{step / 50:.2f},{load_n:.3f},{height:.4f}")
    path = folder / name
    path.write_text("t_s,load_n,height_mm\n" + "\n".join(rows) + "\n")
    return str(path)


@pytest.fixture
def pressed(call: Call, tmp_path: Path, books: dict[str, Path]) -> Call:
    """Two springs of three strokes and one without; the second of b slipped by 1 mm."""
    shutil.copy(books["elm"], tmp_path / "b.db")
    return call


def _make_elm(folder: Path, book: str) -> None:
    new = ["set", "new", "elm", "--role", "outer", "--labels", "a,b,c"]
    assert run(["--book", book, *new]) == 0
    for label in ("a", "b"):
        for number in (1, 2, 3):
            # a copy of a stroke would be refused: each has its own hair's breadth of slip
            slip_mm = 1.0 if (label, number) == ("b", 2) else 1e-3 * number
            file = sweep_file(folder, f"{label}{number}.csv", slip_mm)
            assert run(["--book", book, "import", file, "--set", "elm", "--label", label]) == 0


ELM = ("set", "check", "elm", "--at", "38mm", "--at", "29mm")


def load_n(said: Said, label: str, at: int = 1) -> float:
    springs = {spring["label"]: spring for spring in document(said)["springs"]}
    return float(springs[label]["readings"][at]["load_n"])


def test_a_slip_is_left_out_said_and_overruled_for_every_later_report(pressed: Call) -> None:
    said = pressed(*ELM)
    assert "b stroke 2: left out, slipped. slipped: the load suddenly lost 1.6" in said.out
    assert "To count one in: coilbench set strokes elm --use b:2" in said.out
    true_n = 16.0 * (53.0 - 29.0)
    assert load_n(pressed(*ELM, "--json"), "b") == pytest.approx(true_n, abs=0.2)
    used = pressed("set", "strokes", "elm", "--use", "b:2")
    assert used.status == 0
    assert "a: 3 strokes kept, nothing against them." in used.out
    assert "  2: kept, you said so. slipped:" in used.out
    assert "c: not measured yet." in used.out
    # a third of 16 N, both branches at 29 mm lie below the slip
    assert load_n(pressed(*ELM, "--json"), "b") == pytest.approx(true_n - 16.0 / 3.0, abs=0.3)
    assert pressed("set", "strokes", "elm", "--by-rule", "b:2").status == 0
    assert load_n(pressed(*ELM, "--json"), "b") == pytest.approx(true_n, abs=0.2)


def test_why_lists_every_stroke_of_that_spring(pressed: Call) -> None:
    said = pressed(*ELM, "--why", "b")
    listed = said.out[said.out.index("Strokes:") :].splitlines()
    assert listed[1] == "  1: kept, nothing against it."
    assert listed[2].startswith("  2: left out, slipped. slipped: the load suddenly lost")
    assert "  3: kept, nothing against it." in listed
    assert "Your word goes before: coilbench set strokes --help." in " ".join(said.out.split())
    strokes = document(pressed(*ELM, "--why", "b", "--json"))["strokes"]
    assert [one["kept"] for one in strokes] == [True, False, True]
    assert strokes[1]["findings"][0]["kind"] == "slipped"


def test_a_stroke_that_stopped_short_of_what_is_asked_is_named(pressed: Call) -> None:
    said = pressed("set", "check", "elm", "--at", "38mm", "--at", "26mm", "--why", "a")
    assert said.status == 2  # no spring at all was measured at 26 mm
    assert "was measured from 27." in said.err


def test_every_stroke_left_out_leaves_the_spring_unmeasured(pressed: Call) -> None:
    arguments = [word for n in (1, 2, 3) for word in ("--leave", f"b:{n}")]
    assert pressed("set", "strokes", "elm", *arguments).status == 0
    said = pressed(*ELM)
    assert "Not measured yet: b, c." in said.out


def test_a_mistyped_reading_is_taken_out_again(larch: Call) -> None:
    assert larch("note", "--set", "larch", *FINE, "larch-01 38.5mm 32.0kg").status == 0
    before = load_n(larch("set", "check", "larch", *AT, "--json"), "larch-01", 0)
    assert larch("set", "strokes", "larch", "--leave", "larch-01:2").status == 0
    after = load_n(larch("set", "check", "larch", *AT, "--json"), "larch-01", 0)
    assert (before / KG, after / KG) == pytest.approx((27.477, 22.954), abs=0.01)


def test_strokes_as_json(pressed: Call) -> None:
    told = document(pressed("set", "strokes", "elm", "--spring", "b", "--json"))
    (spring,) = told["springs"]
    assert [one["number"] for one in spring["strokes"]] == [1, 2, 3]
    assert [one["why"] for one in spring["strokes"]] == [
        "nothing against it",
        "slipped",
        "nothing against it",
    ]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("elm", "--use", "b"), "names no stroke"),
        (("elm", "--use", "b:"), "names no stroke"),
        (("elm", "--use", "b:-1"), "names no stroke"),
        (("elm", "--use", "b:4"), "has no stroke 4"),
        (("elm", "--leave", "c:1"), "It has none yet"),
        (("elm", "--leave", "z:1"), "no spring 'z'"),
        (("elm", "--leave", "b:1", "--use", "b:1"), "named twice"),
        (("elm", "--leave", "b:1", "--use", "b:9"), "has no stroke 9"),
        (("elm", "--spring", "z"), "no spring 'z'"),
        (("oak",), "there is no set 'oak'"),
    ],
)
def test_strokes_refuse_in_one_line(
    pressed: Call, tmp_path: Path, arguments: tuple[str, ...], words: str
) -> None:
    before = content(tmp_path)
    refused(pressed("set", "strokes", *arguments), words)
    assert content(tmp_path) == before
