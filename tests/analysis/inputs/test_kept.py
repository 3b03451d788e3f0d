"""Kept answers: found again from the same alone, whole or not at all, and few."""

from __future__ import annotations

import os
import shutil
from importlib.machinery import ModuleSpec
from pathlib import Path
from typing import NamedTuple

import msgspec
import numpy as np
import pytest
from numpy.typing import NDArray

from coilbench.analysis.engine.toml_source import LengthMm
from coilbench.analysis.inputs import kept as module
from coilbench.analysis.inputs.kept import (
    digest_of,
    digest_of_code,
    folder,
    growing,
    kept,
    nothing_kept,
)
from support.nobody import locked_up, open_folder

__all__ = ["open_folder"]


class Pair(NamedTuple):
    name: str
    number: float


class Answer(msgspec.Struct, frozen=True):
    x: NDArray[np.float64]
    flags: NDArray[np.bool_]
    pairs: tuple[Pair, ...]
    by_height: dict[tuple[str, float], Pair | None]


ANSWER = Answer(
    np.arange(6.0).reshape(3, 2) + np.nan,
    np.array([True, False]),
    (Pair("a", np.inf), Pair("b", np.float64(0.1))),
    {("larch", 38.5): Pair("c", -0.0), ("heron", 27.6): None},
)


class Grown(msgspec.Struct, frozen=True):
    by_height: dict[float, float] = msgspec.field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.by_height)


