"""Give the program files and books of sizes that no bench has; each command within limits.

    python tests/fuzz/sizes.py

The limits are the system's: 2 s of processor time and 500 MB more than the program has when it
has loaded its libraries (RLIMIT_CPU, RLIMIT_AS). Past the first it is killed, past the second it
runs out of memory. Prints each case with its exit status; ends with 1 where one is not 0, 1 or 2.
"""

from __future__ import annotations

import io
import json
import math
import os
import resource
import shutil
import sys
import tempfile
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path

from coilbench.analysis.cli import run
from coilbench.analysis.inputs.kept import nothing_kept
from support.edits import changing

CPU_S, MEMORY_BYTES = 2, 500_000_000
NOT_ANSWERED = 99
BOMB_BYTES = 1 << 30
BOMB, CROWD = "a zlib bomb of 1 GB", "100,000 springs in a set"
CSV = "label,height_mm,load_kg\n"
BUILD = """[cam]
valve_lift = "10 mm"
seat_load = "20 kg"
open_load = "40 kg"
[head]
installed_height = "39 mm"
"""


def _texts() -> Iterator[tuple[str, str, Callable[[], str]]]:
    """Yield what a case is, the command that reads it, and what makes the file."""
    table, build = "import FILE --set larch --by-hand --yes", "pair FILE"
    yield "1e6 columns", table, lambda: ",".join(f"c{n}" for n in range(1_000_000)) + "\n1\n"
    yield "1e6 cells in a row", table, lambda: CSV + "1," * 1_000_000 + "1\n"
    yield "1e6 names of columns in quotes", table, lambda: ",".join(['"a"'] * 1_000_000) + "\n1\n"
    yield "7 MB of line ends", table, lambda: CSV + "\n" * 7_000_000
    yield "1e6 rows", table, lambda: CSV + "a,1,1\n" * 1_000_000
    yield "100,000 labels", table, lambda: CSV + "".join(f"l{n},38,2\n" for n in range(100_000))
    yield "200,000 samples", "import FILE --set larch --label larch-01", _long_stroke
    yield "a line of 8 MB", table, lambda: "a" * 7_999_990 + "\n"
    yield "a quoted cell of 7 MB", table, lambda: CSV + '"' + "a" * 7_000_000 + '",1,1\n'
    yield "a file of 3 GB", table, lambda: "SPARSE"
    yield "a file of 3 GB", build, lambda: "SPARSE"
    yield "20,000 dotted keys", build, lambda: BUILD + ".".join(["a"] * 20_000) + " = 1\n"
    yield (
        "12,000 dotted keys in quotes",
        build,
        lambda: BUILD + ".".join(['"a"'] * 12_000) + " = 1\n",
    )
    yield "a table of 20,000 parts", build, lambda: BUILD + "[" + ".".join(["a"] * 20_000) + "]\n"
    yield "keys of 99 parts", build, lambda: BUILD + "".join(
        ".".join([f"k{n}", *["a"] * 99]) + " = 1\n" for n in range(230))  # fmt: skip
    yield "40,000 brackets", build, lambda: BUILD + "x = " + "[" * 40_000
    yield (
        "100,000 names",
        build,
        lambda: BUILD + "[springs]\nouter = " + json.dumps([f"s{n}" for n in range(100_000)]),
    )
    yield (
        "6,000 names",
        build,
        lambda: BUILD + "[springs]\nouter = " + json.dumps([f"s{n}" for n in range(6_000)]),
    )
    yield (
        "an unknown key after 12,000 lines",
        build,
        lambda: BUILD + "[springs]\nouter = [\n" + '"a",\n' * 9_000 + "]\nx = 1\n",
    )
    yield "a number of 40,000 digits", build, lambda: BUILD + "max_rpm = " + "9" * 40_000
    yield "a text of 45,000 letters", build, lambda: BUILD.replace("10 mm", "1" * 45_000)


def _long_stroke() -> str:
    """Return a stroke down and up, of as many rows as a file may have."""
    deep = (1e-4 * (1e5 - abs(n - 1e5)) for n in range(199_999))
    rows = (f"{n / 1000:.3f},{20 + at:.4f},{50 - at:.4f}\n" for n, at in enumerate(deep))
    return "t_s,load_kg,height_mm\n" + "".join(rows)


