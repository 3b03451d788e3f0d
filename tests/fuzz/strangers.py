"""Attack the program with strangers' text: in a book, in a build file, in every option.

    python tests/fuzz/strangers.py [--seed 16] [--inputs 500] [books builds options]

Prints what was tried and what was found: tracebacks, exit statuses that the table does not know,
and characters on the way out that a terminal, a page or a spreadsheet would take for more than
text. Ends with 1 where anything was found.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import random
import re
import shutil
import signal
import sqlite3
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from unicodedata import category

import click
import msgspec

from coilbench.analysis.cli import cli, run
from coilbench.analysis.cli.demo import Demo
from coilbench.analysis.inputs.kept import nothing_kept
from coilbench.capture.errors import CoilbenchError
from support.edits import changing

STATUSES = (0, 1, 2, 130)  # 130: asked, and nobody answers
PATIENCE_S = 60  # then it is called a hang; not a measurement
NOT_TEXT = ("Cc", "Cf", "Cs", "Zl", "Zp")
TEXTS = (
    "\x1b[31mred", "\x1b]0;title\x07", "\x9b31m", "\u202e10-hcral", "\u2066x\u2069", "a\rb",
    "a\x08b", "\x7f", "\u200bnothing", "\u2028a line", "\ufeffx", "\U000e0001tag", "\x00", "a\tb",
    "\x85next", "'; rm -rf ~; '", "$(id)", "`id`", '"', "\\", "=1+1", "\uff1d1+1", "@x",
    "[red]x[/red]", ":skull:", "{label}", "{0.__class__}", "%s%n", "<script>alert(1)</script>",
    "</td>", "x" * 5000, "-rf", "--json", "", " ", "..", "../../x", "a/b", "NUL", "caf\u00e9",
    "\u5c71", "\U0001f600", "a\u0301" * 50,
)  # fmt: skip
LINE_ENDS = ("x\nNext: coilbench evil", "x\r\ny", "\n")  # no version of ours has stored any
NUMBERS = (
    "1e308mm", "-1e308kg", "\u0663\u0668mm", "1e999999mm", "1e-400kg", "nan", "inf", "-0mm",
    "1e308", "9" * 400, "9" * 5000, "0x10", "1_0mm", "\uff13\uff18mm", "1mm 2mm", "mm", "1e12mm",
    "0mm", "-1", "%", "1e308kg@1e308mm", "1-1e9%", "1,1,1", "1" + ",1" * 20_000,
)  # fmt: skip
BUILD = """[cam]
name = "Lake six"
valve_lift = "10.9 mm"
seat_load = "22 kg"
open_load = "40 kg"
[head]
installed_height = "38.5 mm"
valves = 2
[springs]
outer = ["larch"]
"""
READ = (
    "status", "status --json", "set list", "set list --json", "set show SET",
    "set show SET --curves", "set show SET --json", "set nominal SET", "set strokes SET",
    "set readings SET", "set check SET --at 38.5mm", "set check SET --at 38.5mm --why larch-03",
    "set measure SET", "set check SET --at 38.5mm --budget", "set check SET --at 38.5mm --json",
    "set spring SET LABEL", "set compare SET other --at 38.5mm", "note --set SET --history",
    "import --history", "depths BUILD", "pair BUILD", "pair BUILD --json", "assign BUILD",
    "plan BUILD", "rig card", "rig check --history", "rig ratings", "book check",
    "book check --json", "live --once", "report BUILD -o OUT/sheet.html",
    "export --set SET --out OUT/csv", "tell redo", "export --sheet BUILD --out OUT/sheet",
    "book copy OUT/copy.db", "set edit SET --note fine", "import OUT/none.csv --set SET",
    "rig weigh --scale bath --from POINTS", "set check SET --at 38.5mm --why LABEL",
)  # fmt: skip
NAMED = {  # what a parameter that is not attacked is given
    "name": "larch", "set_name": "larch", "set_names": "larch", "before": "larch",
    "after": "larch", "build": "BUILD", "builds": "BUILD", "files": "POINTS", "file": "POINTS",
    "label": "larch-01", "role": "outer", "shell": "bash", "books": "OTHER",
    "url": "http://127.0.0.1:9/", "port": "recording:none", "heights_mm": "38.5mm", "count": "4",
    "swapped": "larch-01",
}  # fmt: skip
SPARED = {("demo",), ("rig", "find")}  # minutes of work, this machine's own ports


class Tally(msgspec.Struct):
    """What was tried and what came of it."""

    inputs: int = 0
    statuses: Counter[int] = msgspec.field(default_factory=Counter)
    found: list[str] = msgspec.field(default_factory=list)

    def __str__(self) -> str:
        seen = ", ".join(f"{count} x {status}" for status, count in sorted(self.statuses.items()))
        return f"{self.inputs} inputs, exit status {seen}; {len(self.found)} found"


class Hang(BaseException):
    """A command does not end."""


def not_text(said: str) -> str:
    """Return the characters of a text that would be taken for more."""
    return "".join(sorted({each for each in said if each != "\n" and category(each) in NOT_TEXT}))


@contextlib.contextmanager
def _at_most(seconds: int) -> Iterator[None]:
    def stop(*_: object) -> None:
        raise Hang

    before = signal.signal(signal.SIGALRM, stop)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


def attack(tally: Tally, folder: Path, arguments: list[str], what: str) -> None:
    """Run one command on the folder's book and note what is wrong with what comes."""
    streams = [io.TextIOWrapper(io.BytesIO(), "utf-8", write_through=True) for _ in range(2)]
    shown = f"{what!r:.60} in: {' '.join(arguments)!r:.150}"
    tally.inputs += 1
    try:
        with (
            contextlib.redirect_stdout(streams[0]), contextlib.redirect_stderr(streams[1]),
            _no_input(), _at_most(PATIENCE_S),
        ):  # fmt: skip
            status = run(["--book", str(folder / "b.db"), *arguments])
    except (Exception, Hang, SystemExit) as error:
        tally.statuses[-1] += 1
        tally.found.append(f"{type(error).__name__} ({error!s:.150}) from {shown}")
        return
    tally.statuses[status] += 1
    said = [stream.buffer.getvalue().decode("utf-8") for stream in streams]
    written = [_text(path) for path in folder.glob("out/**/*") if path.is_file()]
    raw = not_text("".join([*said, *written]))
    if status not in STATUSES:
        tally.found.append(f"exit status {status} from {shown}")
    if status == 2 and len([line for line in said[1].splitlines() if "coilbench: " in line]) != 1:
        tally.found.append(f"no line of its own for exit status 2 from {shown}: {said[1]!r:.200}")
    if raw:
        tally.found.append(f"{raw!a} comes out of {shown}")
    if "--json" in arguments and what != "--json" and status < 2:
        json.loads(said[0])


