"""The simulated rig as a source: `virtual:?seed=1&pace=fast&springs=12`."""

from __future__ import annotations

from coilbench.capture.blocks import Item, LinkCounters
from coilbench.capture.sources.base import Source, SourceEnded
from coilbench.capture.sources.losses import SourceLost
from coilbench.capture.sources.serial_port import open_serial
from coilbench.capture.virtual.bench import HOLD_S, Bench, calibration_steps, capture_steps
from coilbench.capture.virtual.firmware import Firmware
from coilbench.capture.virtual.instrument import RigModel
from coilbench.capture.virtual.port import FRAME_SAMPLES, VirtualPort
from coilbench.capture.virtual.setup import Job, Role, VirtualSetup
from coilbench.capture.virtual.spring import INNER, OUTER, draw_set


class VirtualSource(Source):
    """A SerialSource on a virtual rig's port; closes both.

    Args:
        port: not yet started.
    """

    def __init__(self, url: str, port: VirtualPort) -> None:
        self.url = url
        self._port = port
        self._serial = open_serial(port.url)
        port.start()

    @property
    def counters(self) -> LinkCounters:
        """A snapshot of the counters."""
        return self._serial.counters

    def poll(self, timeout_s: float) -> list[Item]:
        """Return what arrived; SourceEnded at the plan's end, SourceLost if the cable came out."""
        try:
            return self._serial.poll(timeout_s)
        except SourceLost as lost:
            if self._port.ended:
                what = "the simulated rig's plan is at its end"
                raise SourceEnded(what, where=self.url) from lost
            raise lost.at(self.url) from lost

    def request(self, word: str) -> None:
        """Send a request; its answer comes by poll."""
        self._serial.request(word)

    def close(self) -> None:
        """Let the port go and switch the rig off; safe to call twice."""
        self._serial.close()
        self._port.close()


def open_virtual(url: str) -> VirtualSource:
    """Open a simulated rig: `virtual:`, then perhaps `?key=value&key=value`.

    Springs are pressed one after another as a person would, then the rig rests.

    | key | default | meaning |
    |---|---|---|
    | seed | 1 | which rig, which springs, which hand; the same seed repeats |
    | pace | real | `real` time, or `fast`: as fast as the reader reads |
    | ends | by pace | 1: the source ends after the plan (fast); 0: it rests without end (real) |
    | link | pty | `pty` or `socket`, what the bytes go through; socket where there is no pty |
    | do | springs | press the `springs`, or what `rig weigh`, `gauge`, `flex` ask for by default |
    | springs, role | 12, outer | how many, `outer` or `inner` |
    | tired, cracked | 0 | how many of them are so |
    | presses | 5 | strokes of each spring, the conditioning ones included |
    | worked | 0 | how often each of them was pressed before, as at another start |
    | stroke | steady | steady, fast, hasty, slow, short, double or paused |
    | drop, flip | 0 | probability of each byte to be lost, to have a bit turned |
    | restart | | seconds after which the rig restarts; may be repeated |
    | dead, saturate | | `20:3`: from 20 s for 3 s no conversions, the ADC at its end; repeatable |
    | silent | 0 | 1: it says nothing at all |
    | unplug | | seconds after which the cable comes out |

    Raises:
        CoilbenchError: a key or value that isn't one of these; it is named.
    """
    setup = VirtualSetup.parse(url)
    bench = _bench(setup)
    firmware = Firmware(
        bench.rig,
        bench.blocks(endless=setup.endless),
        faults=setup.faults,
        seed=setup.seed,
        frame_samples=FRAME_SAMPLES,
    )
    port = VirtualPort(firmware, pace=setup.pace, link=setup.link)
    try:
        return VirtualSource(url, port)
    except BaseException:
        port.close()
        raise


def _bench(setup: VirtualSetup) -> Bench:
    rig = RigModel.draw(setup.seed)
    match setup.do:
        case Job.SPRINGS:
            nominal = OUTER if setup.role is Role.OUTER else INNER
            odd = {"tired": setup.tired, "cracked": setup.cracked}
            drawn = draw_set(nominal, setup.springs, setup.seed, **odd)
            springs = [one.after(setup.worked) for one in drawn]
            steps = capture_steps(springs, presses=setup.presses, stroke=setup.stroke)
        case Job.WEIGH:
            steps = calibration_steps((5.0, 10.0, 20.0, 10.0, 5.0, 0.0), rest_s=HOLD_S)
        case Job.GAUGE:
            steps = calibration_steps(gauges_mm=(20.0, 30.0, 40.0, 50.0))
        case Job.FLEX:
            steps = calibration_steps(block=(40.0, 900.0), rest_s=HOLD_S)
    return Bench(rig, steps, setup.seed)
