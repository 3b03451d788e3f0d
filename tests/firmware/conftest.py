"""The firmware's tools, and runs of the real .elf on the simulated chip.

Without the tool chain these tests skip and say why; with COILBENCH_REQUIRE_TOOLS=1 they fail.
"""

from __future__ import annotations

import itertools
import json
import os
import shutil
import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

import msgspec
import numpy as np
import pytest
from filelock import FileLock

from coilbench.capture.blocks import Answer, Fault, Hello, Item, LinkCounters, RawBlock, Tally
from coilbench.capture.wire.decode import Decoder
from support.shared import run_folder
from support.tools import missing

FIRMWARE = Path(__file__).parents[2] / "firmware"
CORE = Path(os.environ.get("ARDUINO", "/usr/share/arduino/hardware/arduino/avr"))
TRUTH_DTYPE = np.dtype([("cycle", "<i8"), ("load_counts", "<i4"), ("travel_counts", "<i4")])
FACTORY_EEPROM = b"\xff" * 1024

Message = TypeVar("Message", Hello, Tally, Fault, Answer)


def _require(*needs: tuple[bool, str]) -> None:
    missing(*(package for there, package in needs if not there))


def _make(target: str, build: Path, **choices: str) -> str:
    """Make it in the folder that all workers share, one at a time."""
    command = ["make", "--no-print-directory", "-C", str(FIRMWARE), f"BUILD={build}", target]
    command += [f"{name}={value}" for name, value in choices.items()]
    with FileLock(build.with_suffix(".lock")):
        done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=600)
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-3000:]
    return done.stdout


@pytest.fixture(scope="session")
def build_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = run_folder(tmp_path_factory) / "firmware"
    folder.mkdir(exist_ok=True)
    return folder


@pytest.fixture(scope="session")
def make_host(build_folder: Path) -> Callable[[], str]:
    """Build and run the core's own tests on this machine."""
    _require((shutil.which("g++") is not None, "g++"), (_has_make(), "make"))
    return lambda: _make("host", build_folder)


def _has_make() -> bool:
    return shutil.which("make") is not None


@pytest.fixture(scope="session")
def make_sketch(build_folder: Path) -> Callable[..., tuple[Path, str]]:
    """Build a variant of the sketch; gives the .elf and what make printed."""
    _require(
        (shutil.which("avr-g++") is not None, "gcc-avr"),
        (Path("/usr/lib/avr/include/avr/io.h").exists(), "avr-libc"),
        (CORE.exists(), "arduino-core-avr"),
        (_has_make(), "make"),
    )

    def build(name: str = "coilbench", **choices: str) -> tuple[Path, str]:
        printed = _make("all", build_folder, NAME=name, **choices)
        return build_folder / f"{name}.elf", printed

    return build


class Outcome(msgspec.Struct, frozen=True):
    """A run that is over: what the rig said, what was true, what the simulator counted."""

    items: list[Item]
    counters: LinkCounters
    said: bytes
    truth: np.ndarray[Any, np.dtype[np.void]]  # settled conversions that were read
    stats: dict[str, Any]

    @property
    def samples(self) -> np.ndarray[Any, np.dtype[np.void]]:
        return np.concatenate([b.samples for b in self.items if isinstance(b, RawBlock)])

    def all(self, kind: type[Message]) -> list[Message]:
        return [item for item in self.items if isinstance(item, kind)]


class Lab:
    """Runs the simulator."""

    def __init__(self, elf: Path, rigsim: Path, folder: Path) -> None:
        self.elf = elf
        self._rigsim = rigsim
        self._folder = folder
        self._numbers = itertools.count()
        self._first_start = folder / "used.eeprom"
        self._first_start.write_bytes(FACTORY_EEPROM)
        self.run("0.3 end\n", eeprom=self._first_start)

    def run(
        self,
        scenario: str,
        *options: str,
        elf: Path | None = None,
        eeprom: Path | None = None,
        seed: int = 7,
    ) -> Outcome:
        """Run a scenario to its end, as fast as it goes, on a chip that has its id already."""
        number = next(self._numbers)
        out, truth = self._folder / f"{number}.wire", self._folder / f"{number}.csv"
        command = [*self._command(elf, seed), "--out", out, "--truth", truth, "--scenario", "-"]
        command += options
        command += ["--eeprom", self._used_eeprom(number) if eeprom is None else eeprom]
        done = subprocess.run(
            command, input=scenario, capture_output=True, text=True, check=False, timeout=600
        )
        assert done.returncode == 0, done.stderr
        decoder = Decoder()
        said = out.read_bytes()
        items = decoder.feed(said)
        rows = [tuple(map(int, row.split(","))) for row in truth.read_text().splitlines()]
        return Outcome(
            items,
            decoder.counters,
            said,
            np.array(rows, dtype=TRUTH_DTYPE),
            json.loads(done.stdout.splitlines()[-1]),
        )

    @contextmanager
    def port(self, scenario: str, *options: str, speed: float = 1.0) -> Iterator[str]:
        """A running rig on a pty; gives the port's name. Ended by its own id at the end."""
        number = next(self._numbers)
        script = self._folder / f"{number}.txt"
        script.write_text(scenario)
        command = [*self._command(None, 7), "--pty", "--speed", speed, "--scenario", script]
        command += ["--eeprom", self._used_eeprom(number)]
        process = subprocess.Popen(
            [*map(str, command), *options], stdout=subprocess.PIPE, text=True
        )
        try:
            assert process.stdout is not None
            yield process.stdout.readline().split()[1]
        finally:
            process.terminate()
            process.wait(timeout=10)
            process.stdout.close()

    def address(self, name: str) -> int:
        """Where in RAM a variable of the sketch lies."""
        return self.extent(name).start

    def extent(self, name: str) -> range:
        """Return the addresses of a variable of the sketch."""
        command = ["avr-nm", "--print-size", self.elf]
        done = subprocess.run(command, capture_output=True, text=True, check=True)
        (line,) = (line for line in done.stdout.splitlines() if name in line.split()[-1])
        start, size = (int(word, 16) for word in line.split()[:2])
        return range(start & 0xFFFF, (start & 0xFFFF) + size)  # avr-nm puts RAM at 0x800000

    def _used_eeprom(self, number: int) -> Path:
        return Path(shutil.copy(self._first_start, self._folder / f"{number}.eeprom"))

    def _command(self, elf: Path | None, seed: int) -> list[Any]:
        return [self._rigsim, "--elf", self.elf if elf is None else elf, "--seed", str(seed)]


@pytest.fixture(scope="session")
def lab(
    make_sketch: Callable[..., tuple[Path, str]],
    build_folder: Path,
    tmp_path_factory: pytest.TempPathFactory,
) -> Lab:
    _require(
        (Path("/usr/include/simavr/sim_avr.h").exists(), "libsimavr-dev"),
        (Path("/usr/include/libelf.h").exists(), "libelf-dev"),
        (shutil.which("cc") is not None, "gcc"),
    )
    elf, _ = make_sketch()
    _make("sim", build_folder)
    return Lab(elf, build_folder / "rigsim", tmp_path_factory.mktemp("lab"))
