"""`coilbench rig find`: exit status 0 where a rig answers, 1 where none does."""

from __future__ import annotations

import json

import pytest

from coilbench.analysis.cli import rig, run
from coilbench.capture.sources.serial_port import FoundPort

RIG = FoundPort("virtual:?seed=1", "simulated", "0000:0000")
BUILT_IN = FoundPort("/dev/ttyS0", "", None)


@pytest.mark.parametrize(("ports", "status"), [([], 1), ([BUILT_IN], 1), ([BUILT_IN, RIG], 0)])
def test_it_is_a_no_where_no_rig_answers(
    ports: list[FoundPort],
    status: int,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setattr(rig, "find_ports", lambda: ports)
    assert run(["rig", "find"]) == status
    said = capsys.readouterr().out
    assert ("No rig answered" in said) == (status == 1)
    assert run(["rig", "find", "--json"]) == status
    rows = json.loads(capsys.readouterr().out)["ports"]
    assert [row["port"] for row in rows] == [port.device for port in ports]
