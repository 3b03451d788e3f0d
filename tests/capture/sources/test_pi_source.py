"""The source's thread on simulated pins, and every way it can't be opened."""

import importlib
import importlib.util
import re
import sys
import threading
import time
from pathlib import Path
from types import ModuleType

import pytest

from coilbench.capture.blocks import Answer, Hello, RawBlock, SampleFlag, Tally
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.sources import open_source
from coilbench.capture.sources import pi as pi_source
from coilbench.capture.sources.base import identify
from coilbench.capture.sources.losses import SourceLost
from coilbench.capture.sources.pi import PiSource, open_pi
from coilbench.capture.sources.pi_pins import Clock
from support import pi_run

chip = pi_run.chip
pytestmark = pi_run.needs_driver

PINS = (5, 6, 17, 27)
SECOND = 1_000_000_000
PATIENCE_S = 20.0  # real time, for a thread that needs a few milliseconds


@pytest.fixture
def pins(monkeypatch):
    pins = chip.Pins()
    for name, module in chip.stand_ins(pins).items():
        monkeypatch.setitem(sys.modules, name, module)
    return pins


class Gate:
    """Lets simulated time run up to a point, where whoever sleeps waits for real."""

    def __init__(self, pins):
        self.pins = pins
        self._moved = threading.Condition()

    def sleep(self, seconds):
        with self._moved:
            if self.pins.limit_ns is not None and self.pins.now_ns >= self.pins.limit_ns:
                self._moved.wait(0.002)  # so that a stop is seen
                return
        self.pins.sleep(seconds)

    def let_pass(self, seconds):
        with self._moved:
            self.pins.limit_ns = max(self.pins.now_ns, self.pins.limit_ns or 0) + round(
                seconds * SECOND
            )
            self._moved.notify_all()

    def wait(self):
        """Until simulated time has come to where it may."""
        for _ in range(int(PATIENCE_S / 0.002)):
            if self.pins.now_ns >= self.pins.limit_ns:
                return
            time.sleep(0.002)
        raise AssertionError("nobody lets the time pass")


@pytest.fixture
def gate(pins):
    return Gate(pins)


@pytest.fixture
def opened(pins, gate):
    """Open `pi:`, with time standing still."""
    sources = []

    def open_it(url="pi:", **options):
        source = open_pi(url, clock=Clock(lambda: pins.now_ns, gate.sleep), **options)
        sources.append(source)
        return source

    gate.let_pass(3.0)  # opening takes one
    yield open_it
    for source in sources:
        source.close()


def collect(source, enough):
    """Poll until enough(items), and fail rather than hang."""
    items = []
    for _ in range(int(PATIENCE_S / 0.05)):
        items += source.poll(0.05)
        if enough(items):
            return items
    raise AssertionError(f"only {items[-5:]} came")


def samples_in(items):
    return sum(len(item) for item in items if isinstance(item, RawBlock))


def test_it_says_who_it_is_and_streams_blocks(opened, gate):
    source = opened("pi:um=10,gain=64")
    gate.let_pass(2.0)
    items = collect(source, lambda items: samples_in(items) > 100)
    hello = items[0]
    assert isinstance(hello, Hello)
    assert (hello.rate_hz, hello.travel, hello.um_per_count) == (80.0, "quadrature", 10.0)
    assert dict(hello.extra) == {"adc": "hx711", "gain": "64"}
    assert len(hello.device_id) == 16
    assert int(hello.device_id, 16) >= 0
    assert {item.boot_id for item in items if isinstance(item, RawBlock)} == {hello.boot_id}
    assert source.counters.samples == samples_in(items)
    assert source.counters.samples_lost == 0
    assert all(isinstance(item, Hello | RawBlock | Tally) for item in items)


def test_it_can_be_identified_and_asked(opened, gate):
    source = opened()
    gate.let_pass(5.0)
    hello, _ = identify(source, PATIENCE_S)
    assert hello.firmware.startswith("coilbench-pi-")
    source.request("zero")
    items = collect(source, lambda items: any(isinstance(item, Answer) for item in items))
    assert [(item.tag, item.word, item.ok) for item in items if isinstance(item, Answer)][-1] == (
        1,
        "zero",
        True,
    )


def test_each_opening_is_another_start_of_the_same_rig(opened):
    first, second = (opened().poll(PATIENCE_S)[0] for _ in range(2))
    assert first.device_id == second.device_id
    assert first.boot_id != second.boot_id


def test_closing_lets_every_pin_and_listener_go(opened, pins):
    source = opened()
    assert set(pins.modes) == set(PINS)
    source.close()
    source.close()
    assert pins.modes == {}
    assert pins.listeners == []
    assert pins.alerts == {}
    assert not [thread for thread in threading.enumerate() if thread.name == "coilbench-pi"]
    with pytest.raises(SourceLost, match="closed"):
        collect(source, lambda _: False)
    with pytest.raises(SourceLost, match="closed"):
        source.request("who")


def test_poll_without_news_returns_after_its_timeout(opened):
    source = opened()
    collect(source, lambda items: samples_in(items) > 20)
    while source.poll(0.1):
        pass
    assert source.poll(0.0) == []


def test_what_nobody_polls_for_is_dropped_and_counted(opened, gate, pins, monkeypatch):
    monkeypatch.setattr(pi_source, "QUEUE_LENGTH", 50)
    source = opened()
    gate.let_pass(4.0)
    gate.wait()
    first = source.poll(0.0)
    assert samples_in(first) < 50
    after = []
    for _ in range(6):
        gate.let_pass(0.2)
        gate.wait()
        after += source.poll(0.0)
    blocks = [item for item in after if isinstance(item, RawBlock)]
    assert blocks[0].samples["flags"][0] == SampleFlag.QUEUE_OVERRUN
    assert not blocks[0].samples["flags"][1:].any()
    assert source.counters.samples == samples_in(first) + samples_in(after)
    tallied = [item.dropped for item in after if isinstance(item, Tally)]
    assert tallied[-1] == source.counters.samples_lost > 100