def _text(path: Path) -> str:
    return (
        "" if path.suffix == ".db" else path.read_bytes().decode("utf-8-sig").replace("\r\n", "\n")
    )


@contextlib.contextmanager
def _no_input() -> Iterator[None]:
    before, sys.stdin = sys.stdin, io.StringIO("")
    try:
        yield
    finally:
        sys.stdin = before


def make_bench(folder: Path) -> None:
    """Make a book of eight springs with readings, notes, marks and a rig, and a build file."""
    book = ["--book", str(folder / "b.db")]
    fine = ["--resolution", "0.01kg", "--repeatability", "0.02kg", "--quill", "0.01mm"]
    readings = [
        f"larch-{n:02d} {at} # a remark"
        for n in range(1, 7)
        for at in ("38.5mm 23kg", "27.6mm 41kg")
    ]
    (folder / "BUILD.toml").write_text(BUILD)
    (folder / "points.csv").write_text(
        "label,height_mm,load_kg\nlarch-07,38.5,23.1\nlarch-07,27.6,41.2\n"
    )
    (folder / "weights.csv").write_text(
        "mass_kg,shown_kg\n0,0\n10,10.1\n20,20.1\n30,30.2\n20,20.1\n"
    )
    Demo(folder / "b.db", 1).calibrate(lambda _: None)
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        for command in (
            ["set", "new", "larch", "--role", "outer", "--count", "8"],
            ["set", "new", "other", "--role", "outer", "--count", "2"],
            ["rig", "weigh", "--scale", "bath", "--from", str(folder / "weights.csv")],
            ["set", "edit", "larch", "--note", "old", "--mark", "green"],
            ["set", "measure", "larch", "1 note bent", "2 mark red", "2 free 52.8mm"],
            ["note", "--set", "larch", *fine, *readings],
            ["import", str(folder / "points.csv"), "--set", "larch", "--by-hand", *fine],
        ):  # fmt: skip
            status = run([*book, *command])
            if status != 0:
                raise CoilbenchError(f"the book can't be made: {command}")


def _ready(made: Path, folder: Path) -> None:
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(made, folder)
    (folder / "out").mkdir()


def _filled(
    command: list[str], folder: Path, name: str = "larch", label: str = "larch-01"
) -> list[str]:
    places = {"BUILD": str(folder / "BUILD.toml"), "POINTS": str(folder / "points.csv"),
              "OTHER": str(folder / "other.db"), "SET": name, "LABEL": label}  # fmt: skip
    return [places.get(one, one.replace("OUT", str(folder / "out"))) for one in command]


def _places(book: Path) -> list[tuple[str, str]]:
    """Return table and column of each text in the book that names or remarks something."""
    with contextlib.closing(sqlite3.connect(book)) as db:
        tables = [
            row[0] for row in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
        ]
        return [
            (table, column)
            for table in tables
            for _, column, kind, *_ in db.execute(f"PRAGMA table_info({table})")
            if kind == "TEXT" and not column.endswith(("id", "_utc", "_json", "digest", "_format"))
            and not table.startswith(("sqlite", "_"))
        ]  # fmt: skip


