"""Fuzz the program's doors with atheris, coverage-guided; ten minutes as it stands.

    pip install atheris
    python tests/fuzz/run_atheris.py [--seconds 120] [wire csv build note control]

Ends with 1 and leaves `crash-*` in the corpus folder it names when something is found.
"""

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path

TESTS = Path(__file__).parents[1]
SEEDS = {
    "wire": [*TESTS.glob("golden/*.wire")],
    "csv": [*TESTS.glob("data/*.csv"), *TESTS.glob("data/hx711_caliper_cc0/*.[Cct][Ssx][Vvt]")],
    "build": [],
    "note": [],
    "control": [],
}
WORDS = {
    "wire": ["S ", "H proto=1", "N ", "F ", "A ", "\\x0a"],
    "csv": ["label,height_mm,load_kg", "t_s,load_counts,travel_counts", "mass_kg,counts", "\\x0a"],
    "build": ["[cam]", "[head]", "[[shims]]", "valve_lift = ", "10.2 mm", "[springs]", "\\x0a"],
    "note": ["28.4 kg at 12 mm", "down", "up", " kg", " mm"],
    "control": ['{\\"command\\": {\\"action\\": \\"redo\\"}}', '{\\"ask\\": \\"snapshot\\"}'],
}
LEAST_BUILD = b"""[cam]
valve_lift = "10.2 mm"
seat_load = "34 kg"
open_load = "72 kg"
[head]
installed_height = "39.0 mm"
[springs]
outer = ["larch"]
"""


def fuzz_one(name: str, options: list[str]) -> None:
    """Fuzz one target in this process; does not return."""
    import atheris

    with atheris.instrument_imports(include=["coilbench", "plain_parser"]):
        from targets import TARGETS
    atheris.Setup([sys.argv[0], *options], TARGETS[name])
    atheris.Fuzz()


def main() -> int:
    """Run the targets one after another; 1 where one of them found something."""
    parser = argparse.ArgumentParser(description="Fuzz the program's doors with atheris.")
    parser.add_argument("targets", nargs="*", help=", ".join(SEEDS))
    parser.add_argument("--seconds", type=int, default=120, help="for each target")
    arguments = parser.parse_args()
    if unknown := set(arguments.targets) - set(SEEDS):
        parser.error(f"unknown target {min(unknown)}")
    failed = []
    for name in arguments.targets or SEEDS:
        corpus = Path(tempfile.mkdtemp(prefix=f"coilbench-fuzz-{name}-"))
        for number, seed in enumerate(SEEDS[name]):
            (corpus / f"seed-{number}").write_bytes(seed.read_bytes()[:4000])
        if name == "build":
            (corpus / "seed").write_bytes(LEAST_BUILD)
        words = corpus.with_suffix(".dict")
        words.write_text("".join(f'"{word}"\n' for word in WORDS[name]))
        options = [
            f"-max_total_time={arguments.seconds}",
            f"-dict={words}",
            f"-artifact_prefix={corpus}/crash-",
            "-max_len=4096",
            "-print_final_stats=1",
            "-verbosity=0",
        ]
        print(f"--- {name}, corpus {corpus}", flush=True)
        command = [sys.executable, __file__, "--one", name, *options, str(corpus)]
        if subprocess.run(command, check=False).returncode != 0:
            failed.append(name)
    print("found something in: " + ", ".join(failed) if failed else "nothing found")
    return 1 if failed else 0


if __name__ == "__main__":
    if sys.argv[1:2] == ["--one"]:
        fuzz_one(sys.argv[2], sys.argv[3:])
    sys.exit(main())
