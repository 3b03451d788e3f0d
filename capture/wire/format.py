"""The layout of a line on the wire, its checksum, and its writing (firmware/PROTOCOL.md)."""

from __future__ import annotations

import re
from binascii import crc_hqx
from collections.abc import Iterator
from typing import Any, NamedTuple

import numpy as np
from msgspec.structs import asdict
from numpy.typing import NDArray

from coilbench.capture.blocks import Answer, Fault, Hello, RawBlock, Tally

LINE_LIMIT = 240  # bytes, LF included
TRAILER = 6  # a space, four digits of CRC, LF
SAMPLE_LENGTH = 42  # bytes, CRC and LF included
SAMPLE_BODY = SAMPLE_LENGTH - TRAILER

CRC_START = 0xFFFF
HEX_DIGITS = b"0123456789ABCDEF"
_DIGITS = np.frombuffer(HEX_DIGITS, np.uint8)

# First column and width of a sample's fields; the two signed ones begin with their sign.
SEQ_FIELD = (2, 4)
CLOCK_FIELD = (7, 8)
LOAD_FIELD = (16, 8)
TRAVEL_FIELD = (25, 8)
FLAGS_FIELD = (34, 2)
CRC_FIELD = (37, 4)
_BLANK_SAMPLE = np.frombuffer(b"S 0000 00000000 +0000000 +0000000 00 0000\n", np.uint8)
_SHIFTS, _TENS = 4 * np.arange(8)[::-1], 10 ** np.arange(7)[::-1]
MAX_COUNTS = 9_999_999  # what seven digits hold
FEW = 16  # so many samples at most are sooner written one by one
LEAST_LOAD, MOST_LOAD = -(1 << 23), (1 << 23) - 1  # counts: what a 24-bit converter can give


def crc16(body: bytes) -> int:
    """Return the CRC-16/CCITT-FALSE of body.

    The standard library's crc_hqx has the same polynomial, 0x1021; only the start value differs
    (catalogued as CRC-16/IBM-3740, check value 29B1).
    """
    return crc_hqx(body, CRC_START)


def close_line(body: str) -> bytes:
    """Return body as a line with its CRC and LF.

    Raises:
        ValueError: body isn't printable ASCII or makes too long a line.
    """
    text = body.encode("ascii", "replace")
    if not (body.isascii() and body.isprintable() and 0 < len(body) <= LINE_LIMIT - TRAILER):
        raise ValueError(f"not a body the wire can carry: {body!r}")
    return b"%s %04X\n" % (text, crc16(text))


def _position_tables(width: int) -> NDArray[np.uint16]:
    """Return table[column, byte]: what a byte there adds to the CRC of width bytes."""
    last = np.array([crc_hqx(bytes([byte]), 0) for byte in range(256)], dtype=np.uint16)
    tables = [last]
    for _ in range(width - 1):  # one column further left is one more zero byte behind it
        tables.append((tables[-1] << 8) ^ last[tables[-1] >> 8])
    return np.stack(tables[::-1])


_TABLES = _position_tables(SAMPLE_BODY).ravel()
_CRC_OF_ZEROS = crc16(bytes(SAMPLE_BODY))


def by_column(lines: NDArray[np.uint8]) -> NDArray[np.intp]:
    """Return where each byte is in a flat table of 256 for each column; shape (n, columns)."""
    return np.asarray(lines + 256 * np.arange(lines.shape[1]))


def sample_crcs(bodies: NDArray[np.uint8]) -> NDArray[np.uint16]:
    """Return the CRC of each row.

    A CRC is linear over exclusive or, so each byte's share is looked up by its column and the
    shares are combined, with no loop over rows or bytes.

    Args:
        bodies: shape (n, SAMPLE_BODY).

    Returns:
        Shape (n,).
    """
    shares = np.bitwise_xor.reduce(_TABLES.take(by_column(bodies)), axis=1)
    return np.asarray(shares ^ np.uint16(_CRC_OF_ZEROS), dtype=np.uint16)


_WORD = re.compile(r"[!-~]{1,16}")


