"""Measures the figures of ../README.md on the simulated chip; needs nothing but `make all sim`.

usage: figures.py BUILD [--long]     --long: 75 minutes at 93 samples a second, 1 to 2 minutes
"""

# ruff: noqa: S603, T201

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from pathlib import Path

LINE_BYTES = 25_000  # 250000 baud, ten bits a byte
COURSES = 5


def run(build: Path, scenario: str, folder: Path) -> dict[str, object]:
    """Run a scenario; its samples, the truth beside them, and the simulator's counters."""
    out, truth = folder / "wire", folder / "truth"
    command = [build / "rigsim", "--elf", build / "coilbench.elf", "--scenario", "-"]
    command += ["--out", out, "--truth", truth]
    done = subprocess.run(
        [str(word) for word in command], input=scenario, capture_output=True, text=True, check=True
    )
    lines = [line.split() for line in out.read_text("ascii").splitlines()]
    samples = [line for line in lines if line[0] == "S"]
    rows = [[int(field) for field in row.split(",")] for row in truth.read_text().splitlines()]
    last_tally = [line for line in lines if line[0] == "N"][-1]
    return {
        **json.loads(done.stdout),
        "samples": samples,
        "truth": rows,
        "dropped": int(last_tally[4], 16),
        "impossible": int(last_tally[5], 16),
    }


def exact(found: dict) -> bool:
    """Whether every conversion arrived with its load, its travel within one, and nothing lost."""
    pairs = list(zip(found["samples"], found["truth"], strict=False))
    return (
        len(found["samples"]) == len(found["truth"])
        and all(int(s[3]) == t[1] and abs(int(s[4]) - t[2]) <= 1 for s, t in pairs)
        and int(found["samples"][-1][4]) == found["count"]
        and found["dropped"] == found["impossible"] == 0
    )


def jitter_us(found: dict) -> float:
    """Spread of the samples' clock against the chip's own cycles, peak to peak."""
    errors, turns, before = [], 0, 0
    for sample, row in zip(found["samples"], found["truth"], strict=True):
        t_us = int(sample[2], 16)
        turns += t_us < before
        before = t_us
        errors.append(t_us + (turns << 32) - row[0] / 16)
    return max(errors) - min(errors)


def back_and_forth(rate: int, skew: float, course: int = 0) -> str:
    """Edges at a rate for 3 s, turned round some 190 times, elsewhere in each course."""
    moves, at_s, way, n = [], 0.5, 1, 200 * course
    while at_s < 3.5:
        seconds = 0.002 + 0.028 * (n * 0.618034 % 1)  # turns at every phase of the scale's period
        moves.append(f"{at_s:.7f} edges {way * rate} {seconds:.7f} {skew}\n")
        at_s, way, n = at_s + seconds, -way, n + 1
    return "".join(moves)


def edge_limit(build: Path, folder: Path, skew: float, *, courses: int = 0) -> int:
    """The lowest rate of edges, in steps of 1000/s, at which a count is lost within 3 s.

    Args:
        courses: with reversals, in so many courses, the worst of which counts; 0: one way.
    """
    # Odd rates, so that the edges drift through every phase of the sketch's own work.
    for rate in range(40_007, 150_000, 1_000):
        turning = [back_and_forth(rate, skew, course) for course in range(courses)]
        for moves in turning or [f"0.5 edges {rate} 3 {skew}\n"]:
            if not exact(run(build, f"0 adc rate 93\n{moves}4.5 end\n", folder)):
                return rate
    return rate


def main(build: Path, *, long: bool) -> None:
    """Print the figures."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for rate in (11, 93):
            found = run(build, f"0 load random\n0 adc rate {rate}\n20 end\n", folder)
            line = found["bytes_sent"] / 20 / LINE_BYTES
            print(
                f"{rate} samples/s: all right: {exact(found)}; line {line:.1%}; "
                f"busy {found['busy']:.1%}; clock jitter {jitter_us(found):.2f} us; "
                f"SCK high {found['sck_high_max_us']:.2f} us; word {found['word_max_us']:.0f} us, "
                f"read within {found['latency_max_us']:.0f} us"
            )
        for skew in (0, 0.25, 0.5):
            rate = edge_limit(build, folder, skew)
            turning = edge_limit(build, folder, skew, courses=COURSES)
            apart_us = 1e6 / rate * (1 - skew)
            print(
                f"edges, every second late by {skew}: first loss at {rate}/s, "
                f"{apart_us:.1f} us apart; with reversals at {turning}/s",
                flush=True,
            )
        for rate in range(400, 801, 10):
            found = run(build, f"0 load counting 0\n0 adc rate {rate}\n5 end\n", folder)
            if found["dropped"]:
                print(f"samples: all sent at {rate - 10}/s, dropped at {rate}/s")
                break
        if long:
            strokes = "".join(f"{t} move 20 2\n{t + 3} move 0 2\n" for t in range(5, 4490, 10))
            found = run(build, f"0 load random\n0 adc rate 93\n{strokes}4500 end\n", folder)
            off = sum(
                int(s[4]) != t[2] for s, t in zip(found["samples"], found["truth"], strict=True)
            )
            print(
                f"75 minutes, a stroke each 10 s: {len(found['samples'])} samples, all right: "
                f"{exact(found)}; travel off by one in {off}; jitter {jitter_us(found):.2f} us; "
                f"{found['seconds'] / found['wall_s']:.0f} times real time"
            )


if __name__ == "__main__":
    if len(sys.argv) < 2:
        sys.exit(__doc__)
    main(Path(sys.argv[1]), long="--long" in sys.argv)
