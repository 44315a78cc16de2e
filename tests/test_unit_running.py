"""The unit under a running systemd, as the README's install section has it: start, drop, reload, hang, stop.

Held against systemd itself: what `systemctl` and the journal say. Only the watchdog's time is shorter than in the unit.
"""

import json
import shutil
import signal
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from boxed_systemd import PYTHON, Box, boxed, wait_for, why_not

pytestmark = [pytest.mark.slow, pytest.mark.skipif(bool(why_not()), reason=why_not() or "all is there")]

SOURCE = Path(__file__).parent.parent
FOLDER = "/srv/shop/gang-lathe"
SETTINGS = """
[shop]
folder = "/srv/shop"
state = "/var/lib/dncd"
[machines.gang-lathe]
profile = "iso-tape"
line.port = "/run/standin/gang-lathe"
line.baud = 4800
"""
SHORT = "%\nO0004\n" + "".join(f"N{n} G01 X{n}.\n" for n in range(10)) + "M30\n%\n"
LONG = "%\nO0007\n" + "".join(f"N{n} G01 X{n}. Z-1.5\n" for n in range(900)) + "M30\n%\n"


@pytest.fixture
def box(tmp_path: Path) -> Iterator[Box]:
    """Everything where the install section puts it, but that the program comes from this source."""
    files = tmp_path / "files"
    for name, where in {
        "dncd.service": "etc/systemd/system/dncd.service",
        "dncd-page.service": "etc/systemd/system/dncd-page.service",
        "dncd.sysusers": "usr/lib/sysusers.d/dncd.conf",
        "dncd.tmpfiles": "usr/lib/tmpfiles.d/dncd.conf",
    }.items():
        (files / where).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(SOURCE / "systemd" / name, files / where)
    program = files / "opt/dncd/bin/dncd"
    program.parent.mkdir(parents=True)
    program.write_text(
        "#!/bin/sh\nexport PYTHONPATH=/opt/dncd/source:/opt/dncd/packages LD_LIBRARY_PATH=/opt/dncd/python/lib\n"
        f'exec {PYTHON} -B -m dncd "$@"\n'
    )
    program.chmod(0o755)
    shutil.copytree(SOURCE / "dncd", files / "opt/dncd/source/dncd", ignore=shutil.ignore_patterns("__pycache__"))
    (files / "etc/dncd").mkdir()
    (files / "etc/dncd/dncd.toml").write_text(SETTINGS)
    drop_in = files / "etc/systemd/system/dncd.service.d/short.conf"
    drop_in.parent.mkdir()
    drop_in.write_text("[Service]\nWatchdogSec=4\n")
    with boxed(tmp_path, files) as found:
        yield found


def drop(box: Box, name: str, text: str) -> None:
    """As somebody of the office does, who is no more than a member of the group."""
    words = box.words("sh", "-c", f"umask 022; cat > {FOLDER}/to-machine/{name}", user="office")
    subprocess.run(words, input=text, text=True, timeout=120, check=True)
    assert wait_for(lambda: name in line(box)["waiting"], 120)


def line(box: Box) -> dict:
    return json.loads(box.ok("/opt/dncd/bin/dncd", "status", "--json", user="office"))["machines"]["gang-lathe"]


def is_under_way(box: Box) -> bool:
    return line(box)["state"] == "sending" and line(box)["transfer"]["chars"] > 100


def receipt(box: Box, name: str) -> str:
    path = f"{FOLDER}/{name}.receipt.txt"
    assert wait_for(lambda: box.run("test", "-e", path).returncode == 0, 120), name
    return box.ok("cat", path, user="office")


