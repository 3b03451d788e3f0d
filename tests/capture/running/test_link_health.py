"""The link's health: counters that only grow, the rate, and each silence said once."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import asdict

from coilbench.capture.blocks import RAW_DTYPE, Fault, FaultCode, LinkCounters, RawBlock
from coilbench.capture.running.reader import LINK_SPAN_S, QUIET_S, LinkHealth


def block(first, count, rate_hz=93.0):
    samples = np.zeros(count, RAW_DTYPE)
    samples["seq"] = first + np.arange(count)
    samples["t_us"] = np.rint(samples["seq"] / rate_hz * 1e6)
    return RawBlock(samples)


connection = st.lists(st.integers(0, 50), min_size=1, max_size=5).map(np.cumsum)


@given(st.lists(connection, max_size=5))
@settings(max_examples=50)
def test_counters_only_grow_over_reconnects_and_none_is_lost(connections):
    health, seen = LinkHealth(), [0]
    for counts in connections:
        health.up(0.0, 0xB007)
        for count in counts.tolist():
            health.count(LinkCounters(bytes_in=2 * count, samples=count, samples_lost=count // 3))
            seen.append(health.counters.samples)
        health.down()
        seen.append(health.counters.samples)
    assert seen == sorted(seen)
    assert health.counters.samples == sum(int(counts[-1]) for counts in connections)
    assert health.counters.bytes_in == 2 * health.counters.samples


def test_every_counter_of_two_connections_is_added():
    one, health = LinkCounters(*range(1, 9)), LinkHealth()
    health.count(one)
    health.down()
    health.count(one)
    assert asdict(health.counters) == {name: 2 * value for name, value in asdict(one).items()}


@pytest.mark.parametrize("per_block", [1, 9, 93])
def test_the_rate_is_by_the_rigs_clock(per_block):
    health = LinkHealth()
    assert health.rate_hz() == 0.0
    for start in range(0, 930, per_block):
        health.heard(block(start, min(per_block, 930 - start)), now_s=0.0)
    assert health.rate_hz() == pytest.approx(93.0, rel=0.001)


def test_the_rate_starts_anew_after_a_restart():
    health = LinkHealth()
    health.heard(block(93_000, 93), 0.0)
    health.heard(block(0, 93, 46.5), 0.0)
    assert health.rate_hz() == 0.0
    health.heard(block(93, 93, 46.5), 0.0)
    assert health.rate_hz() == pytest.approx(46.5, rel=0.001)


def test_each_silence_is_told_once_and_only_while_the_link_is_up():
    health = LinkHealth()
    assert health.fell_quiet(100.0) is None
    health.up(100.0, 0xB007)
    assert health.fell_quiet(101.9) is None
    assert health.fell_quiet(102.5) == pytest.approx(2.5)  # silent from the start
    assert health.fell_quiet(103.0) is None
    health.heard(block(0, 5), 104.0)
    assert health.age_s(104.5) == pytest.approx(0.5)
    assert health.fell_quiet(106.1) == pytest.approx(2.1)
    health.heard(RawBlock(np.empty(0, RAW_DTYPE)), 107.0)  # no sample is no sample
    assert health.age_s(107.0) == pytest.approx(3.0)
    health.down()
    health.up(110.0, 0xB007)
    health.down()
    assert health.fell_quiet(200.0) is None


def test_a_silence_that_the_rig_explains_is_no_silence_of_the_link():
    health = LinkHealth()
    health.up(0.0, 0xB007)
    health.heard(Fault(0xB007, 500_000, FaultCode.ADC_SILENT, True, 1), 0.5)
    assert health.fell_quiet(2.4) is None
    health.heard(Fault(0xB007, 2_400_000, FaultCode.ADC_SILENT, False, 1), 2.4)
    assert health.fell_quiet(2.4 + QUIET_S - 0.1) is None
    assert health.fell_quiet(2.4 + QUIET_S + 0.1) == pytest.approx(QUIET_S + 0.1)


def test_a_link_is_judged_by_what_it_lost_in_the_last_minute():
    """Looked at ten times a second: a second of garbage is forgotten, the counters are not."""
    health, shares = LinkHealth(), []
    health.up(0.0, 0xB007)
    sent = lost = 0
    for look in range(1000):
        now_s = 0.1 * look
        sent, lost = (sent, lost + 8) if 10.0 <= now_s < 11.0 else (sent + 8, lost)
        health.count(LinkCounters(samples=sent, samples_lost=lost))
        shares.append(health.lost_share(now_s))
        if look == 500:  # another connection: its counters begin at 0
            health.down()
            health.up(now_s, 0xB007)
            sent = lost = 0
    assert max(shares[:100]) == 0.0
    assert shares[110] == pytest.approx(80 / 888, rel=0.1)
    last = max(at for at, share in enumerate(shares) if share > 0.0)
    assert 11.0 + LINK_SPAN_S - 1.5 <= 0.1 * last <= 11.0 + LINK_SPAN_S + 1.5
    assert health.counters.samples_lost == 80


def test_after_hours_a_minute_is_all_that_is_kept():
    health = LinkHealth()
    for look in range(20_000):
        health.count(LinkCounters(samples=look))
        health.lost_share(0.1 * look)
    assert len(health._marks) <= LINK_SPAN_S + 2


def test_before_any_sample_nothing_is_lost():
    assert LinkHealth().lost_share(0.0) == 0.0


def lost_over(gap, *, boot_id=0xB007, away_s=10.0):
    """Return what is counted as lost where the sequence goes on after a gap, 65,000 samples in."""
    health = LinkHealth()
    health.up(0.0, 0xB007)
    for first in range(64_000, 65_000, 100):
        health.heard(block(first, 100), now_s=0.0)
    health.count(LinkCounters(samples=1000, samples_lost=3))
    health.down()
    health.up(away_s - 1.0, boot_id)
    after = block(65_000, 100)
    after.samples["seq"] = (after.samples["seq"] + gap) % 65_536  # a new decoder: not unwrapped
    health.heard(after, now_s=away_s)
    health.heard(RawBlock(after.samples[:0]), now_s=away_s)
    return health.counters.samples_lost - 3


@pytest.mark.parametrize(
    ("gap", "away_s"),
    [(0, 0.1), (1, 0.1), (930, 10.0), (65_536 + 100, 706.0), (65_535, 704.7), (200_000, 2150.5)],
)
def test_what_the_rig_made_while_the_link_was_down_is_lost(gap, away_s):
    assert lost_over(gap, away_s=away_s) == gap


def test_what_a_port_had_kept_comes_again_and_is_no_loss():
    assert lost_over(-1, away_s=1.0) == lost_over(-300, away_s=1.0) == 0


def test_another_start_of_the_rig_counts_from_nothing():
    assert lost_over(930, boot_id=0xB008) == 0
