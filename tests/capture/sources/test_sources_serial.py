"""Serial ports for real: a pseudo-terminal and a loopback socket, and every way they fail."""

import errno
import io
import os
import socket
import time

import pytest
import serial

from coilbench.capture.blocks import RAW_DTYPE, Answer, Hello, RawBlock
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.sources import open_source
from coilbench.capture.sources import serial_port as module
from coilbench.capture.sources.losses import SourceLost
from coilbench.capture.sources.serial_port import find_ports, open_serial, split_baud
from coilbench.capture.virtual.firmware import RequestReader
from coilbench.capture.wire.format import encode

pty = pytest.importorskip("pty", reason="no pseudo-terminals here")

HELLO = Hello(1, "own-2", "00112233445566AA", 7, 80.0, "none", None)


def samples(count, first=0):
    import numpy as np

    raw = np.zeros(count, dtype=RAW_DTYPE)
    raw["seq"] = first + np.arange(count)
    raw["t_us"] = raw["seq"] * 12_500
    return raw


def poll_until(source, condition, tries=200):
    items = []
    for _ in range(tries):
        items += source.poll(0.05)
        if condition(items):
            return items
    raise AssertionError(f"never came: {items}")


def hear(rig_end, count):
    """The next requests the rig's end gets; a pty hands them on in any pieces."""
    reader, requests = RequestReader(), []
    while len(requests) < count:
        requests += reader.feed(rig_end.read(100))
    assert reader.refused == 0
    return requests


@pytest.fixture
def rig():
    """The rig's end of a pseudo-terminal, and the device name of the other."""
    master, slave = pty.openpty()
    name = os.ttyname(slave)
    os.close(slave)
    rig_end = io.FileIO(master, "r+")
    yield rig_end, name
    rig_end.close()


# --- the way of the bytes ------------------------------------------------------------------------


def test_samples_requests_and_answers_over_a_pty(rig):
    rig_end, name = rig
    with open_source(f"serial://{name}?baud=115200") as source:
        assert source.url == f"serial://{name}?baud=115200"
        source.request("who")
        assert hear(rig_end, 1) == [(0, "who")]
        rig_end.write(encode(Answer(0, "who", True)) + encode(HELLO))
        assert poll_until(source, lambda items: HELLO in items) == [Answer(0, "who", True), HELLO]
        rig_end.write(encode(RawBlock(samples(50))))
        blocks = poll_until(source, lambda items: sum(map(len, items)) == 50)
        assert [s for b in blocks for s in b.samples.tolist()] == samples(50).tolist()
        assert source.counters.samples == 50
        assert source.counters.bytes_bad == 0


def test_each_request_has_its_own_tag(rig):
    rig_end, name = rig
    with open_source(name) as source:
        for word in ("who", "stop", "start"):
            source.request(word)
        assert hear(rig_end, 3) == [(0, "who"), (1, "stop"), (2, "start")]


def test_bytes_are_raw(rig):
    # A terminal left in its usual mode would change CR to LF, or end the stream at 0x04.
    rig_end, name = rig
    with open_source(name) as source:
        rig_end.write(bytes(range(256)))
        poll_until(source, lambda _: source.counters.bytes_in >= 256)
        assert source.counters.bytes_in == 256
        assert source.counters.lines_bad == 1


def test_samples_over_a_socket_that_then_closes():
    with socket.create_server(("127.0.0.1", 0)) as server:
        url = f"socket://127.0.0.1:{server.getsockname()[1]}"
        with open_source(url) as source:
            rig_end, _ = server.accept()
            with rig_end:
                rig_end.sendall(encode(RawBlock(samples(400))))
            got = poll_until(source, lambda items: sum(map(len, items)) == 400)
            assert sum(map(len, got)) == 400
            with pytest.raises(SourceLost, match="unplugged"):
                poll_until(source, lambda _: False)


def test_loop_url_gives_back_what_was_sent():
    with open_source("loop://?baud=9600") as source:
        source.request("who")
        poll_until(source, lambda _: source.counters.bytes_in >= 14)
        assert source.counters.lines_bad == 1  # a request is nothing a rig says


# --- failures ------------------------------------------------------------------------------------


def test_unplugged(rig):
    rig_end, name = rig
    with open_source(name) as source:
        rig_end.write(encode(HELLO))
        poll_until(source, lambda items: HELLO in items)
        rig_end.close()
        for _ in range(2):  # it stays lost
            with pytest.raises(SourceLost, match=f"^{name}: the port is gone .*rig find"):
                source.poll(1.0)
        with pytest.raises(SourceLost, match="the port is gone"):
            source.request("who")
        source.close()


def test_a_port_closed_by_ourselves(rig):
    _, name = rig
    source = open_source(name)
    source.close()
    source.close()
    with pytest.raises(SourceLost, match="the port is gone"):
        source.poll(0.0)


def test_busy(rig):
    _, name = rig
    with open_source(name), pytest.raises(SourceLost, match=r"another.*program"):
        open_source(name)
    open_source(name).close()  # and free again afterwards


def test_no_such_port():
    with pytest.raises(SourceLost, match="coilbench rig find") as caught:
        open_source("/dev/ttyNOWHERE7")
    assert caught.value.where == "/dev/ttyNOWHERE7"


