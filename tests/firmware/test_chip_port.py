"""The simulated chip behind a port, read by the program's own source and daemon."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from coilbench.capture.blocks import Answer, Hello, Item, RawBlock, Restarted, Tally
from coilbench.capture.sources import open_source
from coilbench.capture.sources.base import Source

TIMEOUT_S = 20.0


def read_until(source: Source, done: Callable[[list[Item]], bool]) -> list[Item]:
    """Poll until done; a rig that never says it fails the test rather than hanging it."""
    items: list[Item] = []
    deadline = time.monotonic() + TIMEOUT_S
    while not done(items):
        assert time.monotonic() < deadline, items
        items += source.poll(0.2)
    return items


def samples_of(items: list[Item]) -> np.ndarray:
    return np.concatenate([item.samples for item in items if isinstance(item, RawBlock)])


def count(items: list[Item], kind: type) -> int:
    return sum(isinstance(item, kind) for item in items)


@pytest.mark.parametrize("speed", [1.0, 0.0])
def test_a_source_on_the_port_gets_everything(lab, speed: float) -> None:
    """In real time, and as fast as the reader drains it."""
    scenario = "0 load counting 0\n0.6 move 20 0.4\n1.2 move 0 0.4\n"
    with lab.port(scenario, speed=speed) as port, open_source(f"serial://{port}") as source:
        items = read_until(source, lambda got: count(got, Hello) > 0)
        source.request("who")
        items += read_until(source, lambda got: count(got, Hello) > 0)
        source.request("zero")
        items += read_until(source, lambda got: count(got, Answer) > 0)
        items += read_until(source, lambda got: count(got, Tally) > 1)
        samples = samples_of(items)
        counters = source.counters
    assert [item.word for item in items if isinstance(item, Answer)] == ["who", "zero"]
    np.testing.assert_array_equal(samples["seq"], np.arange(len(samples)))
    assert np.ptp(samples["load_counts"] - samples["seq"]) == 0
    assert counters.samples_lost == counters.bytes_bad == counters.restarts == 0


@pytest.mark.parametrize("by_dtr", [True, False])
def test_opening_the_port_again_restarts_the_rig(lab, by_dtr: bool) -> None:
    """As the DTR line of a Uno or Nano does; without it the rig goes on."""
    options = [] if by_dtr else ["--no-reset-on-open"]
    with lab.port("0 load fixed 5000\n", *options) as port:
        hellos = [ask_who(port)]
        deadline = time.monotonic() + TIMEOUT_S
        # The simulator may miss that the port was closed when it is opened again at once.
        while len(hellos) < 4 or (by_dtr and hellos[-1].boot_id == hellos[0].boot_id):
            assert time.monotonic() < deadline
            time.sleep(0.05)
            hellos.append(ask_who(port))
    assert len({hello.device_id for hello in hellos}) == 1
    if not by_dtr:
        assert len({hello.boot_id for hello in hellos}) == 1


def ask_who(port: str) -> Hello:
    with open_source(f"serial://{port}") as source:
        source.request("who")
        return next(i for i in read_until(source, has_hello) if isinstance(i, Hello))


def has_hello(items: list[Item]) -> bool:
    return count(items, Hello) > 0


def test_a_restart_while_streaming_is_noticed(lab) -> None:
    with lab.port("1 hang\n", speed=4.0) as port, open_source(f"serial://{port}") as source:
        items = read_until(source, lambda got: count(got, Restarted) > 0)
        assert source.counters.restarts == 1
        assert source.counters.samples_lost == 0
    assert count(items, Hello) >= 1


# --- the whole way ---------------------------------------------------------------------------

FREE_MM, SOLID_MM, FRICTION_N = 48.0, 24.0, 2.0  # the simulator's spring; rates below
RATES = (22.0, 22.0, 18.5)  # the third is weak
COUNTS_PER_N, OFFSET, START_MM, FLEX_MM_PER_N, UM = 900.0, 84_000, 52.0, 0.0004, 5.0
G = 9.80665


def strokes(per_spring: int) -> str:
    """Presses of 20 mm by 3 s each, a pause between; then accept now and then, to finish."""
    lines, t = [], 2.0
    for rate in RATES:
        lines.append(f"{t:.1f} load spring {FREE_MM} {rate} {SOLID_MM}")
        for _ in range(per_spring):
            lines += [f"{t + 0.5:.1f} move 20 1.3", f"{t + 2.0:.1f} move 0 1.3"]
            t += 4.5
    for wait_s in range(10, 610, 30):
        for way, later_s in (("down", 0.0), ("up", 0.3)):
            lines.append(f"{t + wait_s + later_s:.1f} button accept {way}")
    return "\n".join([*lines, ""])


def calibration_files(folder: Path) -> dict[str, Path]:
    """What weighing, gauging and pressing a block on this rig would give."""
    weights = "".join(f"{m},{OFFSET + m * G * COUNTS_PER_N:.0f}\n" for m in range(0, 61, 10))
    gauges = "".join(f"{h},{(START_MM - h) / UM * 1000:.0f}\n" for h in (52, 45, 40, 35, 30))
    # On a block, the travel is all flex: counts of load and of travel from the touch on.
    block = "".join(
        f"{OFFSET + n * COUNTS_PER_N:.0f},{4000 + n * FLEX_MM_PER_N / UM * 1000:.0f}\n"
        for n in range(50, 601, 50)
    )
    files = {
        "weigh": "mass_kg,counts\n" + weights,
        "gauge": "length_mm,counts\n" + gauges,
        "flex": "load_counts,travel_counts\n" + block,
    }
    for name, text in files.items():
        (folder / f"{name}.csv").write_text(text)
    return {name: folder / f"{name}.csv" for name in files}


def test_the_daemon_captures_a_set_from_the_chip(lab, tmp_path: Path) -> None:
    from coilbench.analysis.cli import cli

    def coilbench(*words: str, may_find: bool = False) -> str:
        done = CliRunner().invoke(cli, ["--book", str(tmp_path / "bench.db"), *words])
        assert done.exit_code in ((0, 1) if may_find else (0,)), done.output
        return done.stdout

    for name, file in calibration_files(tmp_path).items():
        coilbench("rig", name, "--from", str(file))
    coilbench(
        *("set", "new", "larch", "--role", "outer", "--count", str(len(RATES))),
        *("--conditioning", "1", "--strokes", "2"),
    )
    with lab.port(strokes(per_spring=3), speed=12.0) as port:
        printed = coilbench("daemon", "--port", port, "--set", "larch")
    assert "3 of 3 springs done" in printed
    assert " 0 lost" in printed

    checked = json.loads(
        coilbench("set", "check", "larch", "--at", "40mm", "--at", "34mm", "--json", may_find=True)
    )
    assert [spring["label"] for spring in checked["springs"]] == [
        "larch-01",
        "larch-02",
        "larch-03",
    ]
    for spring, rate in zip(checked["springs"], RATES, strict=True):
        assert spring["rate_n_per_mm"] == pytest.approx(rate, rel=0.01)
        for reading in spring["readings"]:
            true_n = rate * (FREE_MM - reading["height_mm"])
            assert reading["load_n"] == pytest.approx(true_n, abs=max(1.5, reading["load_u_n"]))
    weak = [s["label"] for s in checked["springs"] if any(f["kind"] == "weak" for f in s["flags"])]
    assert weak == ["larch-03"]
