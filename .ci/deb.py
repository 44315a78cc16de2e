"""Builds the Debian package of this source: `python .ci/deb.py DIR` writes DIR/dncd_VERSION_all.deb.

The libraries come along under /usr/lib/dncd, those without machine code, so that one package is right for every computer
with Python 3.11 or later, whatever versions its distribution has. Wants pip with its registry, and dpkg-deb.
"""

import email
import gzip
import os
import re
import shutil
import subprocess
import sys
import tempfile
import zipfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))
import man

SOURCE = Path(__file__).resolve().parent.parent

BESIDE = ("typing_extensions",)
"""What a library wants of older Pythons alone: pip asks the Python that it runs in for that, not the one it installs for."""

CONTROL = """\
Package: dncd
Version: {version}
Architecture: all
Maintainer: the dncd contributors <dncd@localhost>
Section: net
Priority: optional
Depends: python3 (>= 3.11), systemd | systemd-standalone-sysusers, git
Description: part programs between the office and machine-tool controls
 A service that gets part programs from a shared folder over RS-232 into old
 controls and the operators' edits back, with a receipt for each.
"""

EXTRAS = ("qr",)
"""What the package has beside what dncd cannot do without."""

PROGRAM = """\
#!/bin/sh
PYTHONPATH=/usr/lib/dncd PYTHONSAFEPATH=1 exec /usr/bin/python3 -m dncd "$@"
"""

POSTINST = """\
#!/bin/sh
set -e
[ "$1" = configure ] || exit 0
systemd-sysusers ${DPKG_ROOT:+--root="$DPKG_ROOT"} dncd.conf
systemd-tmpfiles ${DPKG_ROOT:+--root="$DPKG_ROOT"} --create dncd.conf || true
if [ -d /run/systemd/system ] && [ -z "$DPKG_ROOT" ]; then systemctl daemon-reload; fi
if [ -z "$2" ]; then
    echo "dncd: put your machines into /etc/dncd/dncd.toml, try dncd check-config, then systemctl enable --now dncd"
else
    echo "dncd: when no line sends (dncd status), systemctl restart dncd; systemctl try-restart dncd-page"
fi
"""

PRERM = """\
#!/bin/sh
set -e
if [ "$1" = remove ] && [ -d /run/systemd/system ] && [ -z "$DPKG_ROOT" ]; then
    systemctl disable --now dncd dncd-page || true
fi
find "$DPKG_ROOT/usr/lib/dncd" -name __pycache__ -prune -exec rm -rf {} +
"""

POSTRM = """\
#!/bin/sh
set -e
if [ -d /run/systemd/system ] && [ -z "$DPKG_ROOT" ]; then systemctl daemon-reload; fi
if [ "$1" = purge ]; then
    rmdir "$DPKG_ROOT/etc/dncd" 2>/dev/null || true
    echo "dncd: the records in /var/lib/dncd and the shop's folder stay; remove them yourself if nobody wants them"
fi
"""


def run(*words: object, **env: str) -> str:
    done = subprocess.run([str(w) for w in words], check=True, stdout=subprocess.PIPE, text=True, env=os.environ | env)
    return done.stdout


def requirements(wheel: Path) -> list[str]:
    """What the wheel's own metadata asks for, with those of the extras that belong to the package."""
    with zipfile.ZipFile(wheel) as files:
        (name,) = (name for name in files.namelist() if name.endswith(".dist-info/METADATA"))
        said = email.message_from_bytes(files.read(name)).get_all("Requires-Dist", [])
    asked = [need.partition(" ; extra ==") for need in said]
    return [need for need, extra, name in asked if not extra or name.strip(" '\"") in EXTRAS]


