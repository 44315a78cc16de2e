"""What is built of this source, and with which versions it works: empty environments, as a user's or a packager's."""

import importlib.metadata
import importlib.util
import os
import re
import shlex
import shutil
import subprocess
import sys
import sysconfig
import tarfile
import zipfile
from html.parser import HTMLParser
from pathlib import Path
from types import ModuleType

import click
import pytest
from packaging.requirements import Requirement

from dncd import __version__
from dncd.cli import main
from dncd.cli.commands import LATE, LINE, PEOPLE
from dncd.cli.late_group import EXAMPLES, group
from dncd.cli.packaged import TOPICS, title_of, topic_text
from dncd.records.library import Text, Writer
from dncd.service import page_door
from dncd.values import Origin

ROOT = Path(__file__).resolve().parent.parent


def loaded(name: str) -> ModuleType:
    """A program of .ci/, which is no package."""
    spec = importlib.util.spec_from_file_location(name, ROOT / ".ci" / f"{name}.py")
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def run(*words: object, **more: object) -> str:
    """Standard output of a program that ends well; what it said is shown where it does not."""
    done = subprocess.run([str(w) for w in words], capture_output=True, text=True, check=False, **more)  # type: ignore[call-overload]
    assert done.returncode == 0, f"{words}\n{done.stdout[-3000:]}\n{done.stderr[-3000:]}"
    return str(done.stdout)


def test_every_library_has_a_lowest_version(tmp_path: Path) -> None:
    assert [line for line in loaded("lowest").lowest() if "==" not in line] == []
    project = tmp_path / "pyproject.toml"
    project.write_text('[project]\ndependencies = ["click"]\n')
    with pytest.raises(ValueError, match="no lower bound"):
        loaded("lowest").lowest(project)


def test_the_debian_package_brings_what_a_library_wants_of_some_pythons_alone() -> None:
    """pip asks for that the Python that it runs in: the package is for 3.11 and later, wherever it is built."""
    sometimes, open_ = set(), ["dncd"]
    while open_:
        for need in map(Requirement, importlib.metadata.requires(open_.pop()) or ()):
            wanted = {
                not need.marker or need.marker.evaluate({"python_version": f"3.{minor}", "extra": ""})
                for minor in range(11, 16)
            }
            open_ += [need.name] if wanted == {True} else []
            sometimes |= {need.name.replace("-", "_")} if len(wanted) == 2 else set()
    assert sometimes == set(loaded("deb").BESIDE)


# --- sdist and wheel -------------------------------------------------------------------------------------------------


def built(source: Path, into: Path) -> tuple[Path, Path]:
    """sdist and wheel of a source, made without any network."""
    into.mkdir()
    code = "import sys; from flit_core.buildapi import *; print(build_sdist(sys.argv[1]), build_wheel(sys.argv[1]))"
    sdist, wheel = run(sys.executable, "-c", code, into, cwd=source).split()
    return into / sdist, into / wheel


