"""A program on a pseudo-terminal, for tests that press its keys."""

from __future__ import annotations

import os
import re
import select
import subprocess
import sys
import termios
import time

from support.signals import AS_STARTED_BY_HAND

PROGRAM = AS_STARTED_BY_HAND + "from coilbench.analysis.cli import main; main()"
CODES = re.compile(r"\x1b\[[0-9;?]*[a-zA-Z]")
PATIENCE_S = 120.0


class Terminal:
    """A program on a pseudo-terminal of 100x30, and all that it has written there."""

    def __init__(self, *arguments: str, term: str = "xterm") -> None:
        self.master, slave = os.openpty()
        termios.tcsetwinsize(self.master, (30, 100))
        self.before = termios.tcgetattr(slave)
        self.slave = slave
        self.written = ""
        self.rings = 0  # of the bell
        environment = {k: v for k, v in os.environ.items() if k not in ("COLUMNS", "LINES")}
        self.process = subprocess.Popen(
            [sys.executable, "-c", PROGRAM, *arguments],
            stdin=slave,
            stdout=slave,
            stderr=slave,
            env=environment | {"TERM": term},
            start_new_session=True,
        )

    def read(self, timeout_s: float = 0.05) -> None:
        while select.select([self.master], [], [], timeout_s)[0]:
            text = os.read(self.master, 65536).decode("utf-8", "replace")
            self.written += text
            self.rings += text.count("\a")
            timeout_s = 0.0

    def wait_for(self, facts: str) -> None:
        """Wait until what it has written since the last wait holds what a pattern looks for."""
        end_s = time.monotonic() + PATIENCE_S
        while not re.search(facts, shown := CODES.sub("", self.written)):
            assert time.monotonic() < end_s, f"{facts!r} never came, but:\n{shown[-3000:]}"
            self.read()
        self.written = ""

    def press(self, keys: str) -> None:
        os.write(self.master, keys.encode())

    def press_until_end(self, keys: str) -> None:
        """Answer again and again: what comes too soon after a question is no answer to it."""
        end_s = time.monotonic() + PATIENCE_S
        while self.process.poll() is None and time.monotonic() < end_s:
            self.press(keys)
            self.read(0.3)

    def end(self) -> int:
        """Wait for its end; the terminal must be as it was, also what it wrote to it."""
        end_s = time.monotonic() + PATIENCE_S
        while self.process.poll() is None and time.monotonic() < end_s:
            self.read()
        self.read()
        assert self.process.returncode is not None, CODES.sub("", self.written)[-3000:]
        assert (now := termios.tcgetattr(self.slave)) == self.before, (now, self.before)
        return self.process.returncode

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        os.close(self.slave)
        os.close(self.master)
