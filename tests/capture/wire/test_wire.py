"""The decoder: good lines, wraps, gaps, restarts, and whatever else a port may send."""

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench.capture.blocks import (
    RAW_DTYPE,
    Answer,
    Fault,
    Hello,
    LinkCounters,
    RawBlock,
    Restarted,
    Tally,
)
from coilbench.capture.wire.decode import Decoder
from coilbench.capture.wire.format import LINE_LIMIT, close_line, encode

VECTORS = Path(__file__).parents[3] / "firmware" / "vectors"
TURN_US = 1 << 32


def records(name):
    lines = (VECTORS / name).read_text("ascii").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def raw(seqs, *, first_us=0, step_us=12_500):
    samples = np.zeros(len(seqs), dtype=RAW_DTYPE)
    samples["seq"] = seqs
    samples["t_us"] = first_us + step_us * np.arange(len(seqs))
    samples["load_counts"] = np.asarray(seqs) % 8_000_000 - 4_000_000
    samples["travel_counts"] = 3 * np.asarray(seqs) - 100
    samples["flags"] = np.asarray(seqs) % 256
    return samples


def lines(samples):
    return encode(RawBlock(samples))


def hello(boot_id):
    return Hello(1, "own-2", "00112233445566AA", boot_id, 80.0, "quadrature", 5.0)


def flat(items):
    """Items with each block taken apart, so that block borders don't matter."""
    out = []
    for item in items:
        if isinstance(item, RawBlock):
            assert len(item) > 0
            out += [(item.boot_id, *sample.tolist()) for sample in item.samples]
        else:
            out.append(item)
    return out


def samples_of(items):
    blocks = [item.samples for item in items if isinstance(item, RawBlock)]
    return np.concatenate(blocks) if blocks else np.empty(0, dtype=RAW_DTYPE)


def check_balance(counters):
    assert counters.bytes_in == counters.bytes_good + counters.bytes_bad + counters.bytes_pending
    assert 0 <= counters.bytes_pending < LINE_LIMIT


def line_and_lf(vector):
    return vector["line"].encode() + b"\n"


# --- the vectors ---------------------------------------------------------------------------------


def test_sample_vectors():
    for v in records("samples.csv"):
        (block,) = Decoder().feed(line_and_lf(v))
        assert block.samples[0].tolist() == (
            int(v["seq"]),
            int(v["t_us"]),
            int(v["load_counts"]),
            int(v["travel_counts"]),
            int(v["flags"], 16),
        )


def test_message_vectors():
    for v in records("tallies.csv"):
        names = ("t_us", "offered", "dropped", "impossible_steps", "requests_refused")
        wanted = Tally(int(v["boot"], 16), *(int(v[name]) for name in names))
        assert Decoder().feed(line_and_lf(v)) == [wanted]
    for v in records("faults.csv"):
        wanted = Fault(
            int(v["boot"], 16),
            int(v["t_us"]),
            int(v["code"], 16),
            v["standing"] == "1",
            int(v["count"]),
        )
        assert Decoder().feed(line_and_lf(v)) == [wanted]
    for v in records("answers.csv"):
        wanted = Answer(int(v["tag"], 16), v["word"], v["verdict"] == "ok")
        assert Decoder().feed(line_and_lf(v)) == [wanted]


def test_hello_vectors():
    for v in records("hellos.csv"):
        (told,) = Decoder().feed(line_and_lf(v))
        assert (told.protocol, told.firmware, told.device_id) == (1, v["fw"], v["id"])
        assert (told.boot_id, told.rate_hz) == (int(v["boot"], 16), float(v["sps"]))
        assert told.travel == v["travel"]
        assert told.um_per_count == (float(v["um_per_count"]) if v["um_per_count"] else None)
    extras = [Decoder().feed(line_and_lf(v))[0].extra for v in records("hellos.csv")]
    assert extras[0] == (("adc", "hx711"), ("gain", "128"), ("baud", "250000"))
    assert extras[2] == (("colour", "blue"),)


