"""Edges of the scale and of the HX711's DOUT, each with the kernel's own time.

lgpio's callbacks are used and not gpiozero's, nor those of RPi.GPIO: only they tell the level after
the edge and the moment of its interrupt. They come late (lgpio holds edges back for half a
millisecond to put them in order, then Python takes its turn), so a callback does nothing but note
the edge. Travel is looked up afterwards, at the moment the conversion became ready.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Any

import numpy as np

from coilbench.capture.sources.pi_address import PiSetup
from coilbench.capture.sources.pi_board import Board
from coilbench.capture.sources.quadrature import LINE_A, LINE_B, Quadrature


class Edges:
    """Listens to three pins until it is closed.

    Args:
        board: its mode set, and the three pins set up as inputs.
        setup: which pins.
        now_ns: the clock of the kernel's times.
    """

    def __init__(self, board: Board, setup: PiSetup, now_ns: Callable[[], int]) -> None:
        self._gpio = board.gpio
        self._listening: list[int] = []
        self._callbacks: list[Any] = []
        # Filled by lgpio's thread, emptied by ours; a deque is safe between the two.
        self._scale_seen: deque[tuple[int, int, int]] = deque()
        self._ready_seen: deque[int] = deque()
        self._scale: list[tuple[int, int, int]] = []  # ns, line, level; not yet counted
        try:
            self._listen(board, setup)
        except BaseException:
            self.close()
            raise
        self._began_ns = now_ns()
        self._quadrature = Quadrature(self._gpio.input(setup.a), self._gpio.input(setup.b))

    @property
    def impossible_steps(self) -> int:
        """How often an edge of the scale must have been lost; only grows."""
        return self._quadrature.impossible_steps

    def ready_between(self, after_ns: int, until_ns: int) -> int | None:
        """Return when DOUT last fell in this span, None where no edge of that span was seen.

        Asked once a conversion, in order of time: what is older is forgotten.
        """
        found = None
        while self._ready_seen and self._ready_seen[0] <= until_ns:
            fell_ns = self._ready_seen.popleft()
            if fell_ns > after_ns:
                found = fell_ns
        return found

    def travel_at(self, t_ns: int) -> int:
        """Return the scale's count at a moment, from the edges that are known by now.

        Asked in order of time. An edge that becomes known too late counts in the next one.
        """
        while self._scale_seen:
            edge = self._scale_seen.popleft()
            if edge[0] > self._began_ns:
                self._scale.append(edge)
        due = next((i for i, edge in enumerate(self._scale) if edge[0] > t_ns), len(self._scale))
        if due > 0:
            edges = np.array(self._scale[:due], dtype=np.int64)
            del self._scale[:due]
            self._quadrature.follow(edges[:, 1].astype(np.uint8), edges[:, 2].astype(np.uint8))
        return self._quadrature.count

    def close(self) -> None:
        """Stop listening; safe to call twice."""
        while self._callbacks:
            self._callbacks.pop().cancel()
        while self._listening:
            self._gpio.remove_event_detect(self._listening.pop())

    def _listen(self, board: Board, setup: PiSetup) -> None:
        gpio = board.gpio
        for pin in (setup.a, setup.b):
            self._detect(pin, gpio.BOTH)
        self._detect(setup.dout, gpio.FALLING)
        noting = {
            setup.a: self._note_scale(LINE_A),
            setup.b: self._note_scale(LINE_B),
            setup.dout: self._note_ready,
        }
        for pin, note in noting.items():
            callback = board.lgpio.callback(board.chip_handle, pin, board.lgpio.BOTH_EDGES, note)
            self._callbacks.append(callback)

    def _detect(self, pin: int, edge: int) -> None:
        self._gpio.add_event_detect(pin, edge)
        self._listening.append(pin)

    def _note_scale(self, line: int) -> Callable[[int, int, int, int], None]:
        note = self._scale_seen.append
        return lambda _chip, _pin, level, t_ns: note((t_ns, line, level))

    def _note_ready(self, _chip: int, _pin: int, _level: int, t_ns: int) -> None:
        self._ready_seen.append(t_ns)
