"""The line's checksum against its catalogue value and an implementation bit by bit."""

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench.capture.wire.format import (
    LINE_LIMIT,
    SAMPLE_BODY,
    TRAILER,
    close_line,
    crc16,
    sample_crcs,
)

VECTORS = Path(__file__).parents[3] / "firmware" / "vectors"


def crc_bit_by_bit(data: bytes) -> int:
    """CRC-16 as ITU-T V.41's polynomial x^16 + x^12 + x^5 + 1 defines it, start 0xFFFF."""
    crc = 0xFFFF
    for byte in data:
        for bit in range(7, -1, -1):
            out = (crc >> 15) ^ (byte >> bit & 1)
            crc = (crc << 1) & 0xFFFF ^ (0x1021 if out else 0)
    return crc


def test_the_catalogue_check_value():
    # reveng's catalogue of CRCs, CRC-16/IBM-3740 (alias CRC-16/CCITT-FALSE): check 0x29b1.
    assert crc16(b"123456789") == 0x29B1
    assert crc_bit_by_bit(b"123456789") == 0x29B1


@given(st.binary(max_size=60))
@settings(max_examples=100)
def test_any_bytes_against_the_definition(data):
    assert crc16(data) == crc_bit_by_bit(data)


@given(st.lists(st.binary(min_size=SAMPLE_BODY, max_size=SAMPLE_BODY), max_size=5))
@settings(max_examples=100)
def test_rows_at_once_against_the_definition(rows):
    matrix = np.frombuffer(b"".join(rows), dtype=np.uint8).reshape(len(rows), SAMPLE_BODY)
    assert sample_crcs(matrix).tolist() == [crc_bit_by_bit(row) for row in rows]


def test_every_vector_carries_its_crc_by_the_definition():
    checked = 0
    for path in sorted(VECTORS.glob("*.csv")):
        lines = [line for line in path.read_text("ascii").splitlines() if line[0] != "#"]
        for record in csv.DictReader(lines):
            if path.name == "crc.csv":
                assert crc_bit_by_bit(record["text"].encode()) == int(record["crc"], 16)
            elif path.name == "bad_lines.csv":
                line = bytes.fromhex(record["bytes"])[:-1]
                if "the CRC is right" in record["why"]:
                    assert line[-4:] == b"%04X" % crc_bit_by_bit(line[:-5]), record
            elif record.get("event") != "bad":
                body, _, crc = record["line"].rpartition(" ")
                assert crc == f"{crc_bit_by_bit(body.encode()):04X}", record
            checked += 1
    assert checked > 100


@pytest.mark.parametrize("body", ["", "two\nlines", "caf\u00e9", "tab\there", "x" * 235])
def test_a_body_the_wire_cannot_carry(body):
    with pytest.raises(ValueError, match="the wire can carry"):
        close_line(body)


def test_the_longest_line():
    assert len(close_line("x" * (LINE_LIMIT - TRAILER))) == LINE_LIMIT