@pytest.fixture(scope="session")
def source(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What the sdist holds, unpacked."""
    folder = tmp_path_factory.mktemp("packages")
    sdist, _ = built(ROOT, folder / "sdist")
    with tarfile.open(sdist) as tar:
        tar.extractall(folder, filter="data")
    return folder / sdist.name.removesuffix(".tar.gz")


@pytest.fixture(scope="session")
def wheel(source: Path) -> Path:
    return built(source, source.parent / "wheel")[1]


@pytest.mark.slow
def test_sdist_and_wheel_are_whole(source: Path, wheel: Path) -> None:
    for name in ("README.md", "CHANGELOG.md", "DEVELOPERS.md", "LICENSE", "config/dncd.toml", "systemd/dncd.service"):
        assert (source / name).read_bytes() == (ROOT / name).read_bytes()
    assert (source / "tests/test_packages.py").is_file()
    assert (source / ".ci/deb.py").is_file()
    with zipfile.ZipFile(wheel) as files:
        names = set(files.namelist())
        metadata = files.read(f"dncd-{__version__}.dist-info/METADATA").decode()
    files_here = [p for p in (ROOT / "dncd").rglob("*") if p.is_file() and p.parent.name != "__pycache__"]
    assert {str(p.relative_to(ROOT)) for p in files_here} <= names
    assert {"dncd/py.typed", "dncd/outside/profiles/iso-tape.toml", "dncd/manual/upkeep.md"} <= names
    assert f"\nVersion: {__version__}\n" in metadata
    assert "\nKeywords: " in metadata


@pytest.mark.slow
def test_the_wheel_does_the_whole_job_with_the_lowest_versions(wheel: Path, tmp_path: Path) -> None:
    """In an empty environment, with the oldest libraries that pyproject.toml says to work, in an ASCII locale."""
    constraints = tmp_path / "lowest.txt"
    constraints.write_text("\n".join(loaded("lowest").lowest()) + "\n")
    run(sys.executable, "-m", "venv", "--without-pip", tmp_path / "venv")
    bin_ = tmp_path / "venv/bin"
    pip = (sys.executable, "-m", "pip", "--python", bin_ / "python")
    run(*pip, "install", "-q", "-c", constraints, wheel)
    frozen = run(*pip, "freeze").lower().splitlines()
    assert [low for low in loaded("lowest").lowest() if not any(each.startswith(low) for each in frozen)] == []

    assert run(bin_ / "dncd", "--version") == f"dncd {__version__}\n"
    unit = run(bin_ / "dncd", "unit", cwd=tmp_path)
    assert unit == (ROOT / "systemd/dncd.service").read_text("utf-8").replace("/opt/dncd/bin/dncd", str(bin_ / "dncd"))
    assert run(bin_ / "dncd", "manual", "sending", cwd=tmp_path) == topic_text("sending")
    assert run(bin_ / "dncd", "unit", "dncd.toml") == (ROOT / "config/dncd.toml").read_text("utf-8")
    narrow = {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0", "PATH": os.environ["PATH"]}
    run(bin_ / "dncd", "demo", cwd=tmp_path, env=narrow)

    (packages,) = (tmp_path / "venv/lib").glob("python*/site-packages")
    (packages / "test-tools.pth").write_text(sysconfig.get_path("purelib"))  # behind those of the environment itself
    tests = ("-p", "no:cacheprovider", "tests/test_cli.py", "tests/test_page_html.py")
    code = "import sys, dncd, pytest; print(dncd.__file__); sys.exit(pytest.main(sys.argv[1:]))"
    # not from this folder, or its dncd would be the one that is tried
    said = run(bin_ / "python", "-P", "-c", code, *tests, cwd=ROOT)
    assert said.startswith(str(packages))


SYSTEM = """\
set -e
apt() { :; }
systemd-sysusers() { test -f "$ROOT/usr/lib/sysusers.d/dncd.conf"; }
systemd-tmpfiles() { test -f "$ROOT/usr/lib/tmpfiles.d/dncd.conf"; mkdir -p "$ROOT/srv/shop" "$ROOT/var/lib/dncd"; }
editor() { sed -i "s,^folder = .*,folder = \\"$ROOT/srv/shop\\",; s,^state = .*,state = \\"$ROOT/var/lib/dncd\\"," "$1"; }
systemctl() {
    case "$1" in
    enable) dncd run 2> "$ROOT/run.log" & until dncd status > /dev/null 2>&1; do kill -0 $!; done ;;
    status) dncd status; kill $!; wait $! ;;
    esac
}
"""
"""A computer without systemd, under another root: it has what the files for systemd would make."""


@pytest.mark.slow
def test_the_installation_typed_as_it_stands(source: Path, tmp_path: Path) -> None:
    typed = topic_text("install").split("```\n")[1]
    for place in ("/opt/dncd", "/usr/local/bin/", "/etc/dncd"):
        typed = typed.replace(place, f"{tmp_path}{place}")
    typed = typed.replace("--into /", f"--into {tmp_path}")
    (local := tmp_path / "usr/local/bin").mkdir(parents=True)
    settings = {"DNCD_CONFIG": str(tmp_path / "etc/dncd/dncd.toml"), "ROOT": str(tmp_path)}
    env = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"} | settings
    env["PATH"] = f"{local}:{Path(sys.executable).resolve().parent}:/usr/bin:/bin:/usr/sbin"
    said = run("bash", "-c", SYSTEM + typed, cwd=source, env=env)
    assert "No faults. 1 machine" in said
    assert "gang-lathe" in said.rpartition("No faults")[2]
    assert (tmp_path / "opt/dncd/share/doc/dncd/README.md").is_file()
    assert (tmp_path / "srv/shop/gang-lathe/to-machine").is_dir()


SHIPPED = ROOT / "dncd/cli/shipped"


def test_the_files_that_come_with_dncd_are_printed_and_installed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["unit", "--into", str(tmp_path), "--program", "/usr/bin/dncd"]) == 0
    written = [Path(line) for line in capsys.readouterr().out.splitlines()]
    assert len(written) == len(list(SHIPPED.iterdir()))
    assert set(written) == {path for path in tmp_path.rglob("*") if path.is_file()}
    text = (tmp_path / "usr/lib/systemd/system/dncd.service").read_text("utf-8")
    assert "ExecStart=/usr/bin/dncd --config" in text
    assert "/opt/dncd/bin" not in text
    assert (tmp_path / "usr/lib/sysusers.d/dncd.conf").read_bytes() == (ROOT / "systemd/dncd.sysusers").read_bytes()
    (tmp_path / "file").touch()
    assert main(["unit", "--into", str(tmp_path / "file")]) == 1
    assert "Run it as root" in capsys.readouterr().err


# --- manual pages ----------------------------------------------------------------------------------------------------


def test_every_command_has_its_manual_page(tmp_path: Path) -> None:
    pages = {page.stem: page.read_text("utf-8") for page in loaded("man").write(tmp_path)}
    below = {f"dncd-{group}-{word}" for group, words in (("line", LINE), ("people", PEOPLE)) for word in words}
    assert set(pages) == {"dncd", *(f"dncd-{word}" for word in LATE), *below}
    assert "\\-\\-over\\-edits" in pages["dncd-send"]
    assert "dncd send gang\\-lathe 0004.nc" in pages["dncd-send"]
    assert ".BR dncd\\-line (1)" in pages["dncd-line-test"]
    assert all(f".B dncd manual {topic}\n" in pages["dncd"] for topic in TOPICS)
    if shutil.which("groff") is None:
        pytest.skip("groff is not on this machine")
    for page in sorted(tmp_path.iterdir()):
        done = subprocess.run(
            ["groff", "-man", "-Tutf8", "-ww", page],
            capture_output=True,
            encoding="utf-8",
            errors="replace",
            check=True,
        )
        assert done.stderr == "", page.name
        assert "DNCD" in done.stdout


# --- the manual ------------------------------------------------------------------------------------------------------


def test_the_manual_lists_its_topics_and_shows_each(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["manual"]) == 0
    listed = capsys.readouterr().out
    for topic in TOPICS:
        assert f"{topic:<11}{title_of(topic)}\n" in listed
        assert main(["manual", topic]) == 0
        assert capsys.readouterr().out == topic_text(topic)
    assert main(["manual", "sendin"]) == 2
    assert main(["manual", "--page", "x.html"]) == 2


class Tags(HTMLParser):
    """Opened tags, and the text."""

    def __init__(self) -> None:
        super().__init__()
        self.tags, self.text = list[str](), ""

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.tags.append(tag)

    def handle_data(self, data: str) -> None:
        self.text += data


@pytest.mark.parametrize("topic", TOPICS)
def test_each_topic_is_a_page_to_print_with_all_its_words(topic: str, tmp_path: Path) -> None:
    page = tmp_path / "door.html"
    assert main(["manual", topic, "--page", str(page)]) == 0
    read = Tags()
    read.feed(page.read_text("utf-8"))
    assert read.tags.count("li") == len(re.findall(r"^- ", topic_text(topic), re.MULTILINE))
    words = re.findall(r"[A-Za-zÄ-ü]{4,}", re.sub(r"^```\w+", "", topic_text(topic), flags=re.MULTILINE))
    assert [word for word in words if word not in read.text] == []
    if topic == "operator":
        assert read.tags.count("li") == 7
        assert "Whom to call" in read.text


# --- a Debian package ------------------------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.skipif(
    not (shutil.which("dpkg-deb") and shutil.which("systemd-sysusers") and os.geteuid() == 0),
    reason="wants root, dpkg-deb and systemd-sysusers",
)
def test_the_debian_package_installs_works_goes_and_is_purged(wheel: Path, tmp_path: Path) -> None:
    package = loaded("deb").build(tmp_path / "out", wheel)
    root = tmp_path / "root"
    for folder in ("updates", "info"):
        (root / "var/lib/dpkg" / folder).mkdir(parents=True)
    for name in ("status", "available"):
        (root / "var/lib/dpkg" / name).touch()
    dpkg = ("dpkg", f"--root={root}", "--force-depends", "--force-script-chrootless", "--log=/dev/null")

    run(*dpkg, "--install", package)
    users = "\n" + (root / "etc/passwd").read_text()
    assert "\ndncd:" in users
    assert f"\n{page_door.USER}:" in users, "whom the service's own socket turns away"
    for unit in ("dncd.service", "dncd-page.service"):
        text = (root / "usr/lib/systemd/system" / unit).read_text("utf-8")
        assert "ExecStart=/usr/bin/dncd --config" in text
        assert "Documentation=man:dncd(1)" in text
    assert (root / "usr/share/man/man1/dncd-send.1.gz").is_file()
    assert "_DNCD_COMPLETE" in (root / "usr/share/bash-completion/completions/dncd").read_text()
    library = {"PYTHONPATH": str(root / "usr/lib/dncd"), "PYTHONSAFEPATH": "1"}
    for words in (("--version",), ("unit",), ("--config", root / "etc/dncd/dncd.toml", "check-config")):
        run(sys._base_executable, "-m", "dncd", *words, env=os.environ | library)  # type: ignore[attr-defined]

    page = "import dncd.page.app, markupsafe, segno; print(markupsafe.escape('<'))"
    assert run(sys._base_executable, "-c", page, env=os.environ | library) == "&lt;\n"  # type: ignore[attr-defined]

    settings = root / "etc/dncd/dncd.toml"
    settings.write_text(settings.read_text("utf-8") + "# ours\n")
    run(*dpkg, "--remove", "dncd")
    assert settings.read_text("utf-8").endswith("# ours\n")
    assert not (root / "usr/lib/dncd").exists()
    assert not (root / "usr/bin/dncd").exists()
    run(*dpkg, "--purge", "dncd")
    assert not settings.parent.exists()


# --- help and completion ---------------------------------------------------------------------------------------------


def test_every_command_has_an_example_that_holds() -> None:
    """Each is parsed as it stands: options and words are those of its command."""
    top = click.Context(group, info_name="dncd")
    groups = {"line": LINE, "people": PEOPLE}
    every = {name: (group.get_command(top, name), top) for name in LATE if name not in groups}
    for word, names in groups.items():
        below = click.Context(group.commands[word], info_name=word, parent=top)
        every |= {f"{word} {name}": (group.commands[word].get_command(below, name), below) for name in names}
    assert set(EXAMPLES) <= set(every)
    for name, (command, parent) in every.items():
        assert command is not None
        assert command.epilog
        for example in command.epilog.partition("\b\n")[2].splitlines():
            said = shlex.split(example.rpartition("| ")[2].partition(" > ")[0].partition(" < ")[0])
            del said[: said.index(name.split()[-1]) + 1]
            command.make_context(name, said, parent=parent)


def offered(words: str, shop: Path, complete: str = "bash_complete") -> list[str]:
    asked = {"COMP_WORDS": words, "COMP_CWORD": str(len(words.split(" ")) - 1), "_DNCD_COMPLETE": complete}
    said = run(sys.executable, "-m", "dncd", env=os.environ | asked | {"DNCD_CONFIG": str(shop)})
    return [line.partition(",")[2] for line in said.splitlines() if line]


def test_tab_knows_machines_programs_waiting_files_and_profiles(tmp_path: Path) -> None:
    shop = tmp_path / "shop.toml"
    shop.write_text('[machines.gang-lathe.line]\nport = "/dev/x"\n')
    with Writer(tmp_path / "state") as library:
        for program in ("O0004", "O0104", "O0330"):
            library.revise("gang-lathe", program, Text.of(f"{program}\nM30\n".encode()), Origin.OFFICE, {})
    inbox = tmp_path / "shop/gang-lathe/to-machine"
    inbox.mkdir(parents=True)
    for name in ("0004.nc", "0005.nc", "~$0004.nc"):
        (inbox / name).touch()
    assert {"withdraw", "verify"} <= set(offered("dncd ", shop))
    assert offered("dncd show gang-lathe O0", shop) == ["O0004", "O0104", "O0330"]
    assert offered("dncd diff gang-lathe O01", shop) == ["O0104"]
    assert offered("dncd withdraw gang-lathe ", shop) == ["0004.nc", "0005.nc"]
    assert offered("dncd next gang-lathe 00", shop) == ["0004.nc", "0005.nc"]
    assert offered("dncd standin --profile iso", shop) == ["iso-tape"]
    assert offered("dncd show gang-lathe ", tmp_path / "none.toml") == []


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_the_script_for_each_shell_is_one_that_the_shell_takes(shell: str, tmp_path: Path) -> None:
    script = tmp_path / "script"
    script.write_text(run(sys.executable, "-m", "dncd", "completion", shell))
    assert f"_DNCD_COMPLETE={shell}_complete" in script.read_text()
    if shutil.which(shell) is None:
        pytest.skip(f"{shell} is not on this machine")
    run(shell, "-n", script)
