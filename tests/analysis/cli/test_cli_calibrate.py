"""`rig weigh`, `gauge`, `flex` and `card` from files: what is bad has its own sentence."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from sqlite_utils import Database

from coilbench.analysis.cli import run
from support.edits import change
from support.sqlite_utils_book import utils

MASSES = (0, 5, 10, 20, 40, 20, 10, 5, 0)
WAYS = ("up",) * 5 + ("down",) * 4
NOISE = (3, -40, 25, -10, 8, 60, -5, 20, -30)


def counts(mass_kg: float) -> int:
    return round(30_000 + 24_500 * mass_kg)


def weights(masses: tuple[float, ...] = MASSES, ways: tuple[str, ...] = WAYS) -> str:
    rows = [f"{m:g},{counts(m) + o},{w}" for m, w, o in zip(masses, ways, NOISE * 2, strict=False)]
    return "mass_kg,counts,direction\n" + "\n".join(rows) + "\n"


GAUGES = "length_mm,counts\n0,14000\n20,10000\n40,6002\n60,1999\n"
PRESS_N = (*range(50, 650, 50), *range(600, 0, -50))


def block(moved_counts: int = 0) -> str:
    """Press a block: 0.06 counts of travel a newton; after the turn the block may have moved."""
    rows = []
    for number, load_n in enumerate(PRESS_N):
        after = moved_counts if number > 11 else 0
        rows.append(f"{30_000 + 2498.3 * load_n:.0f},{8000 + 0.12 * load_n + after:.0f}")
    return "load_counts,travel_counts\n" + "\n".join(rows) + "\n"


class Bench:
    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.book = str(folder / "book.db")

    def rig(self, command: str, text: str | None = None, *more: str) -> int:
        extra: list[str] = []
        if text is not None:
            table = self.folder / f"{command}.csv"
            table.write_text(text)
            extra = ["--from", str(table)]
        return run(["--book", self.book, "rig", command, *extra, *more])

    def parts(self) -> int:
        if not Path(self.book).exists():
            return 0
        with Database(self.book) as db:
            count = utils(db)["calibration_parts"].count
            db.close()
        return count


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


@pytest.fixture
def whole(bench: Bench, capsys: pytest.CaptureFixture[str]) -> Bench:
    assert bench.rig("weigh", weights()) == 0
    assert bench.rig("gauge", GAUGES) == 0
    assert bench.rig("flex", block()) == 0
    capsys.readouterr()
    return bench


def refused(
    bench: Bench, capsys: pytest.CaptureFixture[str], command: str, text: str, *more: str
) -> str:
    before = bench.parts()
    capsys.readouterr()
    assert bench.rig(command, text, *more) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert len(said.err.splitlines()) == 1
    assert bench.parts() == before  # bad input changes nothing
    return said.err


def test_masses_out_of_order_are_used_and_said(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    assert bench.rig("weigh", weights((0, 20, 5, 40, 10), ("up",) * 5)) == 0
    told = capsys.readouterr().out
    assert re.search(r"\b3\b.*\b5 kg.*\b20 kg", told)


@pytest.mark.parametrize("typed", [200.0, 2.0])
def test_one_mass_mistyped_by_ten_is_named(
    bench: Bench, capsys: pytest.CaptureFixture[str], typed: float
) -> None:
    lines = weights().splitlines()
    lines[4] = f"{typed:g},{counts(20)},up"
    said = refused(bench, capsys, "weigh", "\n".join(lines))
    assert f"mistyped by a factor of ten, from the other points: point 4 ({typed:g} kg)" in said
    assert "about 20 kg" in said


def test_too_few_masses(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    said = refused(bench, capsys, "weigh", weights((0, 20), ("up", "up")))
    assert re.search(r"\b2\b.*different", said)


def test_all_masses_the_same(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    said = refused(bench, capsys, "weigh", weights((20,) * 5, ("up",) * 5))
    assert re.search(r"\b20 kg", said)


def test_all_masses_on_one_side_are_used_and_said(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    assert bench.rig("weigh", weights((20, 30, 40), ("up",) * 3)) == 0
    told = capsys.readouterr().out
    assert "No point is near zero, all lie between 20 kg and 40 kg" in told
    assert "read in one direction only" in told


def test_a_saturated_point_is_named(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    lines = weights().splitlines()
    lines[5] = "40,8388607,up"
    said = refused(bench, capsys, "weigh", "\n".join(lines))
    assert re.search(r"\b5\b.*\b40 kg.*8388607 counts", said)


def test_a_stack_of_gauges_that_repeats_badly(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    text = "length_mm,counts\n0,14000\n20,10000\n40,6000\n40,6240\n60,2000\n60,1800\n"
    said = refused(bench, capsys, "gauge", text)
    assert "the 40 mm gauge does not repeat: points 3 and 4 are 1.18 mm" in said


def test_one_gauge_of_a_stack_that_repeats_badly_is_named(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    text = "length_mm,counts\n0,14000\n20,10000\n40,6000\n40,6150\n60,2000\n"
    said = refused(bench, capsys, "gauge", text)
    assert "the 40 mm gauge does not repeat: points 3 and 4 are 0.75 mm apart" in said
    assert "from the rest point 4 is 39.25 mm" in said


def test_gauges_on_one_side_are_used_and_said(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    assert bench.rig("gauge", "length_mm,counts\n50,4000\n50.5,3900\n51,3800\n") == 0
    assert "The gauges only cover 50.00 mm to 51.00 mm" in capsys.readouterr().out


def test_a_block_pressed_at_one_side_only(whole: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    lines = block().splitlines()
    said = refused(whole, capsys, "flex", "\n".join([lines[0], *lines[9:14]]))
    assert "all readings on the block are high loads, from 45.89 kg to 61.18 kg" in said


def test_a_gauge_mistyped_by_ten(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    said = refused(bench, capsys, "gauge", GAUGES.replace("20,", "200,"))
    assert re.search("mistyped.*factor", said)


def test_a_block_that_moved(whole: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    said = refused(whole, capsys, "flex", block(moved_counts=40))
    assert "the block moved: on the way up the travel at 5.10 kg differs by 0.20 mm" in said


def test_a_block_pressed_too_few_times(whole: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    said = refused(whole, capsys, "flex", "\n".join(block().splitlines()[:4]))
    assert re.search(r"\b3 readings", said)


@pytest.mark.parametrize("gravity", ["981", "9.4", "32.2", "x"])
def test_a_gravity_of_no_place_on_earth(
    bench: Bench, capsys: pytest.CaptureFixture[str], gravity: str
) -> None:
    said = refused(bench, capsys, "weigh", weights(), "--gravity", gravity)
    assert "gravity" in said


def test_gravity_is_stored_explained_and_kept_for_the_next_time(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    assert bench.rig("weigh", weights(), "--gravity", "9.81") == 0
    assert re.search(r"\b1 kg.*\b9\.81000 N.*\b1\.00034 kg", capsys.readouterr().out)
    assert bench.rig("weigh", weights()) == 0
    assert re.search(r"\b1\.00034 kg", capsys.readouterr().out)
    with Database(bench.book) as db:
        parts = list(db.query("SELECT gravity_m_s2, fit_json FROM calibration_parts"))
        db.close()
    assert [part["gravity_m_s2"] for part in parts] == [9.81, 9.81]
    slope = json.loads(parts[0]["fit_json"])["coefficients"][1]
    assert slope == pytest.approx(9.81 / 24_500, rel=1e-4)


def test_a_calibration_over_its_age_is_on_the_card(
    whole: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    old = "UPDATE calibration_parts SET made_utc = '2020-01-01T00:00:00.000+00:00'"
    change(Path(whole.book), old)
    assert whole.rig("card") == 0
    told = capsys.readouterr().out
    assert told.startswith("Warning: the load calibration is ")
    assert re.search(r"\b90\b.*checked", told)


def of_rigs(bench: Bench, **device_of: str) -> None:
    for kind, device in device_of.items():
        sql = "UPDATE calibration_parts SET device_id = ? WHERE kind = ?"
        change(Path(bench.book), sql, device, kind)


def test_parts_of_two_rigs_make_no_calibration(
    whole: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    of_rigs(whole, load="A1", travel="B2")
    assert whole.rig("card") == 2
    assert whole.rig("flex", block()) == 2
    assert "load is not calibrated" in capsys.readouterr().err
    of_rigs(whole, travel="A1")
    assert whole.rig("card") == 0


def test_a_block_pressed_on_another_rig_is_refused(
    whole: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    of_rigs(whole, load="A1")
    before = whole.parts()
    assert whole.rig("flex", None, "--port", "virtual:?do=flex&pace=fast&ends=0") == 2
    said = capsys.readouterr().err.strip().splitlines()[-1]
    assert re.search("A1.*C011BE4C", said)
    assert "coilbench rig weigh" in said
    assert whole.parts() == before


def test_the_card_as_text(whole: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    assert whole.rig("card") == 0
    told = capsys.readouterr().out
    assert "Between 5 and 40 kg, trust a steady load to ± 0.0" in told
    assert "Of ISO 7500-1's limits its errors would meet those of class 0.5 from 5 to 40 kg" in told
    assert "not a certificate" in told
    for title in ("Load", "Travel", "Press flex"):
        assert f"\n{title}\n" in told
    assert "r(c0, c1)" in told


def test_the_card_as_json_in_newtons(whole: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["--load-unit", "lbf", "--book", whole.book, "rig", "card", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert [part["kind"] for part in told["parts"]] == ["load", "travel", "flex"]
    assert told["calibration_id"] is not None
    assert "press_flex" in [line["source"] for line in told["budget"]["lines"]]
    assert told["trust"]["high_n"] == pytest.approx(40 * 9.80665)
    assert told["parts"][0]["points"][4]["mass_kg"] == 40.0
    assert told["iso7500"]["would_meet"][0]["name"] == "0.5"


def test_the_card_as_a_page(
    whole: Bench, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    page = tmp_path / "card.html"
    assert whole.rig("card", None, "--html", str(page)) == 0
    assert capsys.readouterr().out == f"Wrote {page}.\n"
    assert page.read_text(encoding="utf-8").startswith("<!doctype html>")
    page.write_text("mine", encoding="utf-8")
    assert whole.rig("card", None, "--html", str(page)) == 2
    assert page.read_text(encoding="utf-8") == "mine"
    assert whole.rig("card", None, "--html", str(page), "--force") == 0


def test_a_card_of_the_load_alone(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    assert bench.rig("weigh", weights()) == 0
    capsys.readouterr()
    assert bench.rig("card", None, "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert told["calibration_id"] is None
    assert told["budget"] is None
    assert len(told["parts"]) == 1


def test_no_card_without_a_calibration(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["--book", bench.book, "set", "new", "a", "--role", "outer", "--count", "1"]) == 0
    capsys.readouterr()
    assert bench.rig("card") == 2
    assert "First: coilbench rig weigh" in capsys.readouterr().err


def test_a_page_that_cannot_be_written_is_one_line(
    whole: Bench, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert whole.rig("card", None, "--html", str(tmp_path / "no" / "card.html")) == 2
    assert len(capsys.readouterr().err.splitlines()) == 1


def test_what_is_still_to_be_calibrated_is_said(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    assert bench.rig("weigh", weights()) == 0
    assert "travel is still to be calibrated: coilbench rig gauge" in capsys.readouterr().out
    assert bench.rig("gauge", GAUGES) == 0
    assert "coilbench rig flex" in capsys.readouterr().out
