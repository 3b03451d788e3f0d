"""The decoder against a plain parser that was written from the protocol alone, line by line."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

import plain_parser as plain
from coilbench.capture.blocks import RawBlock
from coilbench.capture.wire.decode import Decoder


def sample_line(seq, t_us, load, travel, flags):
    body = f"S {seq:04X} {t_us:08X} {load:+08d} {travel:+08d} {flags:02X}".encode()
    return b"%s %04X\n" % (body, plain.crc_ccitt_false(body))


def test_the_plain_parsers_crc_is_the_catalogued_one():
    # CRC-16/CCITT-FALSE (IBM-3740) of "123456789" is 29B1: CRC catalogues.
    assert plain.crc_ccitt_false(b"123456789") == plain.crc_by_table(b"123456789") == 0x29B1


good = st.builds(
    sample_line,
    st.integers(0, 0xFFFF),
    st.integers(0, 0xFFFFFFFF),
    st.integers(-(2**23) - 1, 2**23),
    st.integers(-9_999_999, 9_999_999),
    st.integers(0, 0xFF),
)
damaged = st.tuples(good, st.integers(0, 41), st.binary(min_size=1, max_size=2)).map(
    lambda drawn: drawn[0][: drawn[1]] + drawn[2] + drawn[0][drawn[1] + 1 :]
)


@settings(max_examples=150)
@given(
    st.lists(st.one_of(good, good.map(lambda line: 2 * line), damaged, st.binary(max_size=60))).map(
        b"".join
    ),
    st.integers(0, 500),
)
def test_it_reads_what_a_plain_parser_reads(stream, cut):
    decoder = Decoder()
    items = decoder.feed(stream[:cut]) + decoder.feed(stream[cut:])
    blocks = [item.samples for item in items if isinstance(item, RawBlock)]
    read = plain.plain_samples(stream)
    assert decoder.counters.samples == len(read)
    heard = np.concatenate(blocks) if blocks else []
    for sample, (seq, t_us, load, travel, flags) in zip(heard, read, strict=True):
        assert int(sample["seq"]) & 0xFFFF == seq
        assert int(sample["t_us"]) % (1 << 32) == t_us
        assert (sample["load_counts"], sample["travel_counts"]) == (load, travel)
        assert sample["flags"] == flags