def attack_books(tally: Tally, made: Path, folder: Path, rng: random.Random, inputs: int) -> None:
    """Put a strange text in every name and remark of a book, maybe merge it, and read it."""
    places = _places(made / "b.db")
    for _ in range(inputs):
        _ready(made, folder)
        text, named = rng.choice(TEXTS), rng.random() < 0.5
        with changing(folder / "b.db") as db:
            db.execute("PRAGMA ignore_check_constraints = OFF")
            for table, column in places:
                if named or (table, column) != ("sets", "name"):
                    first = f"{column} IS (SELECT {column} FROM {table} LIMIT 1)"
                    with contextlib.suppress(sqlite3.IntegrityError):
                        db.execute(f"UPDATE {table} SET {column} = ? WHERE {first}", [text])
        if rng.random() < 0.3:
            (folder / "b.db").rename(folder / "other.db")
            attack(tally, folder, ["merge", str(folder / "other.db")], text)
        command = rng.choice(READ).split()
        attack(tally, folder, _filled(command, folder, text if named else "larch", text), text)


def attack_builds(tally: Tally, made: Path, folder: Path, rng: random.Random, inputs: int) -> None:
    """Put a strange text or number in place of one of the build file, or in a CSV file's cell."""
    for _ in range(inputs):
        _ready(made, folder)
        text = rng.choice((*TEXTS, *LINE_ENDS, *NUMBERS))
        of_csv = rng.random() < 0.3
        path = folder / ("points.csv" if of_csv else "BUILD.toml")
        old = path.read_text()
        words = re.findall(r"[\w.-]+", old) if of_csv else re.findall(r'".*?"|\w+', old)
        quoted = text if of_csv or rng.random() < 0.2 else json.dumps(text)
        path.write_text(old.replace(rng.choice(words), quoted, 1), encoding="utf-8", newline="")
        commands = [
            "pair BUILD",
            "assign BUILD",
            "plan BUILD",
            "depths BUILD",
            "report BUILD -o OUT/s.html",
        ]
        command = "import POINTS --set larch --by-hand --yes" if of_csv else rng.choice(commands)
        attack(tally, folder, _filled(command.split(), folder), text)


def commands(
    group: click.Group = cli, path: tuple[str, ...] = ()
) -> Iterator[tuple[tuple[str, ...], click.Command]]:
    """Yield every command of the program and its path."""
    context = click.Context(group)
    for name in group.list_commands(context):
        found = group.get_command(context, name)
        if isinstance(found, click.Group):
            yield from commands(found, (*path, name))
        elif found is not None and (*path, name) not in SPARED:
            yield (*path, name), found


def attack_options(tally: Tally, made: Path, folder: Path, rng: random.Random, inputs: int) -> None:
    """Give every option and argument of every command a strange value, in turn."""
    places = [
        (path, command, param)
        for path, command in commands()
        for param in command.params
        if param.name != "help" and not getattr(param, "is_flag", False)
    ]
    rng.shuffle(places)
    for number in range(inputs):
        _ready(made, folder)
        path, command, param = places[number % len(places)]
        value = rng.choice((*TEXTS, *LINE_ENDS, *NUMBERS, "\udcff.db")).replace("\x00", "")
        line = [*path]
        for each in command.params:
            given = (
                value
                if each is param
                else NAMED.get(each.name or "", "")
                if each.required
                else None
            )
            if given is not None:
                line += [given] if isinstance(each, click.Argument) else [each.opts[-1], given]
        attack(tally, folder, _filled(line, folder), value)


ATTACKS = {"books": attack_books, "builds": attack_builds, "options": attack_options}


def attacked(name: str, made: Path, seed: int, inputs: int) -> Tally:
    """Run one kind of attack on copies of the bench in a folder; returns what came of it."""
    tally, here = Tally(), Path.cwd()
    with tempfile.TemporaryDirectory(prefix="strangers-") as place:
        try:
            with contextlib.chdir(place):
                ATTACKS[name](tally, made, Path(place, "folder"), random.Random(seed), inputs)
        finally:
            assert Path.cwd() == here
    return tally


def main() -> int:
    """Run the attacks; 1 where something was found."""
    parser = argparse.ArgumentParser(description="Attack the program with strangers' text.")
    parser.add_argument("attacks", nargs="*", help=", ".join(ATTACKS))
    parser.add_argument("--seed", type=int, default=16)
    parser.add_argument("--inputs", type=int, default=500, help="of each attack")
    arguments = parser.parse_args()
    found = False
    with tempfile.TemporaryDirectory(prefix="strangers-") as made:
        make_bench(Path(made))
        for name in arguments.attacks or ATTACKS:
            tally = attacked(name, Path(made), arguments.seed, arguments.inputs)
            print(f"{name}: {tally}")
            for one, count in Counter(tally.found).most_common():
                print(f"  {count} x {one}")
            found = found or bool(tally.found)
    return int(found)


if __name__ == "__main__":
    with nothing_kept():  # every answer is worked out anew
        sys.exit(main())