def test_a_day_of_the_unit(box: Box) -> None:
    box.ok("systemd-sysusers")
    box.ok("systemd-tmpfiles", "--create", "dncd.conf")
    box.ok("useradd", "--groups", "dncd", "office")
    box.ok("install", "-d", "-o", "dncd", "/run/standin")
    standin = ["/opt/dncd/bin/dncd", "standin", "--profile", "iso-tape", "--link", "/run/standin/gang-lathe"]
    operator = subprocess.Popen(
        box.words(*standin, user="dncd"), stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True, bufsize=1
    )
    with operator:
        try:
            assert wait_for(lambda: box.run("test", "-e", "/run/standin/gang-lathe").returncode == 0, 120)
            _day(box, operator)
        finally:
            operator.kill()


def _day(box: Box, operator: subprocess.Popen) -> None:
    def key(word: str) -> None:
        operator.stdin.write(f"{word}\n")

    # start: active when ready, and not before
    box.ok("systemctl", "start", "dncd")
    assert box.shown("ActiveState") == "active"
    assert box.shown("StatusText") == "1 machine: 1 listening"

    # a file of the office goes out, and what comes of it is the office's to take
    drop(box, "0004.nc", SHORT)
    key("read")
    assert "result: sent\n" in receipt(box, "sent/0004.nc")
    box.ok("rm", f"{FOLDER}/sent/0004.nc", f"{FOLDER}/sent/0004.nc.receipt.txt", user="office")
    assert box.run("sh", "-c", "echo x >> /var/lib/dncd/ledger/*.jsonl", user="office").returncode != 0
    assert box.run("touch", "/var/lib/dncd/library.git/hooks/pre-push", user="office").returncode != 0

    # reload: a good file holds, a bad one is refused with its reason and changes nothing
    box.ok("sed", "-i", "s/4800/2400/", "/etc/dncd/dncd.toml")
    box.ok("systemctl", "reload", "dncd")
    box.ok("sed", "-i", "s/2400/2401/", "/etc/dncd/dncd.toml")
    assert box.run("systemctl", "reload", "dncd").returncode != 0
    assert "baud = 2401" in box.ok("journalctl", "--unit=dncd", "--output=cat")
    assert box.shown("ActiveState") == "active"
    box.ok("sed", "-i", "s/2401/4800/", "/etc/dncd/dncd.toml")
    box.ok("systemctl", "reload", "dncd")
    assert wait_for(lambda: line(box)["state"] == "listening", 120)

    # it hangs in the middle of a sending: killed, started again, told, and nothing is sent a second time
    drop(box, "0007.nc", LONG)
    key("read")
    assert wait_for(lambda: is_under_way(box), 120)
    fed, first = box.shown("WatchdogTimestampMonotonic"), box.shown("MainPID")
    assert wait_for(lambda: box.shown("WatchdogTimestampMonotonic") != fed, 120)
    box.ok("kill", f"-{signal.SIGSTOP.value}", first)
    assert wait_for(lambda: box.shown("NRestarts") == "1" and box.shown("ActiveState") == "active", 120)
    assert box.shown("MainPID") != first
    assert "Failed with result 'watchdog'" in box.ok("journalctl", "--unit=dncd", "--output=cat")
    said = receipt(box, "refused/0007.nc")
    assert "result: interrupted\n" in said
    assert "handed over: not known" in said
    assert wait_for(lambda: (line(box)["state"], line(box)["waiting"]) == ("listening", []), 120)
    assert "0007.nc was being sent" in box.ok("journalctl", "--unit=dncd", "--output=cat", "--priority=warning")

    # stop in the middle of another one: at once, with its receipt
    key("reset")
    drop(box, "0008.nc", LONG)
    key("read")
    assert wait_for(lambda: is_under_way(box), 120)
    box.ok("systemctl", "stop", "dncd")
    assert (box.shown("Result"), box.shown("ExecMainStatus")) == ("success", "0")
    said = receipt(box, "refused/0008.nc")
    assert "the service was stopped in the middle of the sending" in said
    assert "result: interrupted\n" in said
    assert "0 problems found" in box.ok("/opt/dncd/bin/dncd", "verify", user="office")


PAGE = """
[page]
listen = "127.0.0.1:8750"
names = "dncd.shop.lan"
certificate = "page.pem"
key = "page.key"
"""

