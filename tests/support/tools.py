"""Programs that some tests need: without one they skip and say why, under CI they fail."""

from __future__ import annotations

import os
import shutil

import pytest

REQUIRED = "COILBENCH_REQUIRE_TOOLS"  # set to 1 where a missing tool is a failure


def tool(*names: str, package: str | None = None) -> str:
    """Return the path of the first of these programs that is installed."""
    found = next((path for name in names if (path := shutil.which(name))), None)
    if found is None:
        missing(names[0] if package is None else package)
    return str(found)


def chromium() -> str:
    """Return the path of the browser that looks at pages."""
    return tool("chromium", "chromium-browser", "google-chrome")


def missing(*packages: str) -> None:
    """End the test that needs these packages; goes on where there are none."""
    if not packages:
        return
    reason = f"not installed (Debian packages): {', '.join(packages)}"
    if os.environ.get(REQUIRED) == "1":
        pytest.fail(reason, pytrace=False)
    pytest.skip(reason)
