"""A refusal says its loads and lengths in the units asked for, wherever in the program it arose."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from coilbench.analysis.cli import run
from coilbench.capture.errors import CoilbenchError
from support.shared import copied, made_once

Call = Callable[..., Any]  # as conftest's call
IMPERIAL = ("--load-unit", "lbf", "--length-unit", "in")
SI = ("--load-unit", "N", "--length-unit", "mm")
FREE_IN, FREE_MM = "2.087 in", "53.00 mm"  # 53 / 25.4
FILES = {
    "above.csv": "label,height_mm,load_kg\na-1,54,3\na-1,40,20\n",
    "deep.csv": "label,depth_mm,load_kg\na-1,53,30\na-1,10,9\n",
    "masses.csv": "mass_kg,counts\n0,0\n10,20000\n20,40010\n40,80000\n",
    "gauges.csv": "length_mm,counts\n50,0\n40,2000\n30,4010\n20,6000\n",
    "light.csv": "load_counts,travel_counts\n0,0\n100,3\n200,5\n300,8\n400,9\n500,11\n",
    "scale.csv": "mass_kg,shown_kg\n0,0\n10,10.1\n20,20.2\n",
}
NOTE = ("note", "--set", "a")
# what is refused, and what of it must be told in inches and in mm
REFUSED = [
    ((*NOTE, "a-1 83.82mm 20kg"), (FREE_IN, "3.300 in"), (FREE_MM, "83.82 mm")),
    ((*NOTE, "a-1 60mm down 20kg"), ("-0.276 in",), ("-7.00 mm",)),
    ((*NOTE, "a-1 -5mm down 20kg"), ("-0.197 in",), ("-5.00 mm",)),
    ((*NOTE, "--tare", "3kg", "a-1 40mm 2kg"), ("4.4 lbf", "6.6 lbf"), ("19.6 N", "29.4 N")),
    ((*NOTE, "--scale", "Bath", "a-1 40mm 50kg"), ("110.2 lbf",), ("490.3 N",)),
    (("note", "--set", "b", "b-1 5mm down 20kg"), ("0.197 in",), ("5.00 mm",)),
    (("import", "above.csv", "--set", "a"), (FREE_IN,), (FREE_MM,)),
    (("import", "deep.csv", "--set", "a"), (FREE_IN,), (FREE_MM,)),
    (("rig", "flex", "--from", "light.csv"), ("lbf",), (" N",)),
    (("set", "nominal", "a", "24kg@60mm"), (FREE_IN, "2.362 in"), (FREE_MM, "60.00 mm")),
    (("set", "nominal", "b", "24kg@40mm", "20kg@30mm"), ("1.575 in", "1.181 in"), ("30.00 mm",)),
    (("set", "check", "a", "--at", "10mm"), ("0.394 in",), ("10.00 mm",)),
    (
        ("daemon", "--port", "virtual:", "--set", "a", "--down-to", "24mm"),
        ("0.945 in",),
        ("24.00 mm",),
    ),
]  # fmt: skip


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A set with dimensions and a reading, one without, a calibration, and a scale."""
    return made_once(tmp_path_factory, "refusing", _make)


def _make(folder: Path) -> None:
    for name, text in FILES.items():
        (folder / name).write_text(text)
    dimensions = ("--free-length", "53mm", "--solid-height", "24mm")
    for command in (
        ("set", "new", "a", "--role", "outer", "--labels", "a-1,a-2", *dimensions),
        ("set", "new", "b", "--role", "outer", "--labels", "b-1"),
        ("rig", "weigh", "--from", str(folder / "masses.csv")),
        ("rig", "gauge", "--from", str(folder / "gauges.csv")),
        ("rig", "weigh", "--from", str(folder / "scale.csv"), "--scale", "Bath"),
        (*NOTE, "a-1 40mm 20kg", "a-1 30mm 36kg"),
    ):
        assert run(["--book", str(folder / "b.db"), *command]) == 0


@pytest.fixture
def bench(call: Call, made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Call:
    """Run the program on a copy of it, beside its files."""
    monkeypatch.chdir(copied(made, tmp_path))
    return call


@pytest.mark.parametrize(("arguments", "inches", "si"), REFUSED, ids=lambda each: str(each)[:40])
def test_a_refusal_is_in_the_units_asked_for(
    bench: Call, arguments: tuple[str, ...], inches: tuple[str, ...], si: tuple[str, ...]
) -> None:
    for units, told, never in (
        (IMPERIAL, inches, r"\d (mm|kg|N)\b"),
        (SI, si, r"\d (in|kg|lbf)\b"),
    ):
        said = bench(*arguments, units=units)
        said.refused("")
        assert all(words in said.err for words in told), said.err
        assert not re.search(never, said.err), said.err
        assert "{" not in said.err


def test_an_error_without_facts_keeps_its_braces() -> None:
    assert str(CoilbenchError("no {name} here")) == "no {name} here."


def test_an_error_alone_says_its_facts_in_si() -> None:
    facts = {"label": "{x}", "height_mm": 12.34, "load_n": 9.0}
    error = CoilbenchError("{label!r} at {height_mm}", hint="Press to {load_n}", **facts)
    assert str(error) == "'{x}' at 12.34 mm. Press to 9 N."
    error.in_units(lambda name, _value: "far" if name.endswith("_mm") else None)
    assert str(error) == "'{x}' at far. Press to 9.0."
