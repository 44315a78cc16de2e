"""The demo, as a newcomer runs it."""

import re
import signal
import subprocess
import sys
import urllib.error
import urllib.request

import pytest
from house import ENV
from trial_operator import Talk


@pytest.mark.slow
def test_the_demo_holds_and_leaves_its_files(tmp_path):
    words = [sys.executable, "-m", "dncd", "demo", "--keep", str(tmp_path / "kept")]
    done = subprocess.run(words, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "all held" in done.stdout
    assert "Traceback" not in done.stdout + done.stderr
    assert (tmp_path / "kept" / "state" / "library.git" / "HEAD").is_file()


@pytest.mark.slow
def test_the_demo_can_be_looked_at_on_the_page_until_ctrl_c(tmp_path):
    talk = Talk((sys.executable, "-m", "dncd", "demo", "--page"), tmp_path, {**ENV, "TMPDIR": str(tmp_path)})
    talk.wait_for(lambda: "The shop goes on until ctrl-C." in talk.said, "it does not come to an end")
    url = re.search(r"http://127\.0\.0\.1:\d+/", talk.said)[0]
    with urllib.request.urlopen(url, timeout=20) as answer:
        assert "Gang lathe, bay 2" in answer.read().decode()
    talk.process.send_signal(signal.SIGINT)
    assert talk.close() == 0, talk.said
    assert "all held" in talk.said
    with pytest.raises(urllib.error.URLError):
        urllib.request.urlopen(url, timeout=20)
    assert list(tmp_path.iterdir()) == []