@pytest.mark.parametrize(
    "vector", [v for v in records("bad_lines.csv") if v["reader"] == "host"], ids=lambda v: v["why"]
)
def test_a_bad_line_is_counted_and_costs_nothing_else(vector):
    bad = bytes.fromhex(vector["bytes"])
    around = lines(raw([1, 2]))
    for size in (1, 50, 2000):
        decoder = Decoder()
        stream = around[:42] + bad + around[42:]
        pieces = [stream[at : at + size] for at in range(0, len(stream), size)]
        items = [item for piece in pieces for item in decoder.feed(piece)]
        assert samples_of(items).tolist() == raw([1, 2]).tolist()
        assert decoder.counters == LinkCounters(
            bytes_in=len(stream), bytes_good=84, bytes_bad=len(bad), lines_bad=1, samples=2
        )


def sequence_cases():
    cases = {}
    for v in records("sequences.csv"):
        cases.setdefault(v["case"], []).append(v)
    return cases


@pytest.mark.parametrize("steps", sequence_cases().values(), ids=sequence_cases().keys())
def test_sequence_vectors(steps):
    kinds = {"sample": RawBlock, "hello": Hello, "tally": Tally}
    decoder = Decoder()
    for v in steps:
        items = decoder.feed(line_and_lf(v))
        restarted = v["event"].startswith("restarted ")
        kind = v["event"].removeprefix("restarted ")
        boot_id = int(v["boot"], 16) if v["boot"] else None
        if restarted:
            assert items.pop(0) == Restarted(boot_id)
        if kind == "bad":
            assert items == []
        else:
            (item,) = items
            assert isinstance(item, kinds[kind])
            assert item.boot_id == boot_id
        if kind == "sample":
            assert item.samples[0].tolist()[:2] == (int(v["seq"]), int(v["t_us"]))
        if kind == "tally":
            assert item.t_us == int(v["t_us"])
        assert decoder.counters.samples_lost == int(v["lost"])
    assert decoder.counters.restarts == sum(v["event"].startswith("restarted") for v in steps)
    # The same stream at once says the same.
    whole = Decoder()
    whole.feed(b"".join(line_and_lf(v) for v in steps))
    assert whole.counters == decoder.counters


# --- blocks --------------------------------------------------------------------------------------


def test_a_long_run_with_wraps_comes_back_as_one_block():
    samples = raw(np.arange(65_000, 135_000), first_us=2 * TURN_US - 10**8)
    start = samples["t_us"][0] - samples["t_us"][0] % TURN_US
    (block,) = Decoder().feed(lines(samples))
    shift = samples.copy()
    shift["t_us"] -= start  # a first contact can't know how often the clock has wrapped
    assert block.samples.tolist() == shift.tolist()


def test_order_of_samples_and_messages():
    tally = Tally(7, 30_000, 2, 0, 0, 0)
    fault = Fault(7, 31_000, 1, True, 1)
    answer = Answer(3, "who", True)
    samples = raw([0, 1, 2, 3])
    stream = (
        encode(hello(7)) + lines(samples[:2]) + encode(tally) + encode(fault)
        + lines(samples[2:3]) + encode(answer) + lines(samples[3:])
    )  # fmt: skip
    items = Decoder().feed(stream)
    kinds = [type(item) for item in items]
    assert kinds == [Hello, RawBlock, Tally, Fault, RawBlock, Answer, RawBlock]
    assert items[2:4] == [tally, fault]
    assert samples_of(items).tolist() == samples.tolist()
    assert {item.boot_id for item in items if isinstance(item, RawBlock)} == {7}


def test_a_gap_between_and_inside_blocks():
    decoder = Decoder()
    decoder.feed(lines(raw([5, 6, 9])))
    assert decoder.counters.samples_lost == 2
    decoder.feed(lines(raw([20, 21], first_us=10**6)))
    assert decoder.counters.samples_lost == 2 + 10


def test_a_sequence_that_stands_still_is_never_papered_over():
    # A rig never sends the same number twice running: a whole turn must have gone missing.
    decoder = Decoder()
    items = decoder.feed(lines(raw([5, 5])))
    assert samples_of(items)["seq"].tolist() == [5, 5 + 65_536]
    assert decoder.counters.samples_lost == 65_535


