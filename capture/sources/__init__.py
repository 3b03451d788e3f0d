"""Sources of samples; open_source picks one by its URL's scheme."""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module
from typing import TYPE_CHECKING, BinaryIO, cast

if TYPE_CHECKING:
    from coilbench.capture.sources.base import Source

# Scheme -> module and opener, called with the URL. Modules are loaded when they are needed.
_OPENERS = {
    "pi": "coilbench.capture.sources.pi:open_pi",
    "recording": "coilbench.capture.sources.recording:open_recording",
    "virtual": "coilbench.capture.sources.virtual:open_virtual",
}
_SERIAL = "coilbench.capture.sources.serial_port:open_serial"


def open_source(url: str, *, record: BinaryIO | None = None) -> Source:
    """Open a source of samples.

    Args:
        url: `serial:///dev/ttyUSB0?baud=250000`, a bare device (`/dev/ttyACM0`, `COM3`), any
            pyserial URL (`socket://host:port`, `rfc2217://host:port`, `spy://device`),
            `pi:dout=5,sck=6,a=17,b=27`, `virtual:` or `recording:FILE`.
        record: where to copy the raw bytes of a serial source to, if anywhere.

    Raises:
        SourceLost: the device can't be opened now; trying again may work.
        CoilbenchError: the URL can't be understood, or the file can't be read.
    """
    opener = _OPENERS.get(url.partition(":")[0].lower())
    if opener is None:
        return cast("Source", _load(_SERIAL)(url, record=record))
    return cast("Source", _load(opener)(url))


def _load(name: str) -> Callable[..., object]:
    module, _, function = name.partition(":")
    return cast("Callable[..., object]", getattr(import_module(module), function))
