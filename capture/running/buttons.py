"""The rig's two push-buttons: what their presses ask for. Pure."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.blocks import SampleFlag
from coilbench.capture.running.kinds import Action

TWICE_S = 2.0  # two presses within this belong together; common practice, no source


_BUTTONS = (
    (SampleFlag.REDO_PRESSED, Action.REDO, Action.BACK),
    (SampleFlag.ACCEPT_PRESSED, None, Action.SKIP),
)
_BOTH = int(SampleFlag.REDO_PRESSED | SampleFlag.ACCEPT_PRESSED)


def meaning(action: Action | None, *, asked: bool, done: bool) -> Action | None:
    """Return what a press of a button asks for now.

    Args:
        action: what it asks for else.
        asked: whether a question stands: then accept is yes and redo is no.
        done: whether the set is: then accept finishes.
    """
    accept = action in (None, Action.SKIP)
    if asked:
        return Action.ACCEPT if accept else Action.TAKE_OUT
    return Action.FINISH if accept and done else action


class Buttons:
    """Turns presses of the rig's two push-buttons into what they ask for, by the rig's own clock.

    A good stroke is accepted by itself, so a single press of accept changes nothing while the set
    is being measured: who presses it out of habit must not lose the order.

    | button | once | again within 2 s |
    |---|---|---|
    | redo | redo the last stroke | go back; and further with each press |
    | accept | says why it does nothing | skip; further presses belong to that one |

    Once the set is done, the first press of accept finishes.

    While a question stands, accept is yes and redo is no.
    """

    def __init__(self) -> None:
        self._last_us: dict[SampleFlag, int] = {}
        self._times: dict[SampleFlag, int] = {}  # pressed, each within TWICE_S of the one before

    def pressed(self, samples: NDArray[np.void]) -> list[tuple[int, Action | None]]:
        """Return (samples up to and with the press, what it asks for) for each press in order."""
        flags, t_us = samples["flags"], samples["t_us"]
        found: list[tuple[int, Action | None]] = []
        for at in np.flatnonzero(flags & _BOTH).tolist():
            for button, once, again in _BUTTONS:
                if flags[at] & button:
                    times = self._pressed_times(button, int(t_us[at]))
                    if times <= 2 or again is not Action.SKIP:
                        found.append((at + 1, once if times == 1 else again))
                    # else a finger trembles: it skips one spring, not three
        return found

    def _pressed_times(self, button: SampleFlag, now_us: int) -> int:
        before_us = self._last_us.get(button)
        self._last_us[button] = now_us
        goes_on = before_us is not None and 0 <= now_us - before_us <= TWICE_S * 1e6
        self._times[button] = 1 + (self._times.get(button, 0) if goes_on else 0)
        return self._times[button]
