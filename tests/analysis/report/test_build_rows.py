"""What stands of a card on a page."""

from __future__ import annotations

import pytest

from coilbench.analysis.engine.build_parsing import parse_build
from coilbench.analysis.report.build_text import card_rows
from coilbench.analysis.report.units import Units

TEXT = """
[cam]
name = "card"
valve_lift = "10 mm"
seat_load = "300 N"
open_load = "600 N"
seat_tolerance = "5%"
open_tolerance = "5%"
[head]
installed_height = "40 mm"
[limits]
loss_allowance = "{allowance}"
[springs]
outer = ["larch"]
"""


@pytest.mark.parametrize(("allowance", "said"), [("0%", None), ("0.1%", "0.1 %"), ("3%", "3 %")])
def test_an_allowance_for_losses_is_named_where_there_is_one(
    allowance: str, said: str | None
) -> None:
    rows = card_rows(parse_build(TEXT.format(allowance=allowance), "one.toml"), Units())
    named = [text for name, text in rows if "losses" in name]
    assert [text.startswith(str(said)) for text in named] == ([] if said is None else [True])
