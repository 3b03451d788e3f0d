"""The simulated rig's port, through a real pty and a real socket."""

import os
import threading
import time
from pathlib import Path

import numpy as np
import pytest

from coilbench.capture.blocks import Answer, Hello, Item, RawBlock
from coilbench.capture.sources.losses import SourceLost
from coilbench.capture.sources.serial_port import open_serial
from coilbench.capture.virtual import port as links
from coilbench.capture.virtual.bench import Bench, PressSpring, PutMass, Rest, Step
from coilbench.capture.virtual.firmware import Faults, Firmware
from coilbench.capture.virtual.instrument import RigModel
from coilbench.capture.virtual.port import DEFAULT_LINK, FRAME_SAMPLES, LinkKind, Pace, VirtualPort
from coilbench.capture.virtual.spring import OUTER

RIG = RigModel.draw(5)
PLAN: list[Step] = [PutMass(10.0, 20.0), PutMass(0.0), PressSpring(OUTER, 30.0), Rest(30.0)]
LINKS = [
    pytest.param(
        LinkKind.PTY, marks=pytest.mark.skipif(DEFAULT_LINK != "pty", reason="no pty here")
    ),
    LinkKind.SOCKET,
]


def rig(
    plan: list[Step] | None = None,
    *,
    endless: bool = False,
    faults: Faults | None = None,
    frame_samples: int = 512,
) -> Firmware:
    blocks = Bench(RIG, PLAN if plan is None else plan, seed=2).blocks(endless=endless)
    return Firmware(RIG, blocks, faults=faults, seed=2, frame_samples=frame_samples)


def read_to_the_end(url: str, port: VirtualPort, pause: int = 0) -> tuple[list[Item], int, int]:
    """Read until the link is gone; return items, samples, and bytes that came."""
    items: list[Item] = []
    with open_serial(url) as source:
        port.start()
        for turn in range(100_000):
            if pause and turn % pause == 0:
                time.sleep(0.02)  # a reader that dawdles
            try:
                items += source.poll(2.0)
            except SourceLost:
                return items, source.counters.samples, source.counters.bytes_in
    pytest.fail("the link was never lost")


@pytest.mark.parametrize("link", LINKS)
@pytest.mark.parametrize("pause", [0, 5])
def test_every_sample_offered_arrives(link: LinkKind, pause: int) -> None:
    firmware = rig()
    expected = b"".join(frame.data for frame in rig().frames())
    truth = np.concatenate([block.samples for block in Bench(RIG, PLAN, seed=2).blocks()])
    with VirtualPort(firmware, link=link) as port:
        items, samples, bytes_in = read_to_the_end(port.url, port, pause)
        assert port.ended
    assert isinstance(items[0], Hello)
    assert samples == firmware.samples_offered == len(truth)
    assert bytes_in == len(expected)
    heard = np.concatenate([item.samples for item in items if isinstance(item, RawBlock)])
    np.testing.assert_array_equal(heard["load_counts"], truth["load_counts"])


@pytest.mark.parametrize("link", LINKS)
def test_the_plans_end_waits_for_a_reader_that_is_late(link: LinkKind) -> None:
    firmware = rig([Rest(1.0)])
    with VirtualPort(firmware, link=link) as port, open_serial(port.url) as source:
        port.start()
        for _ in range(200):
            if port.ended:
                break
            time.sleep(0.01)
        assert port.ended  # all is sent, nothing is read, and the cable still holds
        while source.counters.samples < firmware.samples_offered:
            assert source.poll(2.0)
        with pytest.raises(SourceLost):
            source.poll(2.0)
        assert source.counters.samples == firmware.samples_offered == round(RIG.rate_hz)


@pytest.mark.parametrize("link", LINKS)
def test_requests_are_answered_over_the_link(link: LinkKind) -> None:
    with (
        VirtualPort(rig(endless=True), link=link) as port,
        open_serial(port.url) as source,
    ):
        port.start()
        items: list[Item] = []
        source.poll(2.0)  # it has started
        source.request("who")
        for _ in range(2000):
            items += source.poll(1.0)
            if any(isinstance(item, Hello) for item in items):
                break
        assert Answer(0, "who", ok=True) in items
        assert any(isinstance(item, Hello) for item in items)


