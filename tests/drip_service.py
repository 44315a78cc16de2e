"""Runs the service with settings that no file may have: a drip-fed line as fast as its socket. Arguments: folder, port."""

import sys
from pathlib import Path

from dncd.choices import Flow, StartOn
from dncd.outside import journal
from dncd.service.run import Service
from dncd.values import (
    Frame,
    LineSettings,
    MachineSettings,
    ProgramSettings,
    ReceiveSettings,
    SendSettings,
    Settings,
    ShopSettings,
)


def main() -> None:
    folder = Path(sys.argv[1])
    line = LineSettings(sys.argv[2], baud=10**9, frame=Frame.parse("8N1"), flow=Flow.XON_XOFF, ahead_chars=65_536)
    send = SendSettings(start_on=StartOn.DC1, drip_feed=True)
    mill = MachineSettings("mill", line, send=send, receive=ReceiveSettings(), program=ProgramSettings())
    shop = ShopSettings(folder / "shop", folder / "state", settle_s=0.1)
    journal.set_up()
    Service(Settings(folder / "dncd.toml", shop, {"mill": mill})).run()


main()
