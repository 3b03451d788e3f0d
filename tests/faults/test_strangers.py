"""Text from strangers: a small sample of tests/fuzz/strangers.py, and proof that it would tell."""

from __future__ import annotations

from pathlib import Path

import pytest

import strangers
from coilbench.analysis.cli import plain_console, wrapping
from support.shared import made_once


@pytest.fixture(scope="session")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a book and a build file that every attack begins with a copy of."""
    return made_once(tmp_path_factory, "strangers", strangers.make_bench)


@pytest.mark.parametrize("kind", strangers.ATTACKS)
def test_a_strangers_text_is_shown_as_text_or_refused_in_a_line(kind: str, bench: Path) -> None:
    tally = strangers.attacked(kind, bench, seed=16, inputs=40)
    assert tally.inputs >= 40
    assert not tally.found


def test_the_attack_tells_where_text_went_out_as_it_came(
    bench: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for module in (wrapping, plain_console):
        monkeypatch.setattr(module, "plain", lambda text: text)
    assert any(strangers.attacked("books", bench, seed, inputs=5).found for seed in range(16, 24))