class Request(NamedTuple):
    """What the host asks of the rig; the tag, a byte, comes back with the answer."""

    tag: int
    word: str


def encode(item: RawBlock | Hello | Tally | Fault | Answer | Request) -> bytes:
    """Return an item as lines; sequence, clocks and counters are wrapped to the wire's width.

    Raises:
        ValueError: counts of more than seven digits, or a request that isn't a byte and one
            printable word.
    """
    match item:
        case RawBlock():
            return _sample_lines(item.samples)
        case Hello():
            body = "H " + " ".join(f"{key}={value}" for key, value in _hello_pairs(item))
        case Tally():
            body = "N " + " ".join(f"{field & 0xFFFF_FFFF:08X}" for field in asdict(item).values())
        case Fault():
            body = (
                f"F {item.boot_id:08X} {item.t_us & 0xFFFF_FFFF:08X} {item.code:02X} "
                f"{item.standing:d} {item.count & 0xFFFF:04X}"
            )
        case Answer():
            body = f"A {item.tag:02X} {item.word} {'ok' if item.ok else 'no'}"
        case Request():
            if not (0 <= item.tag <= 0xFF and _WORD.fullmatch(item.word)):
                raise ValueError(f"not a request: tag {item.tag}, word {item.word!r}")
            body = f"Q {item.tag:02X} {item.word}"
    return close_line(body)


def _sample_lines(samples: NDArray[np.void]) -> bytes:
    """Return the lines of samples; many all at once: a simulated rig in a hurry says hundreds."""
    if len(samples) <= FEW:
        return b"".join(map(_sample_line, samples.tolist()))
    lines = np.empty((samples.shape[0], SAMPLE_LENGTH), np.uint8)
    lines[:] = _BLANK_SAMPLE
    _write_hex(lines, SEQ_FIELD, samples["seq"])
    _write_hex(lines, CLOCK_FIELD, samples["t_us"])
    _write_counts(lines, LOAD_FIELD, samples["load_counts"])
    _write_counts(lines, TRAVEL_FIELD, samples["travel_counts"])
    _write_hex(lines, FLAGS_FIELD, samples["flags"])
    _write_hex(lines, CRC_FIELD, sample_crcs(lines[:, :SAMPLE_BODY]))
    return lines.tobytes()


def _sample_line(sample: tuple[int, int, int, int, int]) -> bytes:
    seq, t_us, load, travel, flags = sample
    if (largest := max(abs(load), abs(travel))) > MAX_COUNTS:
        raise _too_large(largest)
    return close_line(
        f"S {seq & 0xFFFF:04X} {t_us & 0xFFFF_FFFF:08X} {load:+08d} {travel:+08d} {flags:02X}"
    )


def _too_large(counts: int) -> ValueError:
    return ValueError(f"counts of {counts} don't fit the wire's seven digits")


def _write_hex(lines: NDArray[np.uint8], field: tuple[int, int], values: NDArray[Any]) -> None:
    first, width = field
    digits = (values.astype(np.int64)[:, None] >> _SHIFTS[-width:]) & 0xF
    lines[:, first : first + width] = _DIGITS[digits]


def _write_counts(lines: NDArray[np.uint8], field: tuple[int, int], values: NDArray[Any]) -> None:
    first, width = field
    size = np.abs(values.astype(np.int64))
    if (largest := size.max(initial=0)) > MAX_COUNTS:
        raise _too_large(largest)
    lines[values < 0, first] = ord("-")
    lines[:, first + 1 : first + width] = _DIGITS[size[:, None] // _TENS % 10]


def _hello_pairs(hello: Hello) -> Iterator[tuple[str, str]]:
    yield "proto", str(hello.protocol)
    yield "fw", hello.firmware
    yield "id", hello.device_id
    yield "boot", f"{hello.boot_id:08X}"
    yield "sps", _decimal(hello.rate_hz)
    yield "travel", hello.travel
    if hello.um_per_count is not None:
        yield "um_per_count", _decimal(hello.um_per_count)
    yield from hello.extra


def _decimal(value: float) -> str:
    return f"{value:.9f}".rstrip("0").rstrip(".")