def _bombs(folder: Path) -> Iterator[tuple[str, list[str]]]:
    """Yield what a stroke of a book holds that is too much, and commands on it."""
    bomb = zlib.compress(bytes(BOMB_BYTES), 9)
    name = str(folder / "bomb.db")
    shutil.copy(folder / "b.db", name)
    with changing(Path(name)) as db:
        row = "samples_format = 'converted1', samples_blob = ?"
        db.execute(f"UPDATE sweeps SET {row} WHERE samples_blob IS NOT NULL", [bomb])
    for command in (
        "set check larch --at 38.5mm",
        "book check",
        "export --set larch --out OUT",
        "set strokes larch",
    ):
        yield BOMB, ["--book", name, *command.split()]
    yield f"{BOMB}, merged", ["--book", str(folder / "b.db"), "merge", name]


def _crowds(folder: Path) -> Iterator[tuple[str, list[str]]]:
    """Yield how many springs a set has that are too many, and commands on its book."""
    name = str(folder / "many.db")
    shutil.copy(folder / "b.db", name)
    with changing(Path(name)) as db:
        (set_id,) = db.execute("SELECT id FROM sets WHERE name = 'larch'").fetchone()
        rows = ((f"{n:032x}", set_id, f"m{n}", n + 100) for n in range(100_000))
        db.executemany("INSERT INTO springs (id, set_id, label, turn) VALUES (?, ?, ?, ?)", rows)
    for command in ("set list", "set check larch --at 38.5mm", "status"):
        yield CROWD, ["--book", name, *command.split()]


def make_book(folder: Path) -> None:
    """Make a book of three springs with a stroke."""
    rows = [
        (n / 50, 20.0 * (1 - abs(n - 200) / 200), 50.0 - 0.1 * (200 - abs(n - 200)))
        for n in range(401)
    ]
    (folder / "sweep.csv").write_text(
        "t_s,load_kg,height_mm\n" + "".join(f"{a},{b},{c}\n" for a, b, c in rows)
    )
    book = ["--book", str(folder / "b.db")]
    status = run([*book, "set", "new", "larch", "--role", "outer", "--count", "3"])
    status += run(
        [*book, "import", str(folder / "sweep.csv"), "--set", "larch", "--label", "larch-01"]
    )
    if status:
        raise RuntimeError("the book can't be made")


def within_limits(arguments: list[str], do: Callable[[list[str]], int] = run) -> tuple[int, str]:
    """Run a command in a child of this process; returns its exit status and what it said."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.dup2(writing, 1)
        os.dup2(writing, 2)
        used = resource.getrusage(resource.RUSAGE_SELF)
        cpu_s = math.ceil(used.ru_utime + used.ru_stime) + CPU_S
        pages = int(Path("/proc/self/statm").read_text().split()[0])
        memory = pages * resource.getpagesize() + MEMORY_BYTES
        resource.setrlimit(resource.RLIMIT_CPU, (cpu_s, cpu_s))
        resource.setrlimit(resource.RLIMIT_AS, (memory, memory))
        sys.stdout = sys.stderr = io.TextIOWrapper(io.FileIO(1, "w"), "utf-8", write_through=True)
        status = NOT_ANSWERED
        try:
            status = do(arguments)
        except BaseException as error:
            print(f"{type(error).__name__}: {error}")
        os._exit(status)
    os.close(writing)
    with os.fdopen(reading, "rb") as said:
        words = said.read().decode("utf-8", "replace")
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), words


def cases(folder: Path, named: tuple[str, ...] = ("",)) -> Iterator[tuple[str, list[str]]]:
    """Yield what each case is, those whose name begins so, and its command line."""
    for number, (what, command, make) in enumerate(_texts()):
        if not what.startswith(named):
            continue
        path, text = folder / f"{number}.txt", make()
        path.write_text("" if text == "SPARSE" else text)
        if text == "SPARSE":
            os.truncate(path, 3_000_000_000)
        filled = [str(path) if one == "FILE" else one for one in command.split()]
        yield what, ["--book", str(folder / "b.db"), *filled]
        path.unlink()
    for name, make_book_of in ((BOMB, _bombs), (CROWD, _crowds)):
        if name.startswith(named):
            for what, line in make_book_of(folder):
                yield what, [one.replace("OUT", str(folder / "out")) for one in line]


def main() -> int:
    """Run all cases; 1 where one was not answered within the limits."""
    failed = 0
    with tempfile.TemporaryDirectory(prefix="sizes-") as place:
        folder = Path(place)
        make_book(folder)
        sys.stdout.flush()
        for what, arguments in cases(folder):
            status, said = within_limits(arguments)
            failed += status not in (0, 1, 2)
            last = said.splitlines()[-1] if said else ""
            print(f"{status:4}  {what}, {arguments[2]}: {last:.120}", flush=True)
    return int(failed > 0)


if __name__ == "__main__":
    with nothing_kept():  # every answer is worked out anew
        sys.exit(main())
