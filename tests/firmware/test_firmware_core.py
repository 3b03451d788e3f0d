"""The portable core's own tests, on this machine with sanitizers, and the sketch's variants."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from support.tools import tool


def test_core_on_the_host(make_host: Callable[[], str]) -> None:
    printed = make_host()
    last = printed.strip().splitlines()[-1]
    match = re.fullmatch(r"(\d+) tests, 0 failures", last)
    assert match is not None, printed
    assert int(match.group(1)) >= 45


@pytest.mark.parametrize(
    ("name", "choices"),
    [
        ("coilbench", {}),
        ("caliper", {"TRAVEL": "CALIPER"}),
        ("potentiometer", {"TRAVEL": "POTENTIOMETER", "SPS": "10"}),
        ("none", {"TRAVEL": "NONE", "GAIN": "64"}),
    ],
)
def test_sketch_compiles_and_leaves_room(
    make_sketch: Callable[..., tuple[Path, str]], name: str, choices: dict[str, str]
) -> None:
    elf, printed = make_sketch(name, **choices)
    assert elf.with_suffix(".hex").stat().st_size > 0
    match = re.search(rf"{name}: flash (\d+) of 32256 .* RAM (\d+) of 2048", printed)
    assert match is not None, printed
    flash, ram = map(int, match.groups())
    assert 4000 < flash < 32256 // 2
    assert 300 < ram < 2048 - 1024  # the deepest call with interrupts on top needs far less


@pytest.mark.parametrize(
    ("compiler", "package", "options"),
    [
        ("g++", "g++", []),  # no AVR at all, as the boards with an ARM chip
        ("avr-g++", "gcc-avr", ["-mmcu=atmega2560", "-DF_CPU=16000000L"]),  # Mega
        ("avr-g++", "gcc-avr", ["-mmcu=atmega32u4", "-DF_CPU=16000000L"]),  # Leonardo
        ("avr-g++", "gcc-avr", ["-mmcu=atmega328p", "-DF_CPU=8000000L"]),  # a 3.3 V board
    ],
)
def test_another_board_is_refused_in_one_line(
    compiler: str, package: str, options: list[str]
) -> None:
    sketch = Path(__file__).parents[2] / "firmware" / "coilbench" / "coilbench.ino"
    command = [tool(compiler, package=package), *options, "-fsyntax-only", "-x", "c++", str(sketch)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    errors = [line for line in done.stderr.splitlines() if "error:" in line]
    assert len(errors) == 1, done.stderr
    for name in ("ATmega328P at 16 MHz", "Uno R3", "Mega", "Leonardo", "R4", "Every", "33"):
        assert name in errors[0]


def test_core_includes_nothing_of_the_chip() -> None:
    sketch = Path(__file__).parents[2] / "firmware" / "coilbench"
    portable = [path for path in sketch.glob("*.h") if path.name not in ("board.h", "identity.h")]
    assert len(portable) >= 7
    for path in portable:
        text = path.read_text()
        assert not re.search(r"#include <(Arduino|avr/|util/)", text), path.name