def test_a_boot_change_resets_what_counts_from_the_start():
    decoder = Decoder()
    stream = encode(hello(1)) + lines(raw([900, 901], first_us=10**9))
    decoder.feed(stream)
    items = decoder.feed(encode(hello(2)) + lines(raw([0, 1])))
    assert items[:2] == [Restarted(2), hello(2)]
    assert samples_of(items)["t_us"].tolist() == [0, 12_500]
    assert decoder.counters.samples_lost == 0
    assert decoder.counters.restarts == 1


def test_a_late_hello_names_the_restart_that_follows_it():
    # Opening the port resets the board: old samples are still on the way, the hello of the new
    # start comes, and only then does the clock show that the old samples were another start's.
    decoder = Decoder()
    stream = lines(raw([900], first_us=10**9)) + encode(hello(2)) + lines(raw([0, 1]))
    items = decoder.feed(stream)
    assert [type(item) for item in items] == [RawBlock, Hello, Restarted, RawBlock]
    assert items[2] == Restarted(2)
    assert items[3].boot_id == 2


@pytest.mark.parametrize("minutes", [-35, -1, 1, 35])
def test_the_nearer_way_round_decides_between_a_wrap_and_a_restart(minutes):
    first_us, step_us = 50 * 60_000_000, minutes * 60_000_000
    stream = lines(raw([8], first_us=first_us)) + lines(raw([9], first_us=first_us + step_us))
    for decoder, pieces in ((Decoder(), [stream]), (Decoder(), [stream[:42], stream[42:]])):
        items = [item for piece in pieces for item in decoder.feed(piece)]
        assert (Restarted(None) in items) == (minutes < 0)
        assert samples_of(items)["t_us"].tolist() == [first_us, first_us + step_us]


def test_two_restarts_in_one_block():
    stream = lines(raw([7, 8], first_us=10**6)) + lines(raw([0, 1], first_us=500)) + lines(raw([0]))
    decoder = Decoder()
    items = decoder.feed(stream)
    kinds = [type(item) for item in items]
    assert kinds == [RawBlock, Restarted, RawBlock, Restarted, RawBlock]
    assert [len(item) for item in items if isinstance(item, RawBlock)] == [2, 2, 1]
    assert decoder.counters.restarts == 2
    assert decoder.counters.samples_lost == 0


def test_another_protocol_is_told_even_where_the_rest_is_strange():
    (told,) = Decoder().feed(close_line("H proto=2 name=x boot=soon sps=-1"))
    assert (told.protocol, told.firmware, told.boot_id, told.rate_hz) == (2, "", 0, 0.0)


def test_the_longest_line_is_still_read():
    body = "A 00 " + "w" * (LINE_LIMIT - 6 - 8) + " ok"
    line = close_line(body)
    assert len(line) == LINE_LIMIT
    assert len(Decoder().feed(line)) == 1


def test_an_endless_line_is_dumped_and_counted_once():
    decoder = Decoder()
    for _ in range(100):
        assert decoder.feed(b"x" * 77) == []
        check_balance(decoder.counters)
    assert decoder.counters.bytes_bad == 7700
    assert decoder.counters.lines_bad == 0  # it hasn't ended
    (block,) = decoder.feed(b"x\n" + lines(raw([4])))
    assert block.samples["seq"].tolist() == [4]
    assert decoder.counters.lines_bad == 1


def test_the_rest_of_a_dumped_line_is_not_taken_for_a_line():
    decoder = Decoder()
    decoder.feed(b"x" * LINE_LIMIT)
    check_balance(decoder.counters)
    assert decoder.counters.bytes_bad == LINE_LIMIT
    assert decoder.feed(lines(raw([4]))) == []
    assert decoder.counters == LinkCounters(
        bytes_in=LINE_LIMIT + 42, bytes_bad=LINE_LIMIT + 42, lines_bad=1
    )


# --- anything at all -----------------------------------------------------------------------------

