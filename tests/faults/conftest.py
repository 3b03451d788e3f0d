"""What the fault tests share with the capture's tests: ready books and scripted rigs."""

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

CAPTURE = Path(__file__).parents[1] / "capture"
sys.path += [str(CAPTURE / "running"), str(Path(__file__).parent)]


def _load(path: Path) -> ModuleType:
    spec = importlib.util.spec_from_file_location("capture_fixtures", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


make_book = _load(CAPTURE / "conftest.py").make_book  # the same fixture, for these tests too
