"""Break the product in one place at a time, and see whether a test notices.

    python tests/mutants.py --sites 60 --seed 1

Sites are drawn uniformly over the product's lines of code in which something can be broken. Each
is broken in a copy of the tree; the tests that import the module run first, then those of the
folder that mirrors its own, then all others. A test that fails is run again on sound code: only
one that passes there has noticed the break. Which survivors change nothing is for a reader to say.
"""

from __future__ import annotations

import argparse
import ast
import copy
import os
import random
import shutil
import subprocess
import sys
import tempfile
import tomllib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).resolve().parent.parent
PACKAGES: dict[str, str] = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"][
    "setuptools"
]["package-dir"]
LEFT_OUT = shutil.ignore_patterns(".git", "*_cache", "__pycache__", ".venv", "venv")
NO_TESTS = 5  # pytest's exit status
SWAPS: dict[type[ast.AST], tuple[type[ast.AST], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE), ast.LtE: (ast.Lt, ast.Gt), ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt), ast.Eq: (ast.NotEq,), ast.NotEq: (ast.Eq,), ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,), ast.In: (ast.NotIn,), ast.NotIn: (ast.In,), ast.Add: (ast.Sub,),
    ast.Sub: (ast.Add,), ast.Mult: (ast.Div,), ast.Div: (ast.Mult,), ast.FloorDiv: (ast.Mult,),
    ast.Mod: (ast.Mult,), ast.Pow: (ast.Mult,), ast.And: (ast.Or,), ast.Or: (ast.And,),
    ast.USub: (ast.UAdd,), ast.BitAnd: (ast.BitOr,), ast.BitOr: (ast.BitAnd,),
}  # fmt: skip


class Site(NamedTuple):
    """One thing that can be broken: the node at a place in `ast.walk`, and what replaces it."""

    path: Path
    line: int
    place: int
    new: ast.AST


def broken(node: ast.AST) -> Iterator[ast.AST]:
    """Yield what could stand in a node's place and be wrong."""
    if isinstance(node, ast.Compare | ast.BinOp | ast.BoolOp | ast.UnaryOp | ast.AugAssign):
        operators = node.ops if isinstance(node, ast.Compare) else [node.op]
        for at, operator in enumerate(operators):
            for swap in SWAPS.get(type(operator), ()):
                new = copy.deepcopy(node)
                if isinstance(new, ast.Compare):
                    new.ops[at] = swap()  # type: ignore[call-overload]
                else:
                    new.op = swap()  # type: ignore[union-attr,assignment]
                yield new
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
        yield node.operand
    if isinstance(node, ast.Constant):
        yield from map(ast.Constant, other_values(node.value))
    called = isinstance(node, ast.Expr) and isinstance(node.value, ast.Call)
    if called or isinstance(node, ast.AugAssign | ast.Raise | ast.Break | ast.Continue):
        yield ast.Pass()
    if isinstance(node, ast.Return) and node.value is not None:
        yield ast.Return(ast.Constant(None))


def other_values(value: object) -> list[object]:
    """Return wrong values for a constant; of texts only for those that a person reads."""
    if isinstance(value, bool):
        return [not value]
    if isinstance(value, int | float):
        return [value + 1, value * 2] if value else [1]
    return [""] if isinstance(value, str) and " " in value else []


def sites(path: Path) -> Iterator[Site]:
    """Yield everything that can be broken in a file: no docstring, no type, no pattern."""
    tree = ast.parse(path.read_text("utf-8"))
    passed = {id(node) for part in left_alone(tree) for node in ast.walk(part)}
    for place, node in enumerate(ast.walk(tree)):
        if id(node) not in passed:
            for new in broken(node):
                if ast.dump(new) != ast.dump(node):
                    yield Site(path, getattr(node, "lineno", 0), place, new)


def left_alone(tree: ast.AST) -> Iterator[ast.AST]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            yield node
        for field in ("annotation", "returns"):
            if getattr(node, field, None) is not None:
                yield getattr(node, field)


def break_one(site: Site, source: str) -> str:
    """Return a module's source with one site broken."""
    tree = ast.parse(source)
    old = next(node for place, node in enumerate(ast.walk(tree)) if place == site.place)
    for parent in ast.walk(tree):
        for field, value in ast.iter_fields(parent):
            if value is old:
                setattr(parent, field, site.new)
            elif isinstance(value, list):
                value[:] = [site.new if each is old else each for each in value]
    return ast.unparse(ast.fix_missing_locations(tree))


def module_name(path: Path) -> str:
    for package, folder in PACKAGES.items():
        if path.is_relative_to(folder):
            parts = path.relative_to(folder).with_suffix("").parts
            return ".".join([package, *(part for part in parts if part != "__init__")])
    raise SystemExit(f"{path} is in no package of pyproject.toml")


