"""What every test gets: nothing may be left running or open behind it."""

from __future__ import annotations

import gc
import os
import shutil
import sys
import tempfile
import threading
from collections.abc import Generator, Iterator
from pathlib import Path

import pytest
from hypothesis import settings

from support import postgres
from support.shared import run_folder

# Before NumPy is loaded: the matrices are small, and workers' threads would wait for each other.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# statsmodels brought pandas, and sqlite-utils loads it where it is: half a second a worker.
with pytest.MonkeyPatch.context() as _patch:
    _patch.setitem(sys.modules, "pandas", None)
    import sqlite_utils  # noqa: F401
_FD = Path("/proc/self/fd")
_TESTS = Path(__file__).parent
# The longest, most of them waiting: begun first, none is left to one worker at the end.
_FIRST = ("test_cli_capture", "test_daemon", "test_cli_live", "test_cli_guiding")

# No test is judged by the clock: on a busy machine an example takes as long as it takes.
settings.register_profile("any machine", deadline=None)
settings.load_profile("any machine")

# Workers, and the programs that tests start, share what is compiled, also when this machine says
# that nothing is to be kept: what pytest makes of the tests takes each worker eight seconds.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

# Matplotlib's list of fonts stays where it is kept between runs; all else is kept, if at all, where
# `pytest_runtest_setup` says.
_FONTS = Path(os.environ.get("XDG_CACHE_HOME") or "~/.cache").expanduser() / "matplotlib"
os.environ.setdefault("MPLCONFIGDIR", str(_FONTS))
os.environ["XDG_CACHE_HOME"] = os.devnull

# Books are synchronized with their disk at each commit, and a server copies databases: in memory,
# where there is room, that is soon done. --basetemp or TMPDIR names another place.
_MEMORY, _ROOM_BYTES = Path("/dev/shm"), 2_000_000_000
_IN_MEMORY = (
    "TMPDIR" not in os.environ
    and os.access(_MEMORY, os.W_OK)
    and shutil.disk_usage(_MEMORY).free > _ROOM_BYTES
)
if _IN_MEMORY:
    os.environ.setdefault("PYTEST_DEBUG_TEMPROOT", str(_MEMORY))


def _open_files() -> set[str]:
    """Name what this process holds open, where the system tells (Linux)."""
    if not _FD.is_dir():
        return set()
    names = set()
    for entry in os.listdir(_FD):  # noqa: PTH208 - twice a test: paths would take thrice as long
        try:
            names.add(os.readlink(f"{_FD}/{entry}"))  # noqa: PTH115 - the same
        except OSError:
            continue  # closed while we looked
    kinds = ("/dev/pts", "/dev/tty", ".db", ".wire", "socket:")
    return {name for name in names if any(kind in name for kind in kinds)}


