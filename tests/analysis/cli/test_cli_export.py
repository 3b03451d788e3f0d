"""`export`, and back again by `rig … --from`, `import` and `note`: the same numbers."""

from __future__ import annotations

import csv
import json
import re
import shutil
from pathlib import Path

import numpy as np
import pytest

from coilbench.capture.blocks import RAW_DTYPE, SampleFlag
from coilbench.capture.book.calibrations import current_calibration, store_part
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import find_set
from coilbench.capture.book.sweeps import NewSweep, StrokeRow, store_sweep
from coilbench.capture.calibration.known_points import GaugePoint
from coilbench.capture.calibration.model import datum_part
from coilbench.capture.strokes.judging import Purpose
from coilbench.capture.strokes.sweep import Origin, SweepStatus
from support.export_desk import Bench, counts_of, same, table

FIRST = Path(__file__).parents[2] / "data" / "first_version.sqlite"
WATERTOWN = Path(__file__).parents[2] / "data" / "watertown1900_springs.csv"
COUNTS_A_KG, COUNTS_A_MM, TOP_MM = 20_000.0, 100.0, 80.0
AT = ["--at", "38.5mm", "--at", "27.6mm", "--json"]


@pytest.fixture
def bench(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Bench:
    return Bench(tmp_path, capsys)


def calibrate(bench: Bench) -> None:
    rng = np.random.default_rng(7)
    masses = "".join(
        f"{kg},{1000 + COUNTS_A_KG * kg + rng.normal(0, 20):.1f},{way},0.002\n"
        for kg, way in ((0, "up"), (10, "up"), (30, "up"), (50, "up"), (30, "down"), (10, "down"))
    )
    bench.run(
        *("rig", "weigh", "--gravity", "9.81", "--from"),
        bench.file("masses.csv", "mass_kg,counts,direction,u_kg\n" + masses),
    )
    gauges = "".join(f"{mm},{(TOP_MM - mm) * COUNTS_A_MM:.0f},0.01\n" for mm in (0, 20, 40, 50))
    bench.run(
        "rig", "gauge", "--from", bench.file("gauges.csv", "length_mm,counts,u_mm\n" + gauges)
    )
    block = "".join(
        f"{1000 + COUNTS_A_KG * kg:.0f},{(TOP_MM - 30 + 0.004 * kg) * COUNTS_A_MM:.0f}\n"
        for kg in [*range(5, 65, 5), *range(60, 0, -5)]
    )
    bench.run("rig", "flex", "--from", bench.file("f.csv", "load_counts,travel_counts\n" + block))


def stroke(rate_n: float, seed: int) -> np.ndarray:
    """Raw samples of one press, 53 mm free, down to 25 mm; one sample is marked as no reading."""
    rng = np.random.default_rng(seed)
    height_mm = 25.0 + np.abs(np.linspace(-35.0, 30.0, 400))
    load_n = rate_n * np.clip(53.0 - height_mm, 0.0, None)
    samples = np.zeros(400, RAW_DTYPE)
    samples["seq"] = np.arange(400) + 12
    samples["t_us"] = 4_294_000_000 + 10_753 * np.arange(400) + rng.integers(-80, 80, 400)
    noise = rng.normal(0.0, 60.0, 400)
    samples["load_counts"] = np.rint(1000 + COUNTS_A_KG * load_n / 9.80665 + noise)
    travel_mm = TOP_MM - height_mm + 0.0004 * load_n
    samples["travel_counts"] = np.rint(travel_mm * COUNTS_A_MM)
    samples["load_counts"][200], samples["flags"][200] = 4_194_303, SampleFlag.LOAD_SUSPECT
    return samples


def press(bench: Bench, name: str, zero_counts: float | None) -> None:
    """Store strokes as a capture does: one conditioning press and two that count, each spring."""
    with open_book(bench.book) as db:
        calibration = current_calibration(db)
        sure = calibration.calibration.uncertainty
        for spring in find_set(db, name).springs:
            for number in range(3):
                store_sweep(
                    db,
                    NewSweep(
                        spring_id=spring.spring_id,
                        origin=Origin.RIG,
                        status=SweepStatus.COMPLETE,
                        purpose=Purpose.MEASURED if number else Purpose.CONDITIONING,
                        counted=True,
                        rows=[],
                        load_u_n=sure.load_u_n,
                        load_u_relative=sure.load_u_relative,
                        height_u_mm=sure.height_u_mm,
                        samples=stroke(15.0 + 0.2 * spring.turn, 10 * spring.turn + number),
                        calibration_id=calibration.calibration_id,
                        boot_id=77,
                        zero_counts=zero_counts,
                    ),
                )


def test_raw_strokes_come_back(bench: Bench) -> None:
    calibrate(bench)
    size = ["--free-length", "53.1mm", "--wire", "0.165in", "--active-coils", "4.5"]
    bench.run("set", "new", "larch", "--role", "outer", "--count", "4", *size)
    press(bench, "larch", 1003.25)
    bench.run("set", "new", "fir tree", "--role", "inner", "--labels", "a,=b+c,'d,@e")
    press(bench, "fir tree", None)
    bench.export()
    other = bench.bring_back()
    for name in ("larch", "fir tree"):
        was = bench.check(name, AT)
        assert len(was["springs"]) == 4
        same(was, bench.check(name, AT, other))
    assert counts_of(other) == counts_of(bench.book)  # to the last count
    shown = [
        json.loads(bench.run("set", "show", "larch", "--json", book=book))["set"]
        for book in (bench.book, other)
    ]
    assert shown[0] == shown[1]


def test_two_calibrations_come_back_each_with_its_strokes(bench: Bench) -> None:
    """The second one is a datum set again, which the file holds as two points of its line."""
    calibrate(bench)
    for name in ("larch", "rowan"):
        bench.run("set", "new", name, "--role", "outer", "--count", "3")
    press(bench, "larch", 1000.0)
    with open_book(bench.book) as db:
        travel = current_calibration(db).travel.fit
        store_part(db, datum_part(travel, GaugePoint(30.0, (TOP_MM - 30.1) * COUNTS_A_MM)))
    press(bench, "rowan", 1000.0)
    bench.export()
    other = bench.bring_back()
    same(bench.check("larch", AT), bench.check("larch", AT, other))
    was, now = bench.check("rowan", AT), bench.check("rowan", AT, other)
    for before, after in zip(was["springs"], now["springs"], strict=True):
        for old, new in zip(before["readings"], after["readings"], strict=True):
            assert new["load_n"] == pytest.approx(old["load_n"], abs=1e-6)
            assert new["load_u_n"] == pytest.approx(old["load_u_n"], rel=0.3)


def test_real_points_and_their_solid_heights_come_back(bench: Bench) -> None:
    labels = "8,9,10,12,13,14,15,16,17,18,19,20"
    bench.run("set", "new", "nest", "--role", "single", "--labels", labels)
    bench.run("import", str(WATERTOWN), "--set", "nest")
    bench.export()
    at = ["--at", "12.25in", "--at", "9.75in", "--json"]
    other = bench.bring_back()
    was = bench.check("nest", at)
    assert was["springs"][0]["solid_height_mm"] == pytest.approx(9.63 * 25.4)
    same(was, bench.check("nest", at, other))


def test_a_book_of_the_first_version_is_exported_too(bench: Bench) -> None:
    """Its calibration was fitted by the first program, and comes back fitted by this one."""
    shutil.copyfile(FIRST, bench.book)
    bench.export("--set", "larch")
    other = bench.bring_back()
    at = ["--at", "38.5mm", "--at", "32mm", "--json"]
    was, now = bench.check("larch", at), bench.check("larch", at, other)
    for before, after in zip(was["springs"], now["springs"], strict=True):
        for old, new in zip(before["readings"], after["readings"], strict=True):
            assert new["load_n"] == pytest.approx(old["load_n"], rel=1e-5)


def test_a_converted_stroke_comes_back(bench: Bench) -> None:
    """Its set's nominal and its curve are written too; the other set is not."""
    bench.run("set", "new", "elm", "--role", "single", "--count", "1")
    nominal = ("--nominal", "24kg@38.5mm")
    bench.run("set", "new", "oak", "--role", "single", "--count", "1", *nominal)
    rows = "".join(
        f"{i / 70},{1.7 * (53 - h) + 0.013 * (i % 5)},{h}\n"
        for i, h in enumerate(25.0 + np.abs(np.linspace(-27.9, 27.9, 150)))
    )
    bench.run(
        *("import", "--set", "oak", "--label", "oak-01"),
        bench.file("oak.csv", "t_s,load_kg,height_mm\n" + rows),
    )
    bench.export("--set", "oak")
    assert [row["label"] for row in table(bench.out, "springs")] == ["oak-01"]
    with open_book(bench.book) as db:
        query = "SELECT branch, height_mm, load_n FROM curve_rows ORDER BY branch, point"
        points = db.execute(query).fetchall()
    written = table(bench.out, "curves")
    assert len(points) > 20
    for row, (branch, height_mm, load_n) in zip(written, points, strict=True):
        assert row["direction"] == branch
        assert row["height_mm"] == str(round(height_mm, 3))  # of 0.05 mm, k = 1
        u_n = 0.0025 * load_n  # k = 1, as assumed of a file: common practice, no source
        assert float(row["load_n"]) == pytest.approx(load_n, abs=0.051 * u_n)
    other = bench.bring_back()
    same(bench.check("oak", AT), bench.check("oak", AT, other))


def test_keyed_readings_come_back_typed_again(bench: Bench) -> None:
    """Each with the scale's calibration of its day."""
    bench.run("set", "new", "ash", "--role", "outer", "--count", "3", "--free-length", "53mm")
    shown = "mass_kg,shown_kg\n0,0\n10,10.1\n20,20.1\n30,30.3\n40,40.3\n"
    scale = ["rig", "weigh", "--scale", "bath room", "--from"]
    bench.run(*scale, bench.file("scale.csv", shown))
    setup = ["--scale", "bath room", "--tare", "1.2kg", "--lever", "2.003", "--lever-u", "0.7%"]
    for spring, more in (("ash-01", 0.0), ("ash-02", 0.3)):
        lines = [f"{spring} 38.5mm {12.1 + more}kg", f"{spring} 25.4mm down {21.7 + more}kg up"]
        bench.run("note", "--set", "ash", *setup, *lines)
    bench.run(*scale, bench.file("later.csv", shown.replace("30.3", "30.6")))
    bench.run("note", "--set", "ash", *setup, "ash-03 38.5mm 12.2kg", "ash-03 27.6mm 21.9kg")
    bench.export()
    other = bench.bring_back()
    assert len({row["scale_file"] for row in table(bench.out, "keyed")}) == 2
    was, now = bench.check("ash", AT), bench.check("ash", AT, other)
    for before, after in zip(was["springs"], now["springs"], strict=True):
        for old, new in zip(before["readings"], after["readings"], strict=True):
            same(old, new)


def test_what_does_not_count_is_written_and_says_so(bench: Bench) -> None:
    """A conditioning press, a stroke that the user ruled out, a reading that was taken back."""
    calibrate(bench)
    bench.run("set", "new", "larch", "--role", "outer", "--count", "2")
    press(bench, "larch", 1000.0)
    bench.run("note", "--set", "larch", "larch-01 38.5mm 99kg")
    bench.run("note", "--set", "larch", "--take-back", "last")
    with open_book(bench.book) as db:
        StrokeRow.keep_rulings(db, find_set(db, "larch"), [("larch-01", 1, "leave")])
    told = json.loads(bench.export("--json"))
    files = {str(path.relative_to(bench.out)) for path in bench.out.rglob("*.csv")}
    rig_files = sorted(name for name in files if name.startswith("rig"))
    assert rig_files
    assert all(re.fullmatch(r"rig.*-\d{4}-\d\d-\d\d(-\d+)?\.csv", name) for name in rig_files)
    assert told == {"folder": str(bench.out), "files": len(files)}
    strokes = table(bench.out, "strokes")
    assert {row["file"] for row in strokes} < files
    of_first = [[row[n] for n in ("number", "counts", "counted", "ruling")] for row in strokes[:4]]
    assert of_first == [
        ["1", "1", "1", ""],
        ["1", "0", "1", "leave"],
        ["2", "1", "1", ""],
        ["3", "0", "0", ""],
    ]
    stems = ("-conditioning", "-not-counted", "", "-not-counted_2")
    names = [f"strokes/larch/larch-01{stem}.csv" for stem in stems]
    assert [row["file"] for row in strokes[:4]] == names
    assert {row["boot_id"] for row in strokes if row["origin"] == "rig"} == {"77"}
    assert table(bench.out, "keyed")[0]["shown_load_n"] == str(99 * 9.80665)
    other = bench.bring_back()
    was, now = bench.check("larch", AT), bench.check("larch", AT, other)
    for spring in was["springs"] + now["springs"]:
        del spring["strokes"]  # what did not come back has no number there
    same(was["springs"], now["springs"])


def test_a_formula_in_a_label_is_guarded_in_every_file(bench: Bench) -> None:
    bench.run("set", "new", "=1+1", "--role", "outer", "--labels", "=cmd|'/C calc'!A0,+b")
    bench.run("note", "--set", "=1+1", "+b 38.5mm 22.4kg")
    bench.export()
    files = list(bench.out.rglob("*.csv"))
    assert len(files) == 6
    for path in files:
        with path.open(newline="", encoding="utf-8-sig") as file:
            cells = [cell for row in csv.reader(file) for cell in row]
        assert not [cell for cell in cells if cell.startswith(("=", "+", "-", "@"))]


def test_nothing_is_overwritten_unless_asked(bench: Bench) -> None:
    bench.run("set", "new", "larch", "--role", "outer", "--count", "2")
    bench.run("note", "--set", "larch", "larch-01 38.5mm 22.4kg")
    bench.export()
    (bench.out / "strokes.csv").write_text("mine")
    (bench.out / "strokes" / "larch" / "larch-01.csv").unlink()
    told = bench.run("export", "--out", str(bench.out), status=2)
    assert len(told.splitlines()) == 1
    assert "this file exists already; nothing was written" in told
    assert (bench.out / "strokes.csv").read_text() == "mine"
    assert list((bench.out / "strokes" / "larch").iterdir()) == []  # nor was any other file written
    bench.export("--force")
    assert table(bench.out, "strokes")[0]["label"] == "larch-01"
    assert sorted(path.name for path in bench.folder.iterdir() if path.name.startswith(".")) == []


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["export"], "--out"),
        (["export", "--out", "o", "--set", "yew"], "no set 'yew'"),
        (["export", "--out", "bench.db"], "this is a file, not a folder"),
    ],
)
def test_a_refusal_writes_nothing(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, arguments: list[str], words: str
) -> None:
    monkeypatch.chdir(bench.folder)
    bench.run("set", "new", "larch", "--role", "outer", "--count", "2")
    before = sorted(bench.folder.iterdir())
    told = bench.run(*arguments, status=2)
    assert words in told
    assert len(told.splitlines()) == 1
    assert sorted(bench.folder.iterdir()) == before


def test_a_zero_in_counts_is_for_raw_strokes_only(bench: Bench) -> None:
    bench.run("set", "new", "larch", "--role", "outer", "--count", "1")
    file = bench.file("p.csv", "label,height_mm,load_kg\nlarch-01,38.5,22.4\n")
    told = bench.run("import", file, "--set", "larch", "--zero-counts", "5", status=2)
    assert "is for raw sweeps only" in told
