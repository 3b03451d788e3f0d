"""The address of a simulated rig."""

import contextlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench.capture.errors import CoilbenchError
from coilbench.capture.sources.virtual import Role, VirtualSetup
from coilbench.capture.virtual.bench import StrokeKind
from coilbench.capture.virtual.firmware import Faults
from coilbench.capture.virtual.port import LinkKind, Pace


def test_every_key_is_read() -> None:
    assert VirtualSetup.parse("virtual:") == VirtualSetup()
    assert VirtualSetup.parse(
        "virtual:?seed=7&pace=fast&ends=0&link=socket&springs=3&role=inner&tired=1&cracked=1"
        "&presses=2&worked=3&stroke=double&drop=1e-4&flip=0.5&restart=12.5&restart=30&dead=20:3"
        "&saturate=40:1.5&saturate=50:1&silent=1&unplug=60"
    ) == VirtualSetup(
        seed=7,
        pace=Pace.FAST,
        link=LinkKind.SOCKET,
        ends=False,
        springs=3,
        role=Role.INNER,
        tired=1,
        cracked=1,
        presses=2,
        worked=3,
        stroke=StrokeKind.DOUBLE,
        faults=Faults(
            drop_probability=1e-4,
            flip_probability=0.5,
            restart_at_s=(12.5, 30.0),
            dead_s=((20.0, 3.0),),
            saturated_s=((40.0, 1.5), (50.0, 1.0)),
            silent=True,
            unplug_at_s=60.0,
        ),
    )


def test_a_rig_in_a_hurry_ends_and_a_real_one_rests_unless_told() -> None:
    assert VirtualSetup.parse("virtual:").endless
    assert not VirtualSetup.parse("virtual:?pace=fast").endless
    assert VirtualSetup.parse("virtual:?pace=fast&ends=0").endless
    assert not VirtualSetup.parse("virtual:?ends=1").endless


@pytest.mark.parametrize(
    ("query", "named"),
    [
        ("sed=1", "'sed'"),
        ("seed=1&seed=2", "'seed'"),
        ("seed=", "seed="),
        ("seed", "seed="),
        ("seed=-1", "seed=-1"),
        ("seed=1.5", "seed=1.5"),
        ("seed=²", "seed=²"),
        ("pace=slow", "pace=slow"),
        ("springs=1001", "springs=1001"),
        ("presses=0", "presses=0"),
        ("drop=2", "drop=2"),
        ("flip=-0.1", "flip=-0.1"),
        ("drop=nan", "drop=nan"),
        ("flip=nan", "flip=nan"),
        ("restart=inf", "restart=inf"),
        ("restart=-1", "restart=-1"),
        ("unplug=soon", "unplug=soon"),
        ("dead=20", "dead=20"),
        ("dead=20:", "dead=20:"),
        ("saturate=1:2:3", "saturate=1:2:3"),
        ("silent=yes", "silent=yes"),
        ("springs=2&tired=2&cracked=1", "tired and cracked"),
    ],
)
def test_what_is_wrong_is_named(query: str, named: str) -> None:
    with pytest.raises(CoilbenchError) as caught:
        VirtualSetup.parse(f"virtual:?{query}")
    assert named in caught.value.what
    assert caught.value.where == f"virtual:?{query}"
    assert caught.value.hint


def test_another_address_is_refused() -> None:
    with pytest.raises(CoilbenchError, match="no simulated rig"):
        VirtualSetup.parse("virtual:somewhere?seed=1")


@given(st.text(max_size=40))
@settings(max_examples=100)
def test_any_text_is_read_or_refused_in_words(query: str) -> None:
    with contextlib.suppress(CoilbenchError):  # and nothing else
        assert isinstance(VirtualSetup.parse(f"virtual:?{query}"), VirtualSetup)