@pytest.fixture(scope="session", autouse=True)
def own_temporary_folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Locks of ports and control channels lie there: no other worker or run may meet them.

    A port's lock is by its name, and a terminal's number that one run gives back is the next one's.
    """
    tmp_path_factory.getbasetemp()  # stays where it is
    with (
        tempfile.TemporaryDirectory(prefix="coilbench-") as folder,
        pytest.MonkeyPatch.context() as patch,
    ):
        patch.setenv("TMPDIR", folder)
        patch.delenv("XDG_RUNTIME_DIR", raising=False)
        patch.setattr(tempfile, "tempdir", None)
        yield


@pytest.fixture(scope="session", autouse=True)
def programs_without_pandas() -> Iterator[None]:
    """What tests start finds what the program needs, wherever that is, and no pandas."""
    found = os.environ.get("PYTHONPATH")
    folders = [str(_TESTS / "support" / "as_installed"), *([found] if found else [])]
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PYTHONPATH", os.pathsep.join(folders))
        yield


@pytest.fixture(scope="session", autouse=True)
def new_books_are_copies(
    own_temporary_folder: None, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[None]:
    """A new book takes 17 ms to make and 5 ms to copy, and a thousand are needed."""
    from coilbench.capture.book import opening  # NumPy, not before its threads are set
    from support.new_books import copying, make_template

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(opening, "_check_path", copying(make_template(tmp_path_factory)))
        yield


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item: pytest.Item) -> None:
    """Let a test find the answers that others of this run worked out, as a user finds his.

    Not a test that may change the program, or that says so: it works out its own, and keeps none.
    """
    factory: pytest.TempPathFactory = item.config._tmp_path_factory  # type: ignore[attr-defined]
    own = {"monkeypatch", "nothing_kept"}.intersection(getattr(item, "fixturenames", ()))
    os.environ["XDG_CACHE_HOME"] = os.devnull if own else str(run_folder(factory) / "answers")


@pytest.fixture
def nothing_kept() -> None:
    """Named by a test that is to work out its answers itself."""


@pytest.fixture(autouse=True)
def nothing_left_behind() -> Iterator[None]:
    """Fail a test that leaves a thread, a port, a socket or a book open."""
    threads, files = set(threading.enumerate()), _open_files()
    yield
    left = [thread for thread in threading.enumerate() if thread not in threads]
    for thread in left:
        thread.join(timeout=2.0)
    alive = [thread.name for thread in left if thread.is_alive()]
    assert not alive, f"threads left running: {alive}"
    opened = _open_files() - files
    if opened:
        gc.collect()  # what waits in a reference cycle is closed by now, with its own warning
        opened = _open_files() - files
    assert not opened, f"left open: {sorted(opened)}"


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int:
    """One more than there are cores: many tests wait, for a terminal, a rig or a process."""
    return (os.cpu_count() or 1) + 1


def pytest_configure(config: pytest.Config) -> None:
    """Let each worker compile other tests first: of the rest it finds what the others compiled."""
    worker = getattr(config, "workerinput", None)
    if worker is None:
        postgres.begin_run(_MEMORY if _IN_MEMORY else Path("/tmp"))
    if worker and [Path(one).resolve() for one in config.args] == [_TESTS]:
        files = sorted(_TESTS.rglob("test_*.py"))
        first = len(files) * int(worker["workerid"][2:]) // worker["workercount"]
        config.args = [str(path) for path in files[first:] + files[:first]]


@pytest.hookimpl(wrapper=True)
def pytest_collection() -> Generator[None, object, object]:
    """Collect no garbage among modules and tests, which all stay: it took a tenth of the time."""
    gc.disable()
    try:
        return (yield)
    finally:
        gc.enable()


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Give all workers the same order, whatever they compiled first: the longest come first."""
    items.sort(key=lambda item: (item.path.stem not in _FIRST, item.path))


def pytest_unconfigure(config: pytest.Config) -> None:
    """Stop the server that tests of sharing started, once all workers have ended."""
    if not hasattr(config, "workerinput"):
        postgres.end_run()


def pytest_collection_finish() -> None:
    """Spare the garbage collector the thousands of tests, which stay to the end anyway.

    It looks more rarely, too: what a test makes is small.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(10_000)


def pytest_addoption(parser: pytest.Parser, pluginmanager: pytest.PytestPluginManager) -> None:
    """Tests on a real rig run only when its port is named."""
    parser.addoption("--port", default=None, help="a real rig's port, e.g. /dev/ttyACM0")
    if not pluginmanager.hasplugin(
        "xdist"
    ):  # -p no:xdist: its options in pyproject.toml do nothing
        for name in ("--numprocesses", "--dist"):
            parser.addoption(name, help="needs pytest-xdist")


@pytest.fixture
def real_port(request: pytest.FixtureRequest) -> str:
    """Return the port named by --port; skips the test without one."""
    port = request.config.getoption("--port")
    if port is None:
        pytest.skip("no rig named with --port")
    return str(port)
