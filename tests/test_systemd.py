"""The unit against systemd's own tools (Debian package systemd): clean, and exposed to no more than 2.0."""

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

UNIT = Path(__file__).parent.parent / "systemd" / "dncd.service"
pytestmark = pytest.mark.skipif(
    shutil.which("systemd-analyze") is None, reason="systemd-analyze is not on this machine"
)


def analyze(*words):
    return subprocess.run(["systemd-analyze", *words], capture_output=True, text=True, timeout=60, check=False)


def test_verify_is_clean(tmp_path):
    unit = tmp_path / "dncd.service"  # the program itself is not installed here: any that exists stands for it
    unit.write_text(UNIT.read_text().replace("/opt/dncd/bin/dncd", sys.executable))
    done = analyze("verify", "--recursive-errors=no", "--man=no", str(unit))
    assert done.returncode == 0, done.stderr
    assert "dncd.service" not in done.stderr


def test_exposure():
    done = analyze("security", "--offline=true", "--no-pager", str(UNIT))
    found = re.search(r"Overall exposure level for dncd\.service: ([\d.]+)", done.stdout)
    if found is None:
        pytest.skip(f"this systemd-analyze cannot rate a file: {done.stderr.strip()[:200]}")
    assert float(found[1]) <= 2.0


def test_every_hardening_line_has_its_reason_above_it():
    """Each group of settings in [Service] stands under a comment."""
    body = UNIT.read_text().split("[Service]")[1].split("[Install]")[0]
    groups = [group for group in body.strip().split("\n\n") if "Restrict" in group or "Protect" in group]
    assert groups
    assert all(group.startswith("#") for group in groups)
