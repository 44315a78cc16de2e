"""Prints constraints for pip: the lowest version of each library that pyproject.toml allows.

With `python .ci/lowest.py > lowest.txt && pip install -c lowest.txt .`
pip takes the oldest that dncd says to work with.
"""

import re
import tomllib
from pathlib import Path

PROJECT = Path(__file__).resolve().parent.parent / "pyproject.toml"


def lowest(project: Path = PROJECT) -> list[str]:
    """`NAME==VERSION` of each dependency; ValueError where one has no lower bound."""
    found = []
    said = tomllib.loads(project.read_text("utf-8"))["project"]
    for need in said["dependencies"]:
        match = re.match(r"([\w.-]+)\s*>=\s*([\d.]+)", need)
        if match is None:
            raise ValueError(f"{need}: no lower bound")
        found.append(f"{match[1]}=={match[2]}")
    return found


if __name__ == "__main__":
    print("\n".join(lowest()))
