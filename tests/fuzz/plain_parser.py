"""The wire's sample lines read one by one in plain Python, from firmware/PROTOCOL.md alone.

What the decoder is checked against, and measured against. It shares no code with it.
"""

import re

SAMPLE = re.compile(
    rb"(S ([0-9A-F]{4}) ([0-9A-F]{8}) ([+-][0-9]{7}) ([+-][0-9]{7}) ([0-9A-F]{2})) ([0-9A-F]{4})"
)
LONGEST = 240  # bytes, LF included


def crc_ccitt_false(body: bytes) -> int:
    """Polynomial 1021, start FFFF, not reflected; "123456789" gives 29B1 (CRC catalogues)."""
    crc = 0xFFFF
    for byte in body:
        crc ^= byte << 8
        for _ in range(8):
            crc = (crc << 1) ^ 0x1021 if crc & 0x8000 else crc << 1
        crc &= 0xFFFF
    return crc


TABLE = [0] * 256
for _byte in range(256):
    _crc = _byte << 8
    for _ in range(8):
        _crc = (_crc << 1) ^ 0x1021 if _crc & 0x8000 else _crc << 1
    TABLE[_byte] = _crc & 0xFFFF


def crc_by_table(body: bytes) -> int:
    """The same by the usual table, as plain programs do it."""
    crc = 0xFFFF
    for byte in body:
        crc = ((crc << 8) & 0xFFFF) ^ TABLE[(crc >> 8) ^ byte]
    return crc


def plain_samples(data: bytes) -> list[tuple[int, int, int, int, int]]:
    """Return (seq, t_us, load, travel, flags) of each good sample line, wrapped as on the wire.

    The load is a signed 24-bit word, and a sample twice in a row is one.
    """
    found = []
    for line in data.split(b"\n")[:-1]:
        match = SAMPLE.fullmatch(line)
        if match is not None and crc_by_table(match[1]) == int(match[7], 16):
            seq, t_us, load, travel, flags = match.groups()[1:6]
            again = found and found[-1][:2] == (int(seq, 16), int(t_us, 16))
            if -(2**23) <= int(load) < 2**23 and not again:
                found.append((int(seq, 16), int(t_us, 16), int(load), int(travel), int(flags, 16)))
    return found
