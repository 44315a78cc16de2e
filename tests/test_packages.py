"""What is built of this source, and with which versions it works: empty environments, as a user's or a packager's."""

import importlib.util
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest

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


def environment(folder: Path) -> Path:
    """A new one with nothing in it but pip; gives its bin."""
    run(sys.executable, "-m", "venv", folder)
    return folder / "bin"


def test_every_library_has_a_lowest_version(tmp_path: Path) -> None:
    assert [line for line in loaded("lowest").lowest() if "==" not in line] == []
    project = tmp_path / "pyproject.toml"
    project.write_text('[project]\ndependencies = ["click"]\n')
    with pytest.raises(ValueError, match="no lower bound"):
        loaded("lowest").lowest(project)


@pytest.mark.slow
def test_the_lowest_versions_do_the_whole_job(tmp_path: Path) -> None:
    """`dncd demo` and the tests of the command line, with the oldest libraries that pyproject.toml says to work."""
    constraints = tmp_path / "lowest.txt"
    constraints.write_text("\n".join(loaded("lowest").lowest()) + "\n")
    bin_ = environment(tmp_path / "venv")
    run(bin_ / "pip", "install", "-q", "-c", constraints, ROOT, "pytest", "pytest-timeout")
    frozen = run(bin_ / "pip", "freeze").splitlines()
    assert [low for low in loaded("lowest").lowest() if not any(each.startswith(low) for each in frozen)] == []
    run(bin_ / "dncd", "demo", cwd=tmp_path)
    run(bin_ / "pytest", "-p", "no:cacheprovider", "tests/test_cli.py", "tests/test_moments.py", cwd=ROOT)
