"""The udev rule and the systemd unit."""

import os
import re
import shutil
import subprocess
from pathlib import Path

from support.tools import tool

SERVICE = Path(__file__).parents[2] / "hardware" / "service"
PAGE = (SERVICE.parent / "SERVICE.md").read_text(encoding="utf-8")
UNIT = SERVICE / "coilbench@.service"
RULES = SERVICE / "70-coilbench-rig.rules"

# udev(7): keys that are compared and keys that are assigned, with the operators each may have.
COMPARED = r'(?:ACTION|SUBSYSTEM|SUBSYSTEMS|ATTRS\{\w+\}|ENV\{\w+\})(?:==|!=)"[^"]+"'
ASSIGNED = r'(?:SYMLINK\+=|TAG\+=|GROUP=|MODE=|ENV\{\w+\}=|GOTO=|LABEL=)"[^"]+"'


def rule_lines() -> list[str]:
    """Every rule, the one commented out for the reader to take up as well."""
    lines = RULES.read_text(encoding="utf-8").splitlines()
    spare = [line.removeprefix("# ") for line in lines if line.startswith("# ENV{")]
    assert len(spare) == 1
    return [line for line in lines if line and not line.startswith("#")] + spare


def udevadm_complaints() -> str:
    """What udevadm verify says, where there is one: it came with systemd 254."""
    udevadm = shutil.which("udevadm")
    if udevadm is None:
        return ""
    known = subprocess.run([udevadm, "--help"], capture_output=True, text=True, check=True).stdout
    if "verify" not in known:
        return ""
    done = subprocess.run(
        [udevadm, "verify", "--resolve-names=never", str(RULES)],
        capture_output=True,
        text=True,
        check=False,
    )
    return "" if done.returncode == 0 else done.stdout + done.stderr


def test_rule_is_written_as_udev_wants_it() -> None:
    assert udevadm_complaints() == ""
    rules = rule_lines()
    assert len(rules) == 5
    for rule in rules:
        assert re.fullmatch(rf"(?:{COMPARED}|{ASSIGNED})(?:, ?(?:{COMPARED}|{ASSIGNED}))*", rule), (
            rule
        )
        # Comparisons first, or a reader takes an assignment for a condition.
        kinds = [bool(re.fullmatch(ASSIGNED, part.strip())) for part in rule.split(",")]
        assert kinds == sorted(kinds)
    jumps = {re.search(r'GOTO="(\w+)"', rule).group(1) for rule in rules if "GOTO" in rule}  # type: ignore[union-attr]
    labels = {m.group(1) for rule in rules if (m := re.search(r'LABEL="(\w+)"', rule))}
    assert jumps == labels
    naming = [rule for rule in rules if "SYMLINK" in rule]
    assert len(naming) == 2
    for rule in naming:
        for part in (
            'SYMLINK+="coilbench-rig"',
            'TAG+="uaccess"',
            'GROUP="dialout"',
            'MODE="0660"',
        ):
            assert part in rule


def test_rule_comes_before_the_one_that_grants_access() -> None:
    assert int(RULES.name.split("-")[0]) < 73  # systemd's 73-seat-late.rules acts on uaccess


def verify(unit_text: str, folder: Path) -> str:
    """What systemd-analyze has to say against a unit; it reports unknown keys, but exits with 0."""
    analyze = tool("systemd-analyze", package="systemd")
    folder.chmod(0o700)
    unit = folder / "coilbench@.service"
    # It also looks for the program, which is not at home here.
    assert "%h/.local/bin/coilbench" in unit_text
    unit.write_text(unit_text.replace("%h/.local/bin/coilbench", "/bin/true"), encoding="utf-8")
    done = subprocess.run(
        [analyze, "--user", "verify", str(folder / "coilbench@larch.service")],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "XDG_RUNTIME_DIR": str(folder), "HOME": str(folder)},
    )
    return done.stdout + done.stderr + ("" if done.returncode == 0 else f"exit {done.returncode}")


def test_systemd_accepts_the_unit(tmp_path: Path) -> None:
    assert verify(UNIT.read_text(encoding="utf-8"), tmp_path) == ""


def test_systemd_would_find_a_misspelt_key(tmp_path: Path) -> None:
    broken = UNIT.read_text(encoding="utf-8").replace("KillMode=", "KilMode=")
    assert "KilMode" in verify(broken, tmp_path)


def test_unit_does_what_the_page_says() -> None:
    unit = UNIT.read_text(encoding="utf-8")
    for line in (
        "ExecStart=%h/.local/bin/coilbench daemon --port ${COILBENCH_PORT} --set %I",
        "Restart=on-failure",
        "RestartPreventExitStatus=2",
        "KillSignal=SIGTERM",
        "EnvironmentFile=%E/coilbench/daemon.env",
    ):
        assert line in unit.splitlines()
    # These would hide the port, the book or the group's rights from a user's own service.
    for hides in ("PrivateDevices", "PrivateUsers", "DeviceAllow", "ProtectHome", "DynamicUser"):
        assert not re.search(rf"^{hides}=", unit, re.MULTILINE)


def test_port_has_the_rules_name_everywhere() -> None:
    address = "serial:///dev/coilbench-rig?baud=250000"
    assert f"COILBENCH_PORT={address}\n" in (SERVICE / "daemon.env").read_text(encoding="utf-8")
    assert address in PAGE


def test_page_installs_and_removes_each_file() -> None:
    for name in (UNIT.name, RULES.name, "daemon.env"):
        assert f"service/{name}" in PAGE
        assert (SERVICE / name).is_file()
    assert "sudo rm /etc/udev/rules.d/70-coilbench-rig.rules" in PAGE
    assert "rm ~/.config/systemd/user/coilbench@.service" in PAGE
