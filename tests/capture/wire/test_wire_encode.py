"""Lines against the vectors that every codec reads, and a rig's reading of requests."""

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench.capture.blocks import RAW_DTYPE, Answer, Fault, Hello, RawBlock, Tally
from coilbench.capture.virtual.firmware import RequestReader
from coilbench.capture.wire.format import (
    FEW,
    LINE_LIMIT,
    SAMPLE_LENGTH,
    Request,
    close_line,
    encode,
)

VECTORS = Path(__file__).parents[3] / "firmware" / "vectors"


def records(name):
    lines = (VECTORS / name).read_text("ascii").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def test_samples():
    vectors = records("samples.csv")
    rows = [
        (int(v["seq"]), int(v["t_us"]), int(v["load_counts"]), int(v["travel_counts"]),
         int(v["flags"], 16))
        for v in vectors
    ]  # fmt: skip
    raw = np.array(rows, dtype=RAW_DTYPE)
    many = np.concatenate([raw] * (FEW // len(raw) + 1))
    one_by_one = b"".join(encode(RawBlock(many[at : at + 1])) for at in range(len(many)))
    assert encode(RawBlock(many)) == one_by_one
    assert one_by_one.decode().splitlines()[: len(raw)] == [v["line"] for v in vectors]


def test_the_vectors_hold_the_adc_words_twos_complement():
    # Words and values from the HX711's coding, two's complement, MSB first (datasheet).
    by_word = {v["load_word"]: int(v["load_counts"]) for v in records("samples.csv")}
    known = {"7FFFFF": 8388607, "800000": -8388608, "FFFFFF": -1, "F82604": -514556, "FFFF85": -123}
    assert known.items() <= by_word.items()
    for word, counts in by_word.items():
        assert int.from_bytes(bytes.fromhex(word), "big", signed=True) == counts


def test_sequence_and_clock_wrap():
    raw = np.array([(65536 * 3 + 7, (1 << 32) * 5 + 9, 0, 0, 0)], dtype=RAW_DTYPE)
    assert encode(RawBlock(raw)).startswith(b"S 0007 00000009 ")


def test_no_samples_are_no_lines():
    assert encode(RawBlock(np.empty(0, dtype=RAW_DTYPE))) == b""


@pytest.mark.parametrize("samples", [1, FEW + 1])
def test_counts_too_large_for_the_wire(samples):
    with pytest.raises(ValueError, match="10000000 don't fit"):
        encode(RawBlock(np.array([(0, 0, 0, -10_000_000, 0)] * samples, dtype=RAW_DTYPE)))


def test_every_sample_line_is_as_long_as_the_protocol_says():
    raw = np.zeros(50, dtype=RAW_DTYPE)
    raw["load_counts"] = np.linspace(-8388608, 8388607, 50)
    lines = encode(RawBlock(raw)).splitlines(keepends=True)
    assert {len(line) for line in lines} == {SAMPLE_LENGTH} == {42}


def test_tallies():
    for v in records("tallies.csv"):
        counters = (int(v[k]) for k in ("offered", "dropped", "impossible_steps"))
        tally = Tally(int(v["boot"], 16), int(v["t_us"]), *counters, int(v["requests_refused"]))
        assert encode(tally) == v["line"].encode() + b"\n"
        assert len(encode(tally)) == 61  # as PROTOCOL.md says


def test_faults():
    for v in records("faults.csv"):
        boot, code = int(v["boot"], 16), int(v["code"], 16)
        fault = Fault(boot, int(v["t_us"]), code, v["standing"] == "1", int(v["count"]))
        assert encode(fault) == v["line"].encode() + b"\n"
        assert len(encode(fault)) == 35  # as PROTOCOL.md says


def test_answers():
    for v in records("answers.csv"):
        answer = Answer(int(v["tag"], 16), v["word"], v["verdict"] == "ok")
        assert encode(answer) == v["line"].encode() + b"\n"


def test_hello_in_the_order_of_the_protocol():
    first = records("hellos.csv")[0]
    extra = (("adc", "hx711"), ("gain", "128"), ("baud", "250000"))
    boot_id = int(first["boot"], 16)
    hello = Hello(1, first["fw"], first["id"], boot_id, 80.0, "quadrature", 5.0, extra)
    assert encode(hello) == first["line"].encode() + b"\n"


def test_requests():
    for v in records("requests.csv"):
        assert encode(Request(int(v["tag"], 16), v["word"])) == v["line"].encode() + b"\n"


@pytest.mark.parametrize(("tag", "word"), [(256, "who"), (-1, "who"), (0, ""), (0, "a b"),
                                           (0, "x" * 17), (0, "wh\n"), (0, "\u00e9")])  # fmt: skip
def test_a_request_that_cannot_be_sent(tag, word):
    with pytest.raises(ValueError, match="not a request"):
        encode(Request(tag, word))


def test_the_rig_reads_the_request_vectors_cut_anywhere():
    vectors = records("requests.csv")
    stream = "".join(v["line"] + "\n" for v in vectors).encode()
    wanted = [(int(v["tag"], 16), v["word"]) for v in vectors]
    for size in (1, 2, 7, len(stream)):
        reader = RequestReader()
        got = []
        for start in range(0, len(stream), size):
            got += reader.feed(stream[start : start + size])
        assert got == wanted
        assert reader.refused == 0


@pytest.mark.parametrize("vector", [v for v in records("bad_lines.csv") if v["reader"] == "rig"],
                         ids=lambda v: v["why"])  # fmt: skip
def test_the_rig_refuses_and_goes_on(vector):
    reader = RequestReader()
    stream = bytes.fromhex(vector["bytes"]) + close_line("Q 42 who")
    got = [request for i in range(len(stream)) for request in reader.feed(stream[i : i + 1])]
    assert got == [(0x42, "who")]
    assert reader.refused == 1


def test_the_rig_remembers_no_more_than_a_line():
    reader = RequestReader()
    for _ in range(50):
        reader.feed(b"x" * 100)
    assert len(reader._pending) <= LINE_LIMIT


@given(st.lists(st.binary(max_size=300), max_size=6))
@settings(max_examples=60)
def test_the_rig_bears_any_bytes(chunks):
    reader = RequestReader()
    for chunk in chunks:
        reader.feed(chunk)
    refused = reader.refused
    assert refused == b"".join(chunks).count(b"\n")
    assert reader.feed(b"\n" + close_line("Q 01 ack")) == [(1, "ack")]
    assert reader.refused == refused + 1