@pytest.fixture(autouse=True)
def where(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    return folder()


class Worker:
    """Works an answer out, and counts how often."""

    def __init__(self) -> None:
        self.times = 0

    def __call__(self) -> Answer:
        self.times += 1
        return ANSWER

    def ask(self, depends: bytes | None = b"rows", *asked: object) -> Answer:
        return kept(Answer, lambda: depends, asked, self)


def test_an_answer_is_found_again_as_it_was() -> None:
    worker = Worker()
    first, again = worker.ask(), worker.ask()
    assert worker.times == 1
    assert first is ANSWER
    assert repr(again) == repr(ANSWER).replace("np.float64(0.1)", "0.1")
    assert again.x.tobytes() == ANSWER.x.tobytes()
    assert not again.x.flags.writeable


def test_what_it_depends_on_tells_answers_apart(monkeypatch: pytest.MonkeyPatch) -> None:
    worker = Worker()
    for ask in ((b"rows",), (b"others",), (b"rows", "mean"), (b"rows", 38.5, "mean")):
        worker.ask(*ask)
        worker.ask(*ask)
    assert worker.times == 4
    monkeypatch.setattr(module, "code_digest", lambda: b"another program")
    worker.ask()
    assert worker.times == 5


def test_other_libraries_find_nothing_of_these(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    worker = Worker()

    def asked_anew() -> int:
        before = worker.times
        module._libraries.cache_clear()
        worker.ask()
        worker.ask()
        return worker.times - before

    (tmp_path / "version.py").write_text("version = 'another'")
    other = ModuleSpec("scipy", None, origin=str(tmp_path / "__init__.py"))
    assert asked_anew() == 1
    with monkeypatch.context() as patched:
        patched.setattr(np, "__version__", "another")
        assert asked_anew() == 1
        patched.setattr(module, "find_spec", lambda name: other)
        assert asked_anew() == 1
        (tmp_path / "version.py").unlink()
        assert asked_anew() == 2  # which one it is can't be told: nothing is kept
    assert asked_anew() == 0


def test_what_has_no_digest_is_not_kept(where: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    worker = Worker()
    worker.ask(None)
    monkeypatch.setattr(module, "code_digest", lambda: None)
    worker.ask()
    assert worker.times == 2
    assert not where.exists()


def test_nothing_is_kept_where_it_is_said(where: Path) -> None:
    worker = Worker()
    with nothing_kept():
        worker.ask()
    assert not where.exists()
    worker.ask()
    with nothing_kept():
        worker.ask()
    assert worker.times == 3


def test_what_changed_meanwhile_is_not_kept(where: Path) -> None:
    told = iter([b"before", b"after"])
    assert kept(Answer, lambda: next(told), (), Worker()) is ANSWER
    assert not where.exists()


@pytest.mark.parametrize(
    "harm",
    [
        lambda stored: stored[:-1],
        lambda stored: stored[:40],
        lambda stored: b"",
        lambda stored: stored[:-1] + bytes([stored[-1] ^ 1]),
        lambda stored: bytes(32) + stored[32:],
    ],
    ids=["shorter", "short", "empty", "a bit", "no seal"],
)
def test_a_damaged_one_is_not_believed(where: Path, harm) -> None:
    worker = Worker()
    worker.ask()
    (file,) = where.iterdir()
    file.write_bytes(harm(file.read_bytes()))
    worker.ask()
    worker.ask()
    assert worker.times == 2  # and the whole one has taken its place


def test_another_answers_file_in_its_place_is_not_believed(where: Path) -> None:
    worker = Worker()
    worker.ask(b"one")
    (one,) = where.iterdir()
    worker.ask(b"two")
    (two,) = set(where.iterdir()) - {one}
    two.write_bytes(one.read_bytes())
    worker.ask(b"two")
    assert worker.times == 3


def test_a_folder_that_cannot_be_written_is_no_error(
    open_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(open_folder))
    folder().mkdir(parents=True)
    worker = Worker()
    assert module.code_digest() is not None  # nobody may not read the program itself
    with locked_up(folder()):
        assert worker.ask() is ANSWER
        assert worker.ask() is ANSWER
    assert list(folder().iterdir()) == []
    worker.ask()
    assert len(list(folder().iterdir())) == 1


@pytest.mark.parametrize("home", ["/dev/null", "not/absolute"])
def test_no_place_is_no_error(home: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "folder", lambda: Path(home) / "answers")
    monkeypatch.chdir(tmp_path)
    worker = Worker()
    assert worker.ask() is ANSWER
    assert worker.ask() is ANSWER
    assert list(tmp_path.iterdir()) == []


def test_the_folder_is_the_users_alone(where: Path) -> None:
    Worker().ask()
    assert where.stat().st_mode & 0o777 == 0o700
    assert {file.stat().st_mode & 0o777 for file in where.iterdir()} == {0o600}


def test_those_not_used_for_longest_go(where: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MOST_FILES", 2)
    worker = Worker()
    for at, name in enumerate((b"one", b"two")):
        worker.ask(name)
        for file in where.iterdir():
            os.utime(file, (at, min(at, int(file.stat().st_mtime))))
    worker.ask(b"one")  # used since
    worker.ask(b"three")
    assert len(list(where.iterdir())) == 2
    worker.ask(b"one")
    worker.ask(b"three")
    assert worker.times == 3


def test_a_digest_tells_every_number_and_nothing_else() -> None:
    """Also those that a repr leaves out: NumPy shortens what is long."""
    long = np.arange(5000.0)
    other = long.copy()
    other[2500] = np.nextafter(2500.0, 0.0)
    assert repr(long) == repr(other)
    told = {digest_of((each, "mm", {"a": 1.0})) for each in (long, other, long.copy())}
    assert len(told) == 2
    assert digest_of(LengthMm(38.5)) == digest_of(38.5) != digest_of(38.0)
    assert digest_of(object()) is None


def test_what_is_added_is_kept(where: Path) -> None:
    with growing(Grown, b"rows") as first:
        first.by_height[38.5] = 230.0
    with growing(Grown, b"rows") as second:
        assert second.by_height == {38.5: 230.0}
        second.by_height[27.6] = 400.0
    stored = {file: file.stat().st_mtime_ns for file in where.iterdir()}
    with growing(Grown, b"rows") as third:
        assert third == Grown({38.5: 230.0, 27.6: 400.0})
    assert set(where.iterdir()) == set(stored)
    with growing(Grown, b"other rows") as other, growing(Grown, None) as none:
        assert other == none == Grown()


def test_any_change_of_the_programs_source_is_another_program(tmp_path: Path) -> None:
    """But for the folders that make no number."""

    def told(**changed: str) -> bytes | None:
        digest_of_code.cache_clear()
        for name in ("analysis/curves/curve", "analysis/engine/cam", "capture/units",
                     "capture/calibration/lag", "analysis/cli/pairing"):  # fmt: skip
            file = tmp_path / f"{name}.py"
            file.parent.mkdir(parents=True, exist_ok=True)
            file.write_text(changed.get(name.replace("/", "_"), "A = 1"))
        return digest_of_code(tmp_path)

    assert digest_of_code(tmp_path / "nowhere") is None
    before = told()
    assert before == told()
    for name in ("analysis_curves_curve", "analysis_engine_cam", "capture_units",
                 "capture_calibration_lag"):  # fmt: skip
        assert told(**{name: "A = 2"}) != before
    assert told(analysis_cli_pairing="A = 2") == before
    (tmp_path / "analysis/curves/more.py").write_text("")
    digest_of_code.cache_clear()
    assert digest_of_code(tmp_path) != before
    digest_of_code.cache_clear()
    shutil.rmtree(tmp_path / "capture")
    assert digest_of_code(tmp_path) is None
    digest_of_code.cache_clear()