def test_a_file_is_no_port(tmp_path):
    path = tmp_path / "notes.txt"
    path.write_text("hello")
    with pytest.raises(SourceLost, match="not a serial port"):
        open_source(str(path))


def test_nothing_listens():
    with socket.create_server(("127.0.0.1", 0)) as server:
        place = server.getsockname()[1]
    with pytest.raises(SourceLost, match="nothing answers at this address"):
        open_source(f"socket://127.0.0.1:{place}")


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (serial.SerialException(errno.EACCES, "could not open port"), "no permission.*dialout"),
        (serial.SerialException("could not open: PermissionError(13)"), "no permission"),
        (serial.SerialException("could not open: FileNotFoundError(2)"), "no such port"),
        (OSError(errno.ENOTTY, os.strerror(errno.ENOTTY)), "can't be opened .Inappropriate"),
        (OSError(), "can't be opened .OSError"),
    ],
)
def test_what_else_opening_may_raise(monkeypatch, error, words):
    def refuse(*args, **kwargs):
        raise error

    monkeypatch.setattr(module.serial, "serial_for_url", refuse)
    with pytest.raises(SourceLost, match=words):
        open_source("/dev/ttyUSB0")


def test_termios_error_is_no_oserror_and_is_caught(monkeypatch):
    termios = pytest.importorskip("termios")

    def refuse(*args, **kwargs):
        raise termios.error(errno.EIO, "Input/output error")

    monkeypatch.setattr(module.serial, "serial_for_url", refuse)
    with pytest.raises(SourceLost, match="can't be opened"):
        open_source("/dev/ttyUSB0")


@pytest.mark.parametrize(
    ("url", "words"),
    [
        ("", "no port and no address"),
        ("ttyUSB0", "no port and no address"),
        ("serial://", "port's name is missing"),
        ("serial:///dev/ttyUSB0?bund=9600", "no option 'bund=9600'"),
        ("serial:///dev/ttyUSB0?baud=fast", "baud is not a rate"),
        ("serial:///dev/ttyUSB0?baud=9600&baud=9600", "baud is not a rate"),
        ("serial:///dev/ttyUSB0?baud=0", "baud is not a rate"),
        ("socket://bench", "host and port"),
        ("socket://bench:70000", "host and port"),
        ("rfc2217://:4000", "host and port"),
        ("carrier-pigeon://loft", "protocol 'carrier-pigeon' not known"),
        ("/dev/tty\0", "embedded null byte"),
    ],
)
def test_addresses_that_make_no_sense(url, words):
    with pytest.raises(CoilbenchError, match=words) as caught:
        open_source(url)
    assert not isinstance(caught.value, SourceLost)  # trying again can't help
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("url", "device", "baud"),
    [
        ("/dev/ttyACM0", "/dev/ttyACM0", 250_000),
        ("COM3", "COM3", 250_000),
        ("serial://COM3?baud=115200", "COM3", 115_200),
        ("serial:///dev/ttyUSB0", "/dev/ttyUSB0", 250_000),
        ("spy:///dev/ttyUSB0?raw&baud=9600&all", "spy:///dev/ttyUSB0?raw&all", 9600),
        ("socket://[::1]:4000?baud=9600", "socket://[::1]:4000", 9600),
        ("rfc2217://bench.local:4000?logging=debug", "rfc2217://bench.local:4000?logging=debug",
         250_000),
    ],
)  # fmt: skip
def test_addresses(url, device, baud):
    assert split_baud(url) == (device, baud)


def test_polling_does_not_block_for_ever(rig):
    _, name = rig
    with open_source(name) as source:
        start_s = time.monotonic()
        assert source.poll(0.05) == []
        assert time.monotonic() > start_s  # it came back; how fast the machine is isn't judged


# --- the list ------------------------------------------------------------------------------------


def test_ports_on_usb_come_first(monkeypatch):
    from serial.tools.list_ports_common import ListPortInfo

    plain, usb, other = (ListPortInfo(f"/dev/tty{name}") for name in ("S0", "USB1", "ACM0"))
    usb.vid, usb.pid, usb.description = 0x1A86, 0x7523, "USB Serial"
    other.vid, other.pid, other.description = 0x2341, 0x0043, "Uno"
    monkeypatch.setattr(module.list_ports, "comports", lambda: [plain, usb, other])
    found = find_ports()
    assert [port.device for port in found] == ["/dev/ttyACM0", "/dev/ttyUSB1", "/dev/ttyS0"]
    assert [port.usb_id for port in found] == ["2341:0043", "1A86:7523", None]
    assert [port.description for port in found] == ["Uno", "USB Serial", ""]


def test_closing_the_port_does_not_hang_up() -> None:
    # A board that restarts on DTR would forget where its incremental scale stands.
    termios = pytest.importorskip("termios", reason="no terminals on this system")
    master, slave = os.openpty()
    try:
        modes = termios.tcgetattr(slave)
        modes[2] |= termios.HUPCL
        termios.tcsetattr(slave, termios.TCSANOW, modes)
        with open_serial(os.ttyname(slave)):
            assert not termios.tcgetattr(slave)[2] & termios.HUPCL
    finally:
        os.close(master)
        os.close(slave)
