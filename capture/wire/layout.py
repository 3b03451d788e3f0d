"""The layout of a line on the wire and its checksum (firmware/PROTOCOL.md)."""

from __future__ import annotations

from binascii import crc_hqx

import numpy as np
from numpy.typing import NDArray

LINE_LIMIT = 240  # bytes, LF included
TRAILER = 6  # a space, four digits of CRC, LF
SAMPLE_LENGTH = 42  # bytes, CRC and LF included
SAMPLE_BODY = SAMPLE_LENGTH - TRAILER

HEX_DIGITS = b"0123456789ABCDEF"

# First column and width of a sample's fields; the two signed ones begin with their sign.
SEQ_FIELD = (2, 4)
CLOCK_FIELD = (7, 8)
LOAD_FIELD = (16, 8)
TRAVEL_FIELD = (25, 8)
FLAGS_FIELD = (34, 2)
CRC_FIELD = (37, 4)
MAX_COUNTS = 9_999_999  # what seven digits hold


def crc16(body: bytes) -> int:
    """Return the CRC-16/CCITT-FALSE of body.

    The standard library's crc_hqx has the same polynomial, 0x1021; only the start value differs
    (catalogued as CRC-16/IBM-3740, check value 29B1).
    """
    return crc_hqx(body, 0xFFFF)


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


_COLUMNS = np.arange(SAMPLE_BODY)
_TABLES = _position_tables(SAMPLE_BODY)
_CRC_OF_ZEROS = crc16(bytes(SAMPLE_BODY))


def sample_crcs(bodies: NDArray[np.uint8]) -> NDArray[np.uint16]:
    """Return the CRC of each row.

    A CRC is linear over exclusive or, so each byte's share is looked up by its column and the
    shares are combined, with no loop over rows or bytes.

    Args:
        bodies: shape (n, SAMPLE_BODY).

    Returns:
        Shape (n,).
    """
    shares = np.bitwise_xor.reduce(_TABLES[_COLUMNS, bodies], axis=1)
    return np.asarray(shares ^ np.uint16(_CRC_OF_ZEROS), dtype=np.uint16)