def stages(path: Path, tests: Sequence[Path], *, near: bool) -> list[list[str]]:
    """Sort test files by how likely they reach a module: nearest first, each file once."""
    package, _, name = module_name(path).rpartition(".")
    ways = (f"{package}.{name} ", f"from {package} import")
    near_files = [t for t in tests if any(way in (ROOT / t).read_text("utf-8") for way in ways)]
    mirrored = [t for t in tests if t.is_relative_to(Path("tests") / path.parent)]
    ordered = [near_files, mirrored] if near else [near_files, mirrored, list(tests)]
    seen: set[Path] = set()
    found = []
    for files in ordered:
        found.append([str(t) for t in files if t not in seen])
        seen.update(files)
    return [files for files in found if files]


class Copy:
    """A copy of the tree whose packages come before the installed ones."""

    def __init__(self, folder: Path, workers: int, timeout_s: float) -> None:
        self.tree = folder / "tree"
        shutil.copytree(ROOT, self.tree, ignore=LEFT_OUT)
        for package, product in PACKAGES.items():
            link = folder / "site" / Path(*package.split("."))
            link.parent.mkdir(parents=True, exist_ok=True)
            link.symlink_to(self.tree / product)
        self._environment = os.environ | {"PYTHONPATH": str(folder / "site")}
        self._workers = ["-n", str(workers)] if workers else []
        self._timeout_s = timeout_s
        module = next(iter(PACKAGES))
        where = f"import {module} as m; print(m.__file__ or m.__path__[0])"
        told = subprocess.check_output([sys.executable, "-c", where], env=self._environment)
        if str(folder) not in told.decode():
            raise SystemExit(f"the copy is not what is imported, but {told.decode().strip()}")

    def pytest(self, *arguments: str) -> tuple[int | None, str]:
        """Run tests; returns the exit status, None where it took too long, and the last line."""
        command = [sys.executable, "-m", "pytest", "-x", "-q", "--tb=no", *arguments]
        try:
            done = subprocess.run(
                command, cwd=self.tree, env=self._environment, timeout=self._timeout_s,
                capture_output=True, text=True, check=False,
            )  # fmt: skip
        except subprocess.TimeoutExpired:
            return None, "took too long"
        told = [line for line in done.stdout.splitlines() if line.startswith(("FAILED", "ERROR"))]
        return done.returncode, told[0] if told else ""

    def _write(self, target: Path, text: str) -> None:
        """Change a module; what was compiled of it may look new enough, and must go."""
        target.write_text(text, "utf-8")
        for compiled in (target.parent / "__pycache__").glob(f"{target.stem}.*"):
            compiled.unlink()

    def verdict(self, site: Site, files: Sequence[Sequence[str]]) -> tuple[str, str]:
        """Break a site, and say what the tests make of it."""
        target = self.tree / site.path.relative_to(ROOT)
        sound = target.read_text("utf-8")
        for stage in files:
            self._write(target, break_one(site, sound))
            shutil.rmtree(self.tree / ".pytest_cache", ignore_errors=True)
            status, told = self.pytest(*self._workers, *stage)
            self._write(target, sound)
            if status is None:
                return "killed", told
            if status not in (0, NO_TESTS):
                again, _ = self.pytest("--lf", "--lfnf=none", *stage)
                return ("killed" if again in (0, NO_TESTS) else "unclear"), told
        return "survived", ""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sites", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--workers", type=int, default=0, help="of pytest-xdist; 0: as pytest is set"
    )
    parser.add_argument("--timeout", type=float, default=1200.0, help="s, for each run of tests")
    parser.add_argument("--near", action="store_true", help="only the tests nearest to the module")
    parser.add_argument("--only", default="", help="a product folder or file")
    asked = parser.parse_args()
    by_line: dict[tuple[Path, int], list[Site]] = {}
    for folder in PACKAGES.values():
        for path in sorted((ROOT / folder).rglob("*.py")):
            for site in sites(path):
                if str(path.relative_to(ROOT)).startswith(asked.only):
                    by_line.setdefault((path, site.line), []).append(site)
    chance = random.Random(asked.seed)
    lines = chance.sample(sorted(by_line), min(asked.sites, len(by_line)))
    tests = [path.relative_to(ROOT) for path in sorted(ROOT.glob("tests/**/test_*.py"))]
    counts = dict.fromkeys(("killed", "survived", "unclear"), 0)
    with tempfile.TemporaryDirectory() as folder:
        tree = Copy(Path(folder), asked.workers, asked.timeout)
        for line in lines:
            site, path = chance.choice(by_line[line]), line[0].relative_to(ROOT)
            verdict, told = tree.verdict(site, stages(path, tests, near=asked.near))
            counts[verdict] += 1
            new = " ".join(ast.unparse(site.new).split())[:100] or "nothing"
            print(f"{verdict:<9} {path}:{site.line}  -> {new}  {told[:120]}", flush=True)
    judged = counts["killed"] + counts["survived"]
    print(f"{counts['killed']} of {judged} killed, {counts['unclear']} unclear, "
          f"share {counts['killed'] / max(judged, 1):.0%}")  # fmt: skip


if __name__ == "__main__":
    main()
