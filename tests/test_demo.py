"""The demo, as a newcomer runs it."""

import subprocess
import sys

import pytest


@pytest.mark.slow
def test_the_demo_holds_and_leaves_its_files(tmp_path):
    words = [sys.executable, "-m", "dncd", "demo", "--keep", str(tmp_path / "kept")]
    done = subprocess.run(words, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "all held" in done.stdout
    assert "Traceback" not in done.stdout + done.stderr
    assert (tmp_path / "kept" / "state" / "library.git" / "HEAD").is_file()
