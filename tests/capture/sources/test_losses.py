"""What is known of a loss goes from the reader to any window as data, and loses no word."""

from __future__ import annotations

import json
from typing import get_args

import pytest

from coilbench.analysis.report.document import describe
from coilbench.analysis.report.link_text import CLOSED
from coilbench.analysis.report.units import Units
from coilbench.capture.blocks import Finding
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.running.commands import ClosedBy
from coilbench.capture.sources.losses import LinkError, LossKind, SourceLost, cause_of

FACTS = {
    "waited_s": 3.0, "silent_s": 5.25, "bytes": 7, "kib": 64, "samples": 2, "words": 20,
    "system": "no power", "user": "anyone", "said": "something else",
    "firmware": "own", "protocol": 2, "own_protocol": 1,
}  # fmt: skip


@pytest.mark.parametrize("kind", get_args(LossKind))
def test_every_cause_says_the_same_after_its_way_as_data(kind: LossKind) -> None:
    error = SourceLost(kind, where="fake:", **FACTS)
    cause = Finding.from_document(json.loads(json.dumps(error.finding.to_document())))
    assert str(LinkError.of(cause)) == str(error)
    assert "{" not in str(error)
    lost = Finding.of("link_lost", cause=cause.to_document())
    assert describe(lost, Units()) == f"{error} Trying again."


def test_the_same_error_at_another_address() -> None:
    error = SourceLost("rig_silent", where="socket://x", silent_s=5.25).at("virtual:")
    assert isinstance(error, SourceLost)
    assert str(error).startswith("virtual:: the rig has said nothing for 5.2 s.")


def test_an_error_without_a_kind_brings_its_words_along() -> None:
    error = CoilbenchError("a part is missing", where="pi:")
    assert str(LinkError.of(cause_of(error))) == str(error)


@pytest.mark.parametrize("cause", get_args(ClosedBy))
def test_why_a_channel_is_closed_has_words(cause: ClosedBy) -> None:
    closed = Finding.of("control_closed", cause=cause, path="/its/own", system="no room")
    said = describe(closed, Units())
    assert "{" not in said
    assert "/its/own" in said or cause == "no_sockets"
    assert set(CLOSED) == set(get_args(ClosedBy))
