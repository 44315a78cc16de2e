"""The unit against systemd's own tools (Debian package systemd): clean, and exposed to no more than 2.0."""

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

UNIT = Path(__file__).parent.parent / "systemd" / "dncd.service"
UNITS = (UNIT, UNIT.with_name("dncd-page.service"))
pytestmark = pytest.mark.skipif(
    shutil.which("systemd-analyze") is None, reason="systemd-analyze is not on this machine"
)


def analyze(*words):
    return subprocess.run(["systemd-analyze", *words], capture_output=True, text=True, timeout=120, check=False)


each_unit = pytest.mark.parametrize("shipped", UNITS, ids=lambda unit: unit.stem)


@each_unit
def test_verify_is_clean(tmp_path, shipped):
    unit = tmp_path / shipped.name  # the program itself is not installed here: any that exists stands for it
    unit.write_text(shipped.read_text().replace("/opt/dncd/bin/dncd", sys.executable))
    done = analyze("verify", "--recursive-errors=no", "--man=no", str(unit))
    assert done.returncode == 0, done.stderr
    assert shipped.name not in done.stderr


@each_unit
def test_exposure(shipped):
    done = analyze("security", "--offline=true", "--no-pager", str(shipped))
    found = re.search(rf"Overall exposure level for {re.escape(shipped.name)}: ([\d.]+)", done.stdout)
    if found is None:
        pytest.skip(f"this systemd-analyze cannot rate a file: {done.stderr.strip()[:200]}")
    assert float(found[1]) <= 2.0


SETTING = re.compile(r"[A-Z][A-Za-z]+=")


@each_unit
def test_every_line_has_its_reason_above_it(shipped):
    """Each setting of [Service] but ExecStart stands under a comment, at most three settings under one."""
    body = shipped.read_text().split("[Service]")[1].split("[Install]")[0]
    under, bare = 99, []
    for line in body.splitlines():
        if line.startswith("#"):
            under = 0
        elif not line:
            under = 99
        elif SETTING.match(line):
            under += 1
            if under > (4 if "DeviceAllow" in line else 3) and not line.startswith("ExecStart="):
                bare.append(line)
    assert bare == []


def test_the_page_may_write_nowhere_and_has_no_port():
    """Whatever a broken page would do: the group that lets it read lets others write in the shop's folder."""
    said = dict(line.split("=", 1) for line in UNITS[1].read_text().splitlines() if SETTING.match(line))
    assert (said["User"], said["Group"], said["SupplementaryGroups"]) == ("dncd-page", "dncd-page", "dncd")
    assert (said["ProtectSystem"], said["PrivateDevices"], said["CapabilityBoundingSet"]) == ("strict", "yes", "")
    assert not {"ReadWritePaths", "StateDirectory", "RuntimeDirectory", "CacheDirectory", "LogsDirectory"} & said.keys()
    limits = re.compile(r"^(?:Protect|Restrict|Private|SystemCall|Lock|Memory|NoNew)\w+=", re.MULTILINE)
    kept = [set(limits.findall(unit.read_text())) for unit in UNITS]
    assert kept[0] - {"ProtectSystem="} <= kept[1], "it is held at least as short as the service"


def test_the_unit_works_on_debian_12():
    """systemd 252 knows no Type=notify-reload (new in 253; from memory of its NEWS), so the command reloads."""
    unit = UNIT.read_text()
    assert "\nType=notify\n" in unit
    assert "ExecReload=/opt/dncd/bin/dncd --config /etc/dncd/dncd.toml reload" in unit


@pytest.mark.skipif(shutil.which("systemd-sysusers") is None, reason="systemd-sysusers is not on this machine")
def test_the_user_and_its_group_are_made(tmp_path):
    """By systemd's own tool, in an empty root, as if it were done."""
    (tmp_path / "usr/lib/sysusers.d").mkdir(parents=True)
    (tmp_path / "usr/lib/sysusers.d/dncd.conf").write_text((UNIT.parent / "dncd.sysusers").read_text())
    (tmp_path / "etc").mkdir()
    words = ["systemd-sysusers", f"--root={tmp_path}", "--dry-run"]
    done = subprocess.run(words, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr
    assert "Creating user 'dncd'" in done.stderr
    assert "Creating user 'dncd-page'" in done.stderr
    assert "Creating group 'dialout'" in done.stderr
