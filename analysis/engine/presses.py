"""Presses to make, and what a plan of them says, as data. Pure."""

from __future__ import annotations

from typing import ClassVar, Literal, NamedTuple

import msgspec

from coilbench.analysis.engine.reasons import SET_KEY
from coilbench.analysis.engine.shims import SeatChoice

Why = Literal["begin", "decide", "tired", "valve", "once"]

STOP_RISK = 0.02  # of another choice being better by more than the margin


class PairChoice(NamedTuple):
    """A pair of sets and what is under every valve."""

    outer: str
    inner: str | None
    choice: SeatChoice


class Rival(NamedTuple):
    """Another choice and its chance of being nearer to the card by more than the margin.

    Attributes:
        behind_n: how much farther from the card it is expected to be; below 0 it looks nearer,
            and is the riskier all the same.
    """

    other: PairChoice
    chance: float
    behind_n: float


class Press(msgspec.Struct, frozen=True):
    """One press to make.

    Attributes:
        depth_mm: on the quill from the free length; None where that isn't known.
        kind: what for.
        rival: the choice that it tells apart from the best, where it does.
    """

    in_json: ClassVar = SET_KEY
    set_name: str
    label: str
    height_mm: float
    depth_mm: float | None
    kind: Why
    rival: PairChoice | None = None


class TiredSpring(msgspec.Struct, frozen=True):
    """A spring of a chosen set that stands apart from it, and may have lost load.

    Attributes:
        found: whether that is more likely than not; chance: how likely.
        below: by what share of its set's load it is lower, the most where it was read.
        tolerance: the share from which the check of its set calls it weak.
    """

    in_json: ClassVar = SET_KEY
    set_name: str
    label: str
    chance: float
    below: float
    tolerance: float

    @property
    def found(self) -> bool:
        """Whether it rather is tired than not."""
        return self.chance > 0.5


class NotPressed(msgspec.Struct, frozen=True):
    """A set that may stand where it is not pressed to, being too near its solid height."""

    in_json: ClassVar = SET_KEY
    set_name: str
    lowest_mm: float
    solid_height_mm: float | None


class Lacking(msgspec.Struct, frozen=True):
    """A chosen set with fewer springs that can be used than there are valves."""

    in_json: ClassVar = SET_KEY
    set_name: str
    role: str
    sound: int
    valves: int


class PressPlan(msgspec.Struct, frozen=True):
    """What to press next.

    Attributes:
        stage: what the presses are for; `no_choice` where every choice breaks a known limit or
            can't be pressed.
        presses: the next batch, in order; empty where nothing is left to press.
        best: None before every set was read.
        risk: chance that another choice is nearer to the card by more than MARGIN_N, the errors
            that all readings have in common left out; None with best.
        common_risk: the same with them.
        ties: once it is decided, choices as good as the best within what can be read.
        rivals: that may be better, the likeliest first.
        tired: springs of the chosen sets that are, or may be.
        made, remaining: presses, as far as can be foreseen.
        not_pressed: where choices were left out because a set can't be pressed there.
        solid_unknown: sets of which no solid height is known.
        left_out: labels of springs that the check of their set flags.
        lacking: chosen sets that can't fill every valve.
    """

    stage: Literal["begin", "decide", "tired", "valve", "done", "no_choice", "once"]
    presses: tuple[Press, ...] = ()
    best: PairChoice | None = None
    risk: float | None = None
    common_risk: float | None = None
    ties: tuple[PairChoice, ...] = ()
    rivals: tuple[Rival, ...] = ()
    tired: tuple[TiredSpring, ...] = ()
    made: int = 0
    remaining: int = 0
    not_pressed: tuple[NotPressed, ...] = ()
    solid_unknown: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    lacking: tuple[Lacking, ...] = ()

    @property
    def done(self) -> bool:
        """Whether nothing is left to press."""
        return not self.presses

    @property
    def equal(self) -> bool:
        """Whether other choices are as good as the best within what can be read."""
        return bool(self.ties)

    @property
    def common_error_decides(self) -> bool:
        """Whether what all readings have in common could change the decision."""
        return self.common_risk is not None and self.common_risk >= STOP_RISK
