"""What one kind of line says: many samples at once, the rarer messages one by one (PROTOCOL.md).

Sequence and clock come out as they are on the wire, wrapped; wire_timeline unwraps them.
"""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.blocks import RAW_DTYPE
from coilbench.capture.messages import PROTOCOL_VERSION, Answer, Fault, Hello, Tally
from coilbench.capture.wire.layout import (
    CLOCK_FIELD,
    CRC_FIELD,
    FLAGS_FIELD,
    HEX_DIGITS,
    LOAD_FIELD,
    SAMPLE_BODY,
    SAMPLE_LENGTH,
    SEQ_FIELD,
    TRAVEL_FIELD,
    crc16,
    sample_crcs,
)

MESSAGE_KINDS = b"NFAH"
TRAVEL_KINDS = frozenset({"quadrature", "caliper", "potentiometer", "none"})

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


def _allowed_bytes() -> NDArray[np.bool_]:
    """Return allowed[column, byte] for a sample line."""
    allowed = np.zeros((SAMPLE_LENGTH, 256), dtype=np.bool_)
    allowed[0, ord("S")] = allowed[-1, ord("\n")] = True
    hex_digits, digits = list(HEX_DIGITS), list(HEX_DIGITS[:10])
    for start, width in (SEQ_FIELD, CLOCK_FIELD, FLAGS_FIELD, CRC_FIELD):
        allowed[start - 1, ord(" ")] = True
        allowed[start : start + width, hex_digits] = True
    for start, width in (LOAD_FIELD, TRAVEL_FIELD):
        allowed[start - 1, ord(" ")] = True
        allowed[start, [ord("+"), ord("-")]] = True
        allowed[start + 1 : start + width, digits] = True
    return allowed


_ALLOWED = _allowed_bytes()
_COLUMNS = np.arange(SAMPLE_LENGTH)
_VALUE = np.zeros(256, dtype=np.int64)
_VALUE[list(HEX_DIGITS)] = np.arange(16)


def parse_samples(lines: NDArray[np.uint8]) -> tuple[NDArray[np.void], NDArray[np.bool_]]:
    """Read sample lines.

    Args:
        lines: shape (n, SAMPLE_LENGTH), the bytes of a line in each row.

    Returns:
        The good lines' samples, dtype RAW_DTYPE with seq and t_us still wrapped, and which lines
        were good, shape (n,).
    """
    good = _ALLOWED[_COLUMNS, lines].all(axis=1)
    crcs = _hex(lines, CRC_FIELD)
    good &= crcs == sample_crcs(lines[:, :SAMPLE_BODY])
    lines = lines[good]
    samples = np.empty(len(lines), dtype=RAW_DTYPE)
    samples["seq"] = _hex(lines, SEQ_FIELD)
    samples["t_us"] = _hex(lines, CLOCK_FIELD)
    samples["load_counts"] = _signed(lines, LOAD_FIELD)
    samples["travel_counts"] = _signed(lines, TRAVEL_FIELD)
    samples["flags"] = _hex(lines, FLAGS_FIELD)
    return samples, good


def _hex(lines: NDArray[np.uint8], field: tuple[int, int]) -> NDArray[np.int64]:
    start, width = field
    powers = 16 ** np.arange(width - 1, -1, -1, dtype=np.int64)
    return np.asarray(_VALUE[lines[:, start : start + width]] @ powers)


def _signed(lines: NDArray[np.uint8], field: tuple[int, int]) -> NDArray[np.int64]:
    start, width = field
    powers = 10 ** np.arange(width - 2, -1, -1, dtype=np.int64)
    size = _VALUE[lines[:, start + 1 : start + width]] @ powers
    return np.asarray(np.where(lines[:, start] == ord("-"), -size, size))


def parse_message(line: bytes) -> Hello | Tally | Fault | Answer | None:
    """Read a line that isn't a sample; None if it can't be accepted.

    Args:
        line: without its LF.
    """
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
        and found.get("travel") in TRAVEL_KINDS
        and _ABOVE_ZERO.fullmatch(found.get("um_per_count", "1")) is not None
    )
