"""Sources of samples; open_source picks one by its URL's scheme."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, cast

if TYPE_CHECKING:
    from coilbench.capture.sources.base import Source

# Scheme -> module and opener, called with the URL. Modules are loaded when they are needed.
_OPENERS = {
    "pi": ("pi", "open_pi"),
    "recording": ("recording", "open_recording"),
    "virtual": ("virtual", "open_virtual"),
}


def open_source(url: str) -> Source:
    """Open a source of samples.

    Args:
        url: `serial:///dev/ttyUSB0?baud=250000`, a bare device (`/dev/ttyACM0`, `COM3`), any
            pyserial URL (`socket://host:port`, `rfc2217://host:port`, `spy://device`),
            `pi:dout=5,sck=6,a=17,b=27`, `virtual:` or `recording:FILE`.

    Raises:
        SourceLost: the device can't be opened now; trying again may work.
        CoilbenchError: the URL can't be understood, or the file can't be read.
    """
    module, opener = _OPENERS.get(url.partition(":")[0].lower(), ("serial_port", "open_serial"))
    loaded = import_module(f"coilbench.capture.sources.{module}")
    return cast("Source", getattr(loaded, opener)(url))
