"""Text from strangers: a small sample of tests/fuzz/strangers.py, and proof that it would tell."""

from __future__ import annotations

import pytest

import strangers
from coilbench.analysis.cli import plain_console, wrapping


@pytest.mark.parametrize("kind", strangers.ATTACKS)
def test_a_strangers_text_is_shown_as_text_or_refused_in_a_line(kind: str) -> None:
    tally = strangers.attacked(kind, seed=16, inputs=40)
    assert tally.inputs >= 40
    assert not tally.found


def test_the_attack_tells_where_text_went_out_as_it_came(monkeypatch: pytest.MonkeyPatch) -> None:
    for module in (wrapping, plain_console):
        monkeypatch.setattr(module, "plain", lambda text: text)
    assert strangers.attacked("books", seed=16, inputs=40).found
