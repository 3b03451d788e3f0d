"""A Raspberry Pi's pins: the modules that reach them, and in words why they can't be reached."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import Any

from coilbench.capture.errors import CoilbenchError
from coilbench.capture.sources.base import SourceLost

_INSTALL = "On the Pi: pip install 'coilbench[pi]'"


@dataclass(frozen=True)
class Clock:
    """What time is taken from and waited with.

    Attributes:
        now_ns: monotonic, nanoseconds, of the kind the kernel stamps edges with.
        sleep: takes seconds.
    """

    now_ns: Callable[[], int] = time.monotonic_ns
    sleep: Callable[[float], None] = time.sleep


@dataclass(frozen=True)
class Board:
    """The modules by which pins are reached.

    Attributes:
        gpio: the module RPi.GPIO, which must be rpi-lgpio's.
        lgpio: the module beneath it, whose callbacks tell an edge's level and the kernel's time.
    """

    gpio: Any
    lgpio: Any

    @property
    def chip_handle(self) -> int:
        """A handle of the chip that RPi.GPIO has open, for lgpio.callback."""
        return int(self.gpio._chip)


def open_board(url: str) -> Board:
    """Load the modules and open the pins' chip.

    Raises:
        SourceLost: the chip can't be opened now.
        CoilbenchError: a module is missing or another, or this is no Raspberry Pi.
    """
    try:
        # lgpio first: it makes a FIFO in the working directory as soon as it is loaded.
        lgpio = import_module("lgpio")
        gpio = import_module("RPi.GPIO")
    except ImportError as error:
        raise CoilbenchError(
            f"the Python module {error.name or 'RPi.GPIO'!r} is missing", where=url, mend=_INSTALL
        ) from error
    except OSError as error:
        raise CoilbenchError(
            f"lgpio can't make its FIFO in the working directory ({error.strerror or error})",
            where=url,
            mend="Start coilbench in a folder that you may write to",
        ) from error
    except (RuntimeError, NotImplementedError) as error:
        raise CoilbenchError(
            "this computer is no Raspberry Pi (or one too old)",
            where=url,
            mend="Use a rig on USB here: coilbench rig find",
        ) from error
    if not hasattr(gpio, "_chip"):
        raise CoilbenchError(
            "the module RPi.GPIO is not rpi-lgpio's: its edges carry no time",
            where=url,
            mend="pip uninstall RPi.GPIO, then: pip install --force-reinstall rpi-lgpio",
        )
    try:
        gpio.setmode(gpio.BCM)
    except Exception as error:
        raise pins_refused(url, error) from error
    return Board(gpio, lgpio)


def pins_refused(url: str, error: Exception) -> SourceLost:
    """Say in words why the pins can't be used; lgpio tells its reasons by their text alone."""
    text = str(error).strip("'\"")
    if "busy" in text or "not allocated" in text:  # the latter: it could not be read even once
        what = "another program holds one of these pins"
        mend = "Close it, or see who it is with: gpioinfo"
    elif "can not open gpiochip" in text and not list(Path("/dev").glob("gpiochip*")):
        what, mend = "there are no pins on this computer", "Use a rig on USB: coilbench rig find"
    elif "can not open gpiochip" in text or "permission" in text:
        user = os.environ.get("USER", "$USER")
        what = "no permission to use the pins"
        mend = f"sudo usermod -aG gpio {user}, then log in anew"
    elif "different mode" in text:
        what = "the pins are in use by other code of this program, by board numbers"
        mend = "Use GPIO numbers (BCM) there"
    else:
        what, mend = f"the pins can't be used ({text})", "Check the wiring and the pins' numbers"
    return SourceLost(what, where=url, mend=mend)