GOOD = (
    encode(hello(7))
    + lines(raw(range(65_530, 65_540), first_us=TURN_US - 50_000))
    + encode(Tally(7, TURN_US + 75_000, 10, 0, 0, 0))
    + lines(raw(range(65_540, 65_546), first_us=TURN_US + 75_500))
    + encode(Fault(7, TURN_US + 160_000, 1, True, 1))
    + encode(Answer(1, "who", True))
)
ALL_GOOD = flat(Decoder().feed(GOOD))


@given(st.lists(st.one_of(st.binary(max_size=400), st.sampled_from(GOOD.splitlines(keepends=True))),
                max_size=12))  # fmt: skip
@settings(max_examples=100)
def test_any_bytes_never_raise_and_the_bytes_balance(chunks):
    decoder = Decoder()
    before = decoder.counters
    for chunk in chunks:
        decoder.feed(chunk)
        check_balance(decoder.counters)
        for name in ("bytes_good", "bytes_bad", "lines_bad", "samples", "samples_lost", "restarts"):
            assert getattr(decoder.counters, name) >= getattr(before, name)
        before = decoder.counters
    assert decoder.counters.bytes_in == sum(map(len, chunks))


@given(
    st.lists(
        st.one_of(
            st.binary(max_size=300),
            st.sampled_from([b"\n", b"x" * 239, b"x" * 240, b"x" * 241]),
            st.sampled_from(GOOD.splitlines(keepends=True)),
        ),
        max_size=10,
    ),
    st.data(),
)
@settings(max_examples=100)
def test_cutting_the_stream_anywhere_changes_nothing(parts, data):
    stream = b"".join(parts)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=8)))
    whole, cut = Decoder(), Decoder()
    wanted = flat(whole.feed(stream))
    got = []
    for start, stop in zip([0, *cuts], [*cuts, len(stream)], strict=True):
        got += flat(cut.feed(stream[start:stop]))
    assert got == wanted
    assert cut.counters == whole.counters


def check_damage(at, stream):
    """One byte of GOOD, at position at, is hurt in stream."""
    decoder = Decoder()
    got = flat(decoder.feed(stream))
    line = GOOD[:at].count(b"\n")
    hit = {line, line + 1} if GOOD[at] == ord("\n") else {line}
    wanted = [item for number, item in enumerate(ALL_GOOD) if number not in hit]
    if line == 0:  # without the hello no boot id is known until the tally
        got, wanted = [strip(item) for item in got], [strip(item) for item in wanted]
    assert got == wanted
    check_balance(decoder.counters)
    good_lines = [text for n, text in enumerate(GOOD.splitlines(keepends=True)) if n not in hit]
    assert decoder.counters.bytes_good == sum(map(len, good_lines))
    assert decoder.counters.restarts == 0
    if stream.endswith(b"\n"):
        assert decoder.counters.lines_bad == 1 + (stream.count(b"\n") > GOOD.count(b"\n"))
    else:
        assert decoder.counters.bytes_pending > 0
    # What is missing before the first sample or after the last can't be known.
    seqs = [int(text[2:6], 16) for text in good_lines if text.startswith(b"S ")]
    assert decoder.counters.samples_lost == (seqs[-1] - seqs[0]) % 65_536 + 1 - len(seqs)


def strip(item):
    return item[1:] if isinstance(item, tuple) else item


def test_any_dropped_byte_costs_its_line_and_is_counted():
    for at in range(len(GOOD)):
        check_damage(at, GOOD[:at] + GOOD[at + 1 :])


def test_any_flipped_bit_costs_its_line_and_is_counted():
    for at, byte in enumerate(GOOD):
        check_damage(at, GOOD[:at] + bytes([byte ^ 1 << at % 8]) + GOOD[at + 1 :])


@given(st.integers(0, len(GOOD) - 1), st.integers(1, 255))
@settings(max_examples=150)
def test_any_changed_byte_costs_its_line_and_is_counted(at, change):
    check_damage(at, GOOD[:at] + bytes([GOOD[at] ^ change]) + GOOD[at + 1 :])
