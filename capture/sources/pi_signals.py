"""Signals on a Pi's pins: the HX711's words checked, a linear scale's edges counted. Pure.

Facts of the chip are from its datasheet; the rule for torn words is from experience, no source. The
scale's two outputs are a quarter period apart; every edge counts (x4).
"""

from __future__ import annotations

from collections import deque
from statistics import median

from coilbench.capture.blocks import SampleFlag

POSITIVE_END = 0x7FFFFF
NEGATIVE_END = -0x800000
SETTLING = 4  # conversions after a start, until the chip's filter has filled
# A real load does not move by a sixteenth of the chip's whole range and back between three
# conversions; a word with one of its four top bits wrong does.
JUMP_COUNTS = 1 << 20
_TORN_FROM = 4095  # below it a true reading near zero is the likelier cause
_MISSED_FROM = 1.5  # periods
_PLAUSIBLE = (0.75, 1.25)  # of the nominal period: users measure 11 and 93 samples a second
_REMEMBERED = 15


def is_saturated(counts: int) -> bool:
    """Whether the input is past an end of the chip's range."""
    return counts in (POSITIVE_END, NEGATIVE_END)


def looks_torn(counts: int) -> bool:
    """Whether the word is 2^n - 1 (or -1): DOUT high from some bit on, as after a stray pulse."""
    all_ones = counts & (counts + 1) == 0
    return counts == -1 or (_TORN_FROM <= counts < POSITIVE_END and all_ones)


class AdcWatch:
    """Judges one word after another; settling: conversions to drop after a start of the chip."""

    def __init__(self, settling: int = SETTLING) -> None:
        self._settling = settling
        self._to_drop = settling
        self._doubtful = 0

    def restarted(self) -> None:
        """The chip was started again: its filter is empty."""
        self._to_drop = self._settling
        self._doubtful = 0

    def judge(self, counts: int, *, sound: bool) -> SampleFlag | None:
        """Return the sample's flags, or None to drop it.

        Args:
            sound: it was read undisturbed, and the chip confirmed the pulses that chose the gain.
        """
        if self._to_drop > 0:
            self._to_drop -= 1
            return None
        if not sound or looks_torn(counts):
            self._doubtful = SETTLING  # the next few may be wrong, too
        flags = SampleFlag.LOAD_SATURATED if is_saturated(counts) else SampleFlag(0)
        if self._doubtful > 0:
            self._doubtful -= 1
            flags |= SampleFlag.LOAD_SUSPECT
        return flags

    @staticmethod
    def stands_out(before: int | None, here: int, after: int | None) -> bool:
        """Whether the middle of three conversions stands out from both others by JUMP_COUNTS.

        A saturated one is flagged as that, and never said to stand out; nor where one is not known.
        """
        if before is None or after is None:
            return False
        up, down = here - before, here - after
        far = min(abs(up), abs(down)) > JUMP_COUNTS and (up > 0) == (down > 0)
        return far and not is_saturated(here)


class MissedConversions:
    """Tells from the clock how many conversions nobody read.

    The period is learnt, since the chip's own oscillator is some per cent off its nominal rate.
    """

    def __init__(self, nominal_period_ns: int) -> None:
        self._nominal_ns = nominal_period_ns
        self._intervals_ns: deque[int] = deque(maxlen=_REMEMBERED)
        self._last_ns: int | None = None

    def forget(self) -> None:
        """Make no assumption on the next one: sampling was stopped, or the chip made none."""
        self._last_ns = None

    def before(self, ready_ns: int) -> int:
        """Return how many were missed between the conversion before and this one."""
        last_ns, self._last_ns = self._last_ns, ready_ns
        if last_ns is None:
            return 0
        interval_ns = ready_ns - last_ns
        if _PLAUSIBLE[0] <= interval_ns / self._nominal_ns <= _PLAUSIBLE[1]:
            self._intervals_ns.append(interval_ns)
        if interval_ns < _MISSED_FROM * self._nominal_ns:
            return 0
        period_ns = median(self._intervals_ns) if self._intervals_ns else self._nominal_ns
        return max(round(interval_ns / period_ns) - 1, 1)