def test_pins_that_fail_end_the_source_after_what_was_read(opened, gate, pins):
    source = opened()
    collect(source, lambda items: samples_in(items) > 20)
    pins.broken = chip.PinError("bad read")
    gate.let_pass(1.0)
    with pytest.raises(SourceLost, match="the pins can't be used") as caught:
        collect(source, lambda _: False)
    assert "bad read" in str(caught.value)
    assert "\n" not in str(caught.value)
    pins.broken = None
    source.close()
    assert pins.modes == {}


def test_the_driver_logs_by_a_logger_of_its_own(opened, gate, pins, caplog, capfd):
    word = pins.chip.read_words + 20
    pins.while_high = lambda w, p: 100_000 if (w, p) == (word, 25) else 0
    source = opened()
    gate.let_pass(1.0)
    collect(source, lambda items: samples_in(items) > 30)
    assert {record.name for record in caplog.records} == {"coilbench.hx711"}
    assert capfd.readouterr() == ("", "")


# --- what keeps it from opening ---


def refusal(error=SourceLost, url="pi:"):
    with pytest.raises(error) as caught:
        open_source(url)
    assert caught.value.where == url
    assert "\n" not in str(caught.value)
    return str(caught.value)


def test_a_wrong_address_opens_nothing(pins):
    assert "'clk'" in refusal(CoilbenchError, "pi:clk=3")
    assert pins.modes == {}


@pytest.mark.parametrize("name", ["lgpio", "RPi.GPIO"])
def test_a_missing_package_is_named_with_its_cure(pins, monkeypatch, name):
    monkeypatch.setitem(sys.modules, name, None)
    text = refusal(CoilbenchError)
    assert name in text
    assert "pip install '.[pi]'" in text


def test_a_missing_driver_is_named_and_pins_are_let_go(pins, monkeypatch):
    monkeypatch.setattr("coilbench.capture.sources.pi_rig.find_spec", lambda _name: None)
    assert "'hx711'" in refusal(CoilbenchError)
    assert pins.modes == {}


def test_another_package_of_the_drivers_name_is_refused(pins, monkeypatch, tmp_path):
    other = tmp_path / "other.py"
    other.write_text("class HX711: ...\n")
    spec = importlib.util.spec_from_file_location("hx711", other)
    monkeypatch.setattr("coilbench.capture.sources.pi_rig.find_spec", lambda _name: spec)
    assert "another package" in refusal(CoilbenchError)


def test_another_rpi_gpio_is_refused(pins, monkeypatch):
    monkeypatch.setitem(sys.modules, "RPi.GPIO", ModuleType("RPi.GPIO"))
    assert "rpi-lgpio" in refusal(CoilbenchError)


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (RuntimeError("This module can only be run on a Raspberry Pi!"), "no Raspberry Pi"),
        (PermissionError(13, "Permission denied", ".lgd-nfy0"), "folder.*write"),
    ],
)
def test_a_module_that_will_not_load_here_is_said_why(pins, monkeypatch, error, words):
    def refuse(_name):
        raise error

    monkeypatch.setattr("coilbench.capture.sources.pi_pins.import_module", refuse)
    assert re.search(words, refusal(CoilbenchError))


@pytest.mark.parametrize("pin", PINS)
def test_a_busy_pin_is_said_so_and_the_others_are_let_go(pins, pin):
    pins.busy = {pin}
    assert "another program holds" in refusal()
    assert pins.modes == {}
    assert pins.listeners == []


@pytest.mark.parametrize(
    ("chips", "words"), [([], "no pins on this computer"), (["/dev/gpiochip0"], "usermod -aG gpio")]
)
def test_a_closed_chip_is_a_matter_of_permission_or_there_is_none(pins, monkeypatch, chips, words):
    monkeypatch.setattr(Path, "glob", lambda _self, _pattern: iter(chips))
    pins.closed_chip = True
    assert words in refusal()


def test_pins_numbered_another_way_are_said_so(pins):
    sys.modules["RPi.GPIO"].setmode(10)
    assert "board numbers" in refusal()


@pytest.mark.parametrize("text", ["10000000abcdef12\0", "short\0", "\0"])
def test_the_rigs_id_is_the_boards_serial_number_or_stable_all_the_same(
    tmp_path, monkeypatch, text
):
    serial_number = tmp_path / "serial-number"
    serial_number.write_text(text)
    monkeypatch.setattr(pi_source, "_SERIAL_NUMBER", serial_number)
    ids = {pi_source._device_id() for _ in range(3)}
    assert len(ids) == 1
    if len(text) == 17:
        assert ids == {"10000000ABCDEF12"}


def test_without_any_number_the_host_is_the_rig(tmp_path, monkeypatch):
    monkeypatch.setattr(pi_source, "_SERIAL_NUMBER", tmp_path / "none")
    monkeypatch.setattr(pi_source, "_MACHINE_ID", tmp_path / "none")
    device_id = pi_source._device_id()
    assert len(device_id) == 16
    monkeypatch.setattr(pi_source.platform, "node", lambda: "another bench")
    assert pi_source._device_id() != device_id


def test_the_source_is_a_context(opened):
    with opened() as source:
        assert isinstance(source, PiSource)
        assert source.url == "pi:"
    with pytest.raises(SourceLost):
        collect(source, lambda _: False)
