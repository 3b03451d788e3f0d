"""The tests of the wire run twice: the decoder reads few bytes in another way than many."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from coilbench.capture.wire import decode


@pytest.fixture(scope="module", autouse=True, params=[150, 1 << 30], ids=["mixed", "few"])
def either_way(request: pytest.FixtureRequest) -> Iterator[None]:
    """Let three lines at once be many, or none: short and long pieces then follow each other."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(decode, "FEW_BYTES", request.param)
        yield
