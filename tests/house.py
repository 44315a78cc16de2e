"""The service as its users meet it: a real `dncd run` with its folders, and what tests drop there."""

import contextlib
import json
import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import Final

import pytest
from waiting import until, watched

import dncd
from dncd.choices import TapeCode
from dncd.errors import DncdError
from dncd.outside.command_client import ask
from dncd.records.receipts import parse
from dncd.standin.build import Build, Dc3
from dncd.values import Frame, TapeSettings

ENV = {**os.environ, "PYTHONPATH": str(Path(dncd.__file__).parent.parent)}
"""The environment of a child that runs this same dncd from any folder."""
LONG = ["O0100", *(f"N{n} G01 X{n / 100:.2f} Z-{n / 50:.2f} F0.1" for n in range(10, 4200, 10)), "M30"]


class House:
    def __init__(self, root, machines, shop_table="[shop]\nsettle_s = 0.1\n"):
        self.root, self.shop, self.state = root, root / "shop", root / "state"
        (root / "dncd.toml").write_text(f"{shop_table}\n{tables(**machines)}")
        self.log = (root / "run.log").open("ab")
        self.start(machines)

    def start(self, machines):
        words = [sys.executable, "-m", "dncd", "--config", str(self.root / "dncd.toml"), "run"]
        self.process = subprocess.Popen(words, stdout=self.log, stderr=self.log)
        try:
            until(lambda: self.answers() and all((self.shop / name / "STATUS.txt").exists() for name in machines))
        except BaseException:
            self.process.kill()
            self.process.wait(120)
            self.log.close()
            raise

    def answers(self):
        """Whether the service answers who asks it: asked here, for a command costs a start of Python each time."""
        with contextlib.suppress(DncdError):
            return bool(ask(self.state, {"do": "status"}))
        return False

    def dncd(self, *words):
        words = [sys.executable, "-m", "dncd", "--config", str(self.root / "dncd.toml"), *words]
        return subprocess.run(words, capture_output=True, text=True, timeout=120, check=False)

    def drop(self, machine, name, data):
        path = self.shop / machine / "to-machine" / name
        path.write_bytes(data)
        return path

    def receipt(self, machine, where, name, seconds=120.0):
        path = self.shop / machine / where / f"{name}.receipt.txt"
        return parse(until(path.read_text, seconds))

    def ledger(self):
        files = sorted((self.state / "ledger").glob("*.jsonl"))
        return [json.loads(line) for path in files for line in path.read_text().splitlines()]

    def stop(self):
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
        code = self.process.wait(120)
        self.log.close()
        return code


def tables(**machines):
    """The tables of these machines, for a settings file."""
    lines = []
    for name, own in machines.items():
        for table, keys in own.items():
            lines += [f"[machines.{name}.{table}]", *(f"{k} = {toml(v)}" for k, v in keys.items())]
    return "\n".join(lines) + "\n"


def toml(value):
    return str(value).lower() if isinstance(value, bool) else json.dumps(value)


@contextlib.contextmanager
def house(root, *shop_table, **machines):
    with watched(root):
        shop = House(root, machines, *shop_table)
        try:
            yield shop
            assert shop.stop() == 0
            assert "Traceback" not in (root / "run.log").read_text()
        finally:
            if shop.process.poll() is None:
                shop.process.kill()
                shop.process.wait(120)
            shop.log.close()


def build(code=TapeCode.ISO, frame="7E1", baud=9600, **more):
    return Build("stand-in", baud, Frame.parse(frame), TapeSettings(code=code), dc3=Dc3.WITH_PARITY, **more)


def machine(control, code="iso", frame="7E1", baud=9600, start="now", **program):
    return {
        "line": {"port": control.path, "baud": baud, "frame": frame},
        "tape": {"code": code},
        "send": {"start_on": start},
        "receive": {"silence_s": 0.5},
        "program": {"lower_case": "keep", **program},
    }


def text(blocks, end="\r\n", opening="%"):
    return end.join([opening, *blocks, "%", ""]).encode()


SCHEMAS: Final = Path(__file__).parent.parent / "config/schemas"


def fits_schema(name: str, value: object) -> bool:
    """Whether a value is as its schema says; the schema itself is checked too."""
    jsonschema = pytest.importorskip("jsonschema", reason="jsonschema is a test dependency that is not installed")
    file = SCHEMAS / f"{name}.json"
    schema = json.loads(file.read_text("utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    found: bool = jsonschema.Draft202012Validator(schema).is_valid(value)
    return found