@pytest.mark.parametrize("link", LINKS)
def test_unplugging_loses_the_port_and_is_no_end(link: LinkKind) -> None:
    with VirtualPort(rig(faults=Faults(unplug_at_s=3.0)), link=link) as port:
        _, samples, _ = read_to_the_end(port.url, port)
        assert samples <= 3.0 * RIG.rate_hz
        assert not port.ended


def open_files() -> int:
    """Count this process's open files; 0 where the system doesn't list them."""
    listed = Path("/proc/self/fd")
    return len(list(listed.iterdir())) if listed.is_dir() else 0


@pytest.mark.parametrize("link", LINKS)
@pytest.mark.parametrize("reader", ["never came", "went", "does not read"])
def test_closing_does_not_hang_nor_leak(link: LinkKind, reader: str) -> None:
    threads = threading.active_count()
    files = open_files()
    port = VirtualPort(rig(endless=True), link=link)
    source = None if reader == "never came" else open_serial(port.url)
    port.start()
    if source is not None and reader == "went":
        source.poll(2.0)
        source.close()
    port.close()
    port.close()
    if source is not None:
        source.close()
    assert threading.active_count() == threads
    assert open_files() == files


@pytest.mark.parametrize("link", LINKS)
def test_a_port_that_never_started_closes(link: LinkKind) -> None:
    with VirtualPort(rig(), link=link):
        pass


def test_a_socket_serves_the_next_reader_after_one_has_gone() -> None:
    with VirtualPort(rig(endless=True), link=LinkKind.SOCKET) as port:
        port.start()
        for _ in range(2):
            with open_serial(port.url) as source:
                heard = 0
                while heard == 0:
                    heard += sum(isinstance(item, RawBlock) for item in source.poll(2.0))


def test_real_pace_waits_for_each_sample_by_the_clock_it_is_given() -> None:
    now_s = 100.0
    naps: list[float] = []

    def sleep(seconds: float) -> None:
        nonlocal now_s
        naps.append(seconds)
        now_s += seconds

    plan: list[Step] = [Rest(60.0)]
    firmware = rig(plan, frame_samples=FRAME_SAMPLES)
    with VirtualPort(
        firmware, pace=Pace.REAL, link=LinkKind.SOCKET, clock=lambda: now_s, sleep=sleep
    ) as port:
        _, samples, _ = read_to_the_end(port.url, port)
    assert samples == round(60.0 * RIG.rate_hz)
    assert sum(naps) == pytest.approx(60.0, abs=0.05)
    assert max(naps) == pytest.approx(4 / RIG.rate_hz, abs=0.001)


def test_a_late_real_time_rig_does_not_sleep_until_it_has_caught_up() -> None:
    naps: list[float] = []
    firmware = rig([Rest(5.0)], frame_samples=4)
    clock = iter(np.r_[0.0, np.full(100_000, 1000.0)])
    with VirtualPort(
        firmware,
        pace=Pace.REAL,
        link=LinkKind.SOCKET,
        clock=lambda: float(next(clock)),
        sleep=naps.append,
    ) as port:
        _, samples, _ = read_to_the_end(port.url, port)
    assert samples == firmware.samples_offered
    assert naps == []


@pytest.mark.skipif(DEFAULT_LINK != "pty", reason="no pty here")
def test_bytes_that_wait_are_seen_though_the_pty_says_it_is_not_readable(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """As where the reader is halted between emptying the kernel's buffer and asking for more."""
    link = links.PtyLink()
    try:
        link.exchange(b"S 0000\n", 1.0)
        assert not link.drained(0.0)
        with monkeypatch.context() as patch:
            patch.setattr(links.select, "select", lambda *_: ([], [], []))
            assert not link.drained(0.0)
            assert os.read(link._slave, 100) == b"S 0000\n"
            assert link.drained(0.0)
    finally:
        link.close()
