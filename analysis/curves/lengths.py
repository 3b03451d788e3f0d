"""Lengths of one spring as they are measured: a height that was found, its ±, where it is from."""

from __future__ import annotations

from typing import Literal, NamedTuple

import msgspec

LEAST_SPAN_MM = 1e-3  # heights nearer than this are the same height
LengthFrom = Literal["by_hand", "first_contact"]


class FoundHeight(NamedTuple):
    """A height and its expanded uncertainty, 95 %."""

    height_mm: float
    height_u_mm: float


class SoftStart(msgspec.Struct, frozen=True):
    """First turns that close softly: first contact is less sure than where a spring is straight.

    Attributes:
        closed_mm: about where they are closed.
        lost_mm: how much more depth they take than closed ones would.
    """

    closed_mm: float
    lost_mm: float
    kind: Literal["first_turns_close"] = "first_turns_close"
