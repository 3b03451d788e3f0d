"""The portable core's own tests, on this machine with sanitizers, and the sketch's variants."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest


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


def test_core_includes_nothing_of_the_chip() -> None:
    sketch = Path(__file__).parents[2] / "firmware" / "coilbench"
    portable = [path for path in sketch.glob("*.h") if path.name not in ("board.h", "identity.h")]
    assert len(portable) >= 7
    for path in portable:
        text = path.read_text()
        assert not re.search(r"#include <(Arduino|avr/|util/)", text), path.name
