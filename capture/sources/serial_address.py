"""Reading a serial port's address: the device or URL that pyserial opens, and the baud rate."""

from __future__ import annotations

import re

from coilbench.capture.errors import CoilbenchError

DEFAULT_BAUD = 250_000

_DEVICE = re.compile(r"/.+|COM[0-9]+", re.IGNORECASE)
_SCHEME = re.compile(r"[a-z][a-z0-9+.-]*://", re.IGNORECASE)
_BAUD = re.compile(r"[1-9][0-9]{2,6}")
_NETWORK_SCHEMES = frozenset({"socket", "rfc2217"})
_HOST_AND_PORT = re.compile(r"(\[[0-9a-fA-F:.%]+\]|[^:/@\[\]]+):([0-9]{1,5})/?")
_EXAMPLE = "Write it like serial:///dev/ttyUSB0?baud=250000"


def split_baud(url: str) -> tuple[str, int]:
    """Return what pyserial opens, and the baud rate.

    Args:
        url: a bare device, `serial:///dev/ttyUSB0`, or any pyserial URL; a URL may carry `baud=`,
            without it DEFAULT_BAUD holds.

    Raises:
        CoilbenchError: it is no device and no URL, or a part of it makes no sense.
    """
    if not _SCHEME.match(url):
        if _DEVICE.fullmatch(url):
            return url, DEFAULT_BAUD
        raise CoilbenchError(
            "this is no port and no address",
            where=url or "(empty)",
            mend="Write it like /dev/ttyUSB0, COM3 or serial:///dev/ttyUSB0?baud=250000;"
            " coilbench rig find lists the ports",
        )
    address, _, query = url.partition("?")
    options = query.split("&") if query else []
    bauds = [option[5:] for option in options if option.startswith("baud=")]
    others = [option for option in options if not option.startswith("baud=")]
    if len(bauds) > 1 or (bauds and not _BAUD.fullmatch(bauds[0])):
        raise CoilbenchError("baud is not a rate", where=url, mend="Write it like baud=250000")
    baud = int(bauds[0]) if bauds else DEFAULT_BAUD
    scheme, _, device = address.partition("://")
    if scheme.lower() == "serial":
        return _plain_device(url, device, others), baud
    if scheme.lower() in _NETWORK_SCHEMES:
        _check_host_and_port(url, scheme, device)
    return "?".join([address, *(["&".join(others)] if others else [])]), baud


def _plain_device(url: str, device: str, options: list[str]) -> str:
    if options:
        raise CoilbenchError(f"there is no option {options[0]!r}", where=url, mend=_EXAMPLE)
    if not device:
        raise CoilbenchError("the port's name is missing", where=url, mend=_EXAMPLE)
    return device


def _check_host_and_port(url: str, scheme: str, place: str) -> None:
    match = _HOST_AND_PORT.fullmatch(place)
    if match is None or not 0 < int(match[2]) <= 65_535:
        raise CoilbenchError(
            "host and port are missing or make no sense",
            where=url,
            mend=f"Write it like {scheme}://bench.local:4000",
        )
