"""Messages of the wire, a line each: the rig, its tally, faults, answers (PROTOCOL.md)."""

from __future__ import annotations

import re

from coilbench.capture.blocks import PROTOCOL_VERSION, Answer, Fault, Hello, Tally
from coilbench.capture.wire.format import crc16

MESSAGES = frozenset({b"N", b"F", b"A", b"H"})  # what their lines begin with
_TRAVEL_KINDS = frozenset({"quadrature", "caliper", "potentiometer", "none"})

_HELLO_KEYS = frozenset({"proto", "fw", "id", "boot", "sps", "travel", "um_per_count"})
_CLOSED_LINE = re.compile(rb"([ -~]+) ([0-9A-F]{4})")
_TALLY = re.compile(r"N" + r" ([0-9A-F]{8})" * 6)
_FAULT = re.compile(r"F ([0-9A-F]{8}) ([0-9A-F]{8}) ([0-9A-F]{2}) ([01]) ([0-9A-F]{4})")
_ANSWER = re.compile(r"A ([0-9A-F]{2}) ([!-~]+) (ok|no)")
_PAIR = re.compile(r"([!-<>-~]+)=([!-~]+)")
_VERSION = re.compile(r"[0-9]{1,9}")
_ABOVE_ZERO = re.compile(r"(?=.*[1-9])[0-9]{1,9}(\.[0-9]{1,9})?")
_DEVICE_ID = re.compile(r"[0-9A-F]{16}")
_BOOT_ID = re.compile(r"[0-9A-F]{8}")


def parse_message(line: bytes) -> Hello | Tally | Fault | Answer | None:
    """Read a line without its LF that isn't a sample; None if it can't be accepted."""
    closed = _CLOSED_LINE.fullmatch(line)
    if closed is None or crc16(closed[1]) != int(closed[2], 16):
        return None
    body = closed[1].decode("ascii")
    if body.startswith("H "):
        return _hello(body[2:])
    if match := _TALLY.fullmatch(body):
        return Tally(*(int(field, 16) for field in match.groups()))
    if match := _FAULT.fullmatch(body):
        boot_id, t_us, code, count = (int(match[group], 16) for group in (1, 2, 3, 5))
        return Fault(boot_id, t_us, code, match[4] == "1", count)
    if match := _ANSWER.fullmatch(body):
        return Answer(int(match[1], 16), match[2], match[3] == "ok")
    return None


def _hello(text: str) -> Hello | None:
    pairs = [_PAIR.fullmatch(word) for word in text.split(" ")]
    found = {pair[1]: pair[2] for pair in pairs if pair is not None}
    if len(found) < len(pairs) or not _VERSION.fullmatch(found.get("proto", "")):
        return None
    if int(found["proto"]) == PROTOCOL_VERSION and not _hello_is_whole(found):
        return None
    # Another version may say the rest in another way: what isn't there is left blank, so that
    # the two versions can be named.
    um_per_count = found.get("um_per_count", "")
    boot, sps = found.get("boot", ""), found.get("sps", "")
    return Hello(
        protocol=int(found["proto"]),
        firmware=found.get("fw", ""),
        device_id=found.get("id", ""),
        boot_id=int(boot, 16) if _BOOT_ID.fullmatch(boot) else 0,
        rate_hz=float(sps) if _ABOVE_ZERO.fullmatch(sps) else 0.0,
        travel=found.get("travel", ""),
        um_per_count=float(um_per_count) if _ABOVE_ZERO.fullmatch(um_per_count) else None,
        extra=tuple((key, value) for key, value in found.items() if key not in _HELLO_KEYS),
    )


def _hello_is_whole(found: dict[str, str]) -> bool:
    return (
        "fw" in found
        and _DEVICE_ID.fullmatch(found.get("id", "")) is not None
        and _BOOT_ID.fullmatch(found.get("boot", "")) is not None
        and _ABOVE_ZERO.fullmatch(found.get("sps", "")) is not None
        and found.get("travel") in _TRAVEL_KINDS
        and _ABOVE_ZERO.fullmatch(found.get("um_per_count", "1")) is not None
    )