def fill(root: Path, wheel: Path | None) -> str:
    """Lays everything out under `root`; gives the version."""
    library = root / "usr/lib/dncd"
    with tempfile.TemporaryDirectory() as wheels:
        if wheel is None:
            run(sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "-w", wheels, SOURCE)
            (wheel,) = Path(wheels).glob("dncd-*.whl")
        # no machine code: those of watchdog name a kind of computer, and have none for Linux all the same
        pure = ("--only-binary", ":all:", "--implementation", "py", "--abi", "none", "--python-version", "3.11")
        platforms = ("--platform", "any", "--platform", "manylinux2014_x86_64")
        pip = (sys.executable, "-m", "pip", "install", "-q", "--no-compile", "--target", library)
        needs = [need for need in requirements(wheel) if not need.startswith("jinja2")]
        run(*pip, *pure, *platforms, *needs, *BESIDE)
        run(*pip, *pure, "--no-deps", wheel, *(need for need in requirements(wheel) if need.startswith("jinja2")))
        # this one has wheels with machine code alone, and does without it
        run(*pip, "--no-deps", "--only-binary", ":all:", "--python-version", "3.11", *platforms[2:], "markupsafe")
        for code in (*library.glob("markupsafe/_speedups*"), *library.glob("[Mm]arkup[Ss]afe-*/RECORD")):
            code.unlink()
    assert not list(library.rglob("*.so"))
    shutil.rmtree(library / "bin", ignore_errors=True)
    next(library.glob("dncd-*.dist-info/direct_url.json")).unlink()  # where this computer had it
    program = root / "usr/bin/dncd"
    program.parent.mkdir(parents=True)
    program.write_text(PROGRAM)
    program.chmod(0o755)
    dncd = {"PYTHONPATH": str(library), "PYTHONSAFEPATH": "1", "PYTHONDONTWRITEBYTECODE": "1"}
    words = (sys.executable, "-m", "dncd")
    run(*words, "unit", "--into", root, "--program", "/usr/bin/dncd", **dncd)
    for unit in (root / "usr/lib/systemd/system").iterdir():
        unit.write_text(re.sub("^Documentation=.*$", "Documentation=man:dncd(1)", unit.read_text(), flags=re.MULTILINE))
    completions = {"bash": "bash-completion/completions/dncd", "zsh": "zsh/vendor-completions/_dncd"}
    for shell, place in {**completions, "fish": "fish/vendor_completions.d/dncd.fish"}.items():
        target = root / "usr/share" / place
        target.parent.mkdir(parents=True)
        target.write_text(run(*words, "completion", shell, **dncd))
    for page in man.write(root / "usr/share/man/man1"):
        page.with_suffix(".1.gz").write_bytes(gzip.compress(page.read_bytes(), mtime=0))
        page.unlink()
    settings = root / "etc/dncd/dncd.toml"
    settings.parent.mkdir(parents=True)
    text = (SOURCE / "config/dncd.toml").read_text("utf-8")
    for key, path in (("folder", "/srv/shop"), ("state", "/var/lib/dncd")):
        text, found = re.subn(rf"^{key} = .*$", f'{key} = "{path}"', text, count=1, flags=re.MULTILINE)
        assert found, key
    settings.write_text(text, "utf-8")
    for name, place in {"LICENSE": "copyright", "CHANGELOG.md": "CHANGELOG.md", "README.md": "README.md"}.items():
        shutil.copy(SOURCE / name, root / "usr/share/doc/dncd" / place)
    return run(*words, "--version", **dncd).split()[1]


def build(folder: Path, wheel: Path | None = None) -> Path:
    """Gives the package's path. wheel: where this source has been built before."""
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as temporary:
        root = Path(temporary) / "root"
        version = fill(root, wheel)
        control = root / "DEBIAN"
        control.mkdir()
        (control / "control").write_text(CONTROL.format(version=version))
        (control / "conffiles").write_text("/etc/dncd/dncd.toml\n")
        for name, text in {"postinst": POSTINST, "prerm": PRERM, "postrm": POSTRM}.items():
            (control / name).write_text(text)
            (control / name).chmod(0o755)
        for path in root.rglob("*"):  # whatever the umask of whoever builds it
            path.chmod(0o755 if path.is_dir() or path.stat().st_mode & 0o100 else 0o644)
        package = folder / f"dncd_{version}_all.deb"
        run("dpkg-deb", "--root-owner-group", "--build", root, package)
    return package


if __name__ == "__main__":
    print(build(Path(sys.argv[1])))
