"""Comparing takes up to half a minute where its process hangs: that is the time of its own machine's capture alone."""

import os
import signal
from dataclasses import replace

from fakes import FakePort
from station_rig import rig

from dncd.choices import Flow, StartOn
from dncd.outside import journal
from dncd.outside.comparer import NOT_COMPARED
from dncd.station.driver import Shared, Station
from dncd.station.events import Ask, Wish
from dncd.values import Frame, LineSettings, MachineSettings, SendSettings

LONG = "".join(f"N{n} X{n}.5 Z-{n}.25\n" for n in range(400))


def machine(name: str) -> MachineSettings:
    line = LineSettings("/dev/absent", baud=115200, frame=Frame.parse("7E1"), flow=Flow.NONE)
    return MachineSettings(name, line)


def even(text: str) -> bytes:
    return bytes(char | (char.bit_count() % 2) << 7 for char in text.encode())


def test_no_record_of_one_machine_waits_for_a_comparison_of_another(tmp_path):
    with rig(tmp_path, machine("mill")) as shop:
        shared = Shared(shop.office, shop.comparer, shop.hands, journal.journal())
        lathe = Station(machine("lathe"), shared, lambda _station: None)
        mill_port, lathe_port = FakePort(), FakePort()
        shop.plug(mill_port)
        lathe.take_port(lathe_port)

        def received(name: str) -> list[str]:
            return [told["program"] for told in shop.ledger("received") if told["machine"] == name]

        for number, feed in enumerate((100, 200), 1):  # the second starts the process that compares
            mill_port.feed(even(f"%\nO0001\n{LONG}N900 F{feed}\nM30\n%\n"))
            shop.until(lambda number=number: len(received("mill")) == number)
        (child,) = shop.comparer._children
        hung = child._process
        assert hung is not None
        os.kill(hung.pid, signal.SIGSTOP)
        mill_port.feed(even(f"%\nO0001\n{LONG}N900 F300\nM30\n%\n%\nO0002\nM30\n%\n"))
        shop.until(lambda: not shop.comparer._free)
        for feed in (100, 200):
            lathe_port.feed(even(f"%\nO0001\n{LONG}N900 F{feed}\nM30\n%\n"))
        shop.until(lambda: received("lathe") == ["O0001", "O0001"])
        assert received("mill") == ["O0001", "O0001"]
        assert shop.station.busy
        os.kill(hung.pid, signal.SIGCONT)
        shop.until(lambda: len(received("mill")) == 4)
        assert received("mill") == ["O0001", "O0001", "O0001", "O0002"], (
            "of one machine in the order in which they came"
        )
        assert NOT_COMPARED not in (shop.folder / "from-machine/O0001.nc.receipt.txt").read_text()
        lathe.close()


def test_no_record_of_one_machine_waits_for_the_comparison_of_another_at_its_start(tmp_path):
    with rig(tmp_path, replace(machine("mill"), send=SendSettings(start_on=StartOn.GO))) as shop:
        shared = Shared(shop.office, shop.comparer, shop.hands, journal.journal())
        lathe = Station(machine("lathe"), shared, lambda _station: None)
        mill_port, lathe_port = FakePort(), FakePort()
        shop.plug(mill_port)
        lathe.take_port(lathe_port)
        for number, feed in enumerate((100, 200), 1):
            mill_port.feed(even(f"%\nO0001\n{LONG}N900 F{feed}\nM30\n%\n"))
            shop.until(lambda number=number: len(shop.ledger("received")) == number)
            if number == 1:
                shop.drop("0001.nc", f"%\nO0001\n{LONG}N900 F100\n(OFFICE)\nM30\n%\n".encode())
                shop.until(lambda: shop.station.core.sender.queue.waiting)
        hung = [child._process for child in shop.comparer._children]
        assert hung
        for process in hung:
            os.kill(process.pid, signal.SIGSTOP)
        shop.station.tell(Ask(Wish.GO))
        shop.until(lambda: not shop.comparer._free)
        lathe_port.feed(even("%\nO0002\nM30\n%\n"))
        shop.until(lambda: len(shop.ledger("received")) == 3)
        for process in hung:
            os.kill(process.pid, signal.SIGCONT)
        shop.until(lambda: shop.ledger("refused"))
        assert not mill_port.written
        lathe.close()