FETCH = """
import http.client, ssl, sys, urllib.parse
here = "127.0.0.1:8750"
page = http.client.HTTPSConnection(here, context=ssl.create_default_context(cafile="/etc/dncd/page.pem"))
form = urllib.parse.urlencode({"name": "A. Miller", "phrase": "copper lathe seven rain"})
kind = "application/x-www-form-urlencoded"
page.request("POST", "/sign-on", form, {"origin": f"https://{here}", "content-type": kind})
answer = page.getresponse()
answer.read()
page.request("GET", "/", headers={"cookie": answer.headers["set-cookie"].partition(";")[0]})
print(answer.status, page.getresponse().read().decode())
"""

SOCKET = """
import json, socket, sys
sock = socket.socket(socket.AF_UNIX)
sock.settimeout(60)
sock.connect(sys.argv[1])
sock.sendall(b'{"do": "status"}\\n')
print(sock.recv(100).decode())
"""


@pytest.mark.skipif(shutil.which("openssl") is None, reason="makes a certificate with openssl")
def test_the_page_under_its_own_user(box: Box) -> None:
    box.ok("systemd-sysusers")
    box.ok("systemd-tmpfiles", "--create", "dncd.conf")
    subject = ("-subj", "/CN=box", "-addext", "subjectAltName=IP:127.0.0.1")
    pair = ("-keyout", "/etc/dncd/page.key", "-out", "/etc/dncd/page.pem")
    box.ok("openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", *subject, *pair)
    box.ok("sh", "-c", f"printf '{PAGE}' >> /etc/dncd/dncd.toml; chmod 640 /etc/dncd/page.key")

    # before the service ran once; and a key that the page's user may not read
    told = box.run(
        "/opt/dncd/bin/dncd", "people", "add", "A. Miller", "--role", "look", typed="copper lathe seven rain\n"
    )
    assert told.returncode == 0, told.stderr
    assert box.run("systemctl", "start", "dncd-page").returncode != 0
    assert "/etc/dncd/page.key: it cannot be read: Permission denied" in box.ok("journalctl", "--unit=dncd-page")
    box.ok("chgrp", "dncd-page", "/etc/dncd/page.key")
    box.ok("systemctl", "reset-failed", "dncd-page")
    box.ok("systemctl", "start", "dncd-page")
    box.ok("systemctl", "start", "dncd")
    assert box.shown("ActiveState", "dncd-page") == "active"
    assert wait_for(lambda: "gang-lathe" in box.ok(PYTHON, "-c", FETCH), 120)
    assert box.ok(PYTHON, "-c", FETCH)[:4] == "303 "

    # what a broken page could do: as its user with its groups, within what its unit leaves of the files
    pid = box.shown("MainPID", "dncd-page")
    within = (
        "nsenter",
        f"--target={pid}",
        "--mount",
        "--root",
        "setpriv",
        "--reuid=dncd-page",
        "--regid=dncd-page",
        "--groups=dncd",
    )
    assert '"ok"' in box.ok(*within, PYTHON, "-c", SOCKET, "/var/lib/dncd/page/dncd.sock")
    turned_away = box.run(*within, PYTHON, "-c", SOCKET, "/var/lib/dncd/dncd.sock")
    assert '"ok"' not in turned_away.stdout
    for place in (
        "/var/lib/dncd/page/people.json",
        "/var/lib/dncd/x",
        f"{FOLDER}/to-machine/x.nc",
        "/etc/dncd/x",
        "/run/x",
    ):
        assert box.run(*within, "touch", place).returncode != 0, place

    # renewed, and stopped
    box.ok("systemctl", "reload", "dncd-page")
    assert box.shown("MainPID", "dncd-page") == pid
    box.ok("systemctl", "stop", "dncd-page")
    assert (box.shown("Result", "dncd-page"), box.shown("ActiveState")) == ("success", "active")
