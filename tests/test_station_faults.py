"""A fault of dncd's own on one line ends what that line does, is told, and leaves the line ready to start anew."""

from fakes import FakePort
from station_rig import rig

from dncd.choices import Flow, StartOn
from dncd.values import Frame, LineSettings, LineState, MachineSettings, SendSettings

BIG = b"%\nO0001\n" + b"X1.5 Z-2.25\n" * 400 + b"M30\n%\n"


class BreakingPort(FakePort):
    """Raises what no port should, from the tenth write on."""

    writes = 0

    def write(self, data):
        self.writes += 1
        if self.writes > 10:
            raise RuntimeError("nobody thought of this")
        return super().write(data)


def test_a_fault_ends_the_sending_and_the_line_starts_anew(tmp_path):
    line = LineSettings("/dev/absent", baud=115200, frame=Frame.parse("8N1"), flow=Flow.NONE)
    settings = MachineSettings("mill", line, send=SendSettings(start_on=StartOn.NOW))
    with rig(tmp_path, settings) as shop:
        shop.plug(BreakingPort())
        shop.drop("0001.nc", BIG)
        shop.until(lambda: shop.ledger("interrupted"))
        (told,) = shop.ledger("interrupted")
        assert "a fault of dncd itself (RuntimeError)" in told["reasons"][0]
        assert 0 < told["chars"] < len(BIG)
        assert shop.station.state is LineState.NO_PORT
        assert "nobody thought of this" in shop.said.getvalue()
        shop.plug(FakePort())
        assert shop.station.state is LineState.LISTENING
        shop.drop("0002.nc", b"%\nO0002\nM30\n%\n")
        shop.until(lambda: shop.ledger("sent"))
