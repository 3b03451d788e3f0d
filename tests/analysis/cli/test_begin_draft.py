"""Sets that wait in the build file until they can be registered."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench.analysis.cli.begin_draft import pending_sets, with_pending_set
from coilbench.analysis.inputs.build_draft import new_draft

NAMES = st.text(st.characters(exclude_categories=("C", "Z")), min_size=1, max_size=20)


@given(st.dictionaries(NAMES, st.sampled_from(["", "outer", "inner", "single"]), max_size=4))
@settings(max_examples=40, deadline=None)
def test_what_waits_is_read_back_and_is_a_comment(sets: dict[str, str]) -> None:
    text = new_draft()
    for name, role in sets.items():
        text = with_pending_set(text, name, "")
        text = with_pending_set(text, name, role)
    assert pending_sets(text) == sets
    assert tomllib.loads(text) == tomllib.loads(new_draft())
    for name in sets:
        text = with_pending_set(text, name, None)
    assert text == new_draft()


@pytest.mark.parametrize("value", ["3", "", '{name = "x", role = "wing"}', '{name = "x"}'])
def test_a_line_that_someone_changed_waits_for_nothing(value: str) -> None:
    line = f"#? set = {value}"
    assert pending_sets(f"{line}\n") == {}
    assert with_pending_set(f"{line}\n", "x", None) == f"{line}\n"
