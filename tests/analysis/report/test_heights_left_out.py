"""Where nobody said how well the installed heights are known, what that leaves out is said."""

from __future__ import annotations

import pytest

from coilbench.analysis.cli.pairing import card_lines
from coilbench.analysis.engine.build_parsing import parse_build
from coilbench.analysis.report.units import Units

BUILD = """
[cam]
name = "Lake four"
valve_lift = "10 mm"
seat_load = "30 kg"
open_load = "60 kg"
[head]
installed_height = "39 mm"
{u}
[springs]
outer = ["larch"]
"""


@pytest.mark.parametrize(("u", "said"), [("", True), ('height_u = "0.2 mm"', False)])
def test_the_missing_height_is_said_beside_the_verdicts(u: str, said: bool) -> None:
    lines = list(card_lines(parse_build(BUILD.format(u=u), "b.toml"), Units()))
    found = [line for line in lines if "height_u" in line]
    assert bool(found) is said
    if said:  # 30 kg over 10 mm: 3 kg/mm
        assert "0.30 kg" in found[0]
